// What a panel has beside its tools: plain pockets, keep-outs, emblems of letters. Added and taken out
// here, put into place on the panel or by typing.

import { field, h, show } from './dom.js';
import { readLength } from './lay_settings.js';
import { fieldLength, say } from './texts.js';

const KINDS = ['plain', 'keep_outs', 'emblems'];
const round = (v) => Math.round(v * 100) / 100;

export class AddedForm {
  constructor(job, message) {
    Object.assign(this, { job, message, panel: null });
    const number = () => h('input', { type: 'text', inputMode: 'decimal', autocomplete: 'off', class: 'short' });
    this.kind = h('select', { onchange: () => this.#fit() }, KINDS.map((k) => h('option', { value: k }, say(`panel.added.kinds.${k}`))));
    this.name = h('input', { type: 'text', autocomplete: 'off', maxLength: 80 });
    this.width = number();
    this.height = number();
    this.thing = number();
    this.widthField = field(say('panel.added.width'), this.width);
    this.heightField = field(say('panel.added.height'), this.height, say('panel.added.round'));
    this.thingField = field(say('panel.added.thing'), this.thing);
    this.nameLabel = field(say('panel.added.name'), this.name);
    this.list = h('ul', { class: 'added' });
    this.element = h('details', { class: 'box added-form' }, h('summary', {}, h('h2', {}, say('panel.added.title'))), this.list,
      h('form', { noValidate: true, onsubmit: (event) => { event.preventDefault(); this.#add(); } },
        h('div', { class: 'fields' }, field(say('panel.added.kind'), this.kind), this.nameLabel, this.widthField, this.heightField, this.thingField,
          h('button', { type: 'submit' }, say('panel.added.add')))),
      h('p', { class: 'quiet' }, say('panel.added.text')));
    this.#fit();
  }

  #fit() {
    const { value } = this.kind;
    this.widthField.hidden = value === 'emblems';
    this.thingField.hidden = value !== 'plain';
    this.heightField.querySelector('small').hidden = value !== 'keep_outs';
    this.nameLabel.querySelector('label').textContent = say(value === 'emblems' ? 'panel.added.letters' : 'panel.added.name');
  }

  #items(kind) { return this.job.value(['plan', kind]) ?? []; }

  show(panel) {
    this.panel = panel;
    if (this.list.contains(document.activeElement) && document.activeElement.tagName === 'INPUT') return;
    show(this.list, KINDS.flatMap((kind) => this.#items(kind).map((item, index) => this.#row(kind, item, index))));
  }

  #row(kind, item, index) {
    const name = item.name;
    const typed = (axis) => h('input', {
      type: 'text', inputMode: 'decimal', autocomplete: 'off', class: 'short', value: fieldLength(item[axis]), 'aria-label': say(`panel.added.${axis}`, { name }),
      onchange: (event) => {
        const value = readLength(event.target.value, -5000, 5000);
        event.target.toggleAttribute('aria-invalid', typeof value !== 'number');
        if (typeof value === 'number') this.#change(kind, index, { [axis]: value });
      },
    });
    const places = kind === 'plain' ? null : [typed('x_mm'), typed('y_mm')]; // plain pockets are moved as pockets are
    return h('li', { class: 'row' }, h('span', {}, `${say(`panel.added.kinds.${kind}`)}: ${name}`), places,
      h('button', { type: 'button', class: 'plain', 'aria-label': say('panel.added.remove', { name }), onclick: () => this.#remove(kind, index, name) }, '×'));
  }

  /** One that was dragged on the panel by so many mm; `middle` is where its box's middle was. */
  moved({ kind, index, dx, dy, middle }) {
    const item = this.#items(kind)[index];
    const [x, y] = kind === 'emblems' ? middle : [item.x_mm, item.y_mm];
    this.#change(kind, index, { x_mm: round(x + dx), y_mm: round(y + dy) });
  }

  #change(kind, index, change) {
    const was = this.#items(kind);
    const now = was.map((item, k) => (k === index ? { ...item, ...change } : item));
    if (kind === 'emblems') delete now[index].within_mm; // put by hand: no longer centred in a region
    this.job.edit('plan', now[index].name, [{ path: ['plan', kind], was, now }]);
  }

  #add() {
    const kind = this.kind.value;
    const name = this.name.value.trim();
    const read = (input, empty = false) => {
      const value = readLength(input.value, 1, 3000);
      const bad = value === undefined || (value === null && !empty);
      input.toggleAttribute('aria-invalid', bad);
      if (bad) this.message(say('table.refused', { value: input.value, low: fieldLength(1), high: fieldLength(3000) }));
      return bad ? undefined : value;
    };
    this.name.toggleAttribute('aria-invalid', !name);
    if (!name) { this.message(say('panel.added.needName')); this.name.focus(); return; }
    const [w, d] = this.panel.size_mm;
    const height = read(this.height, kind === 'keep_outs');
    if (height === undefined) return;
    let item = { name, text: name, height_mm: height };
    if (kind !== 'emblems') {
      const width = read(this.width);
      if (width === undefined) return;
      item = { name, width_mm: width, ...(height === null ? {} : { height_mm: height }) };
      if (kind === 'plain') {
        const thing = read(this.thing);
        if (thing === undefined) return;
        item.thing_mm = thing;
      } else Object.assign(item, { x_mm: round((w - width) / 2), y_mm: round((d - (height ?? width)) / 2) });
    }
    const path = ['plan', kind];
    const was = this.job.value(path);
    this.job.edit('plan', name, [{ path, was, now: [...(was ?? []), item] }]);
    this.name.value = '';
    this.show(this.panel);
  }

  /** Taken out; plain pockets behind it go one number down, with what was typed for them. */
  #remove(kind, index, name) {
    const path = ['plan', kind];
    const was = this.#items(kind);
    const left = was.filter((_, k) => k !== index);
    const changes = [{ path, was, now: left.length ? left : null }];
    if (kind === 'plain') {
      const id = (k) => `B${String(k + 1).padStart(2, '0')}`;
      for (const room of ['moves', 'tools']) {
        for (let k = index; k < was.length; k += 1) {
          const [old, now] = [this.job.value(['plan', room, id(k)]), k + 1 < was.length ? this.job.value(['plan', room, id(k + 1)]) : null];
          if (JSON.stringify(old) !== JSON.stringify(now)) changes.push({ path: ['plan', room, id(k)], was: old, now });
        }
      }
    }
    this.job.edit('plan', name, changes);
    this.show(this.panel);
  }
}
