// Settings of a lay and the corrections kept for the photo on show.

import { field, freshId, h, show } from './dom.js';
import { fieldLength, parseLength, say } from './texts.js';

/** Two lengths as typed, longer first; null when empty, undefined when unreadable or out of range. */
export function readPair(text, low = 50, high = 1000) {
  if (!text.trim()) return null;
  const parts = text.split(/[x×*]/i);
  const unit = /(mm|cm|in|"|″)\s*$/i.exec(text)?.[1] ?? ''; // 6.6 x 4.4 in: both sides
  const sides = parts.map((t) => parseLength(/[a-z"″]\s*$/i.test(t) ? t : t + unit));
  if (sides.length !== 2 || !sides.every((v) => Number.isFinite(v) && v >= low && v <= high)) return undefined;
  return [Math.max(...sides), Math.min(...sides)];
}

/** A length as typed, in mm; null when empty, undefined when unreadable or out of range (mm). */
export function readLength(text, low, high) {
  const value = parseLength(text);
  return value === null || (Number.isFinite(value) && value >= low && value <= high) ? value : undefined;
}

const READ = {
  default_height_mm: (t) => readLength(t, 0, 500),
  camera_height_mm: (t) => readLength(t, 50, 20000),
  card_size_mm: readPair,
};

export class LaySettings {
  constructor(job, message) {
    Object.assign(this, { job, message });
    this.inputs = Object.fromEntries(Object.keys(READ).map((key) => {
      const input = h('input', { type: 'text', inputMode: 'decimal', autocomplete: 'off', onchange: () => this.#change(key) });
      return [key, input];
    }));
    this.cables = h('input', { type: 'checkbox', id: freshId('cables'), onchange: () => this.#set('keep_cables', this.cables.checked) });
    this.corrections = h('ul', { class: 'corrections' });
    this.element = h('details', { class: 'box' }, h('summary', {}, h('h2', {}, say('settings.label'))),
      h('div', { class: 'fields' },
        Object.entries(this.inputs).map(([key, input]) => field(say(`settings.${key}`), input)),
        h('div', { class: 'field check' }, this.cables, h('label', { htmlFor: this.cables.id }, say('settings.keep_cables')))),
      h('h3', {}, say('settings.corrections')), this.corrections);
  }

  update(lay, photo) {
    this.lay = String(lay.number);
    for (const [key, input] of Object.entries(this.inputs)) {
      const value = this.job.value(['lay', this.lay, key]);
      const text = value === null ? '' : [value].flat().map(fieldLength).join(' x ');
      if (input !== document.activeElement) input.value = text;
      input.dataset.shown = text;
    }
    this.cables.checked = this.job.value(['lay', this.lay, 'keep_cables']) === true;
    const kept = lay.corrections?.[photo.photo] ?? {};
    const items = Object.entries(kept).flatMap(([list, values]) => values.map((value) => ({ list, value })));
    const kind = (list, value) => (list === 'strokes' ? (value.add ? 'add' : 'take') : { edges: 'edge', cables: 'cable' }[list] ?? list);
    show(this.corrections, items.length ? items.map(({ list, value }) => h('li', {}, say(`edits.${kind(list, value)}`), ' ',
      h('button', {
        type: 'button', class: 'plain',
        onclick: () => this.job.edit('withdraw', photo.name, [{ path: ['photo', photo.photo, list], was: [value], now: [] }]),
      }, say('settings.withdraw')))) : h('li', { class: 'quiet' }, say('settings.noCorrections')));
  }

  #change(key) {
    const input = this.inputs[key];
    const now = READ[key](input.value);
    if (now === undefined) {
      input.setAttribute('aria-invalid', 'true');
      this.message(say(key === 'card_size_mm' ? 'drop.unreadableSize' : 'drop.unreadableHeight'));
      return;
    }
    input.removeAttribute('aria-invalid');
    this.#set(key, now);
  }

  #set(key, now) {
    const path = ['lay', this.lay, key];
    const was = this.job.value(path);
    if (JSON.stringify(was) !== JSON.stringify(now)) this.job.edit('setting', say(`settings.${key}`), [{ path, was, now }]);
  }
}
