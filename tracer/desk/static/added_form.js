// What a panel has beside its tools: plain pockets, keep-outs, emblems of letters, of a drawing or of an
// outline that was traced. Added and taken out here, put into place on the panel or by typing.

import { upload } from './api.js';
import { field, freshId, h, show } from './dom.js';
import { readLength } from './lay_settings.js';
import { fieldLength, number, say } from './texts.js';

const ROOMS = ['plain', 'keep_outs', 'emblems'];
const KINDS = [...ROOMS, 'drawing', 'outline']; // the last two are emblems, too
const kindOf = (room, item) => (room !== 'emblems' || item.text ? room : item.file ? 'drawing' : 'outline');
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
    this.file = h('input', { type: 'file', accept: '.svg,.dxf,image/svg+xml', class: 'unseen', id: freshId('drawing'), onchange: () => this.#picked() });
    this.fileName = h('span', { class: 'quiet' });
    this.fileField = h('div', { class: 'field' }, this.file, h('label', { htmlFor: this.file.id, class: 'button' }, say('panel.added.choose')), this.fileName);
    this.outline = h('select');
    this.outlineField = field(say('panel.added.outline'), this.outline, say('panel.added.outlineHint'));
    this.list = h('ul', { class: 'added' });
    this.element = h('details', { class: 'box added-form' }, h('summary', {}, h('h2', {}, say('panel.added.title'))), this.list,
      h('form', { noValidate: true, onsubmit: (event) => { event.preventDefault(); this.#add(); } },
        h('div', { class: 'fields' }, field(say('panel.added.kind'), this.kind), this.fileField, this.outlineField, this.nameLabel, this.widthField, this.heightField, this.thingField,
          h('button', { type: 'submit' }, say('panel.added.add')))),
      h('p', { class: 'quiet' }, say('panel.added.text')));
    this.#fit();
  }

  #fit() {
    const { value } = this.kind;
    this.fileField.hidden = value !== 'drawing';
    this.outlineField.hidden = value !== 'outline';
    this.nameLabel.hidden = value === 'drawing' || value === 'outline';
    this.widthField.hidden = !['plain', 'keep_outs'].includes(value);
    this.thingField.hidden = value !== 'plain';
    const hint = this.heightField.querySelector('small');
    hint.hidden = value === 'plain' || value === 'emblems';
    hint.textContent = say(value === 'keep_outs' ? 'panel.added.round' : 'panel.added.asDrawn');
    this.nameLabel.querySelector('label').textContent = say(value === 'emblems' ? 'panel.added.letters' : 'panel.added.name');
  }

  #items(kind) { return this.job.value(['plan', kind]) ?? []; }

  show(panel) {
    this.panel = panel;
    if (this.list.contains(document.activeElement) && document.activeElement.tagName === 'INPUT') return;
    this.#fillOutlines();
    show(this.list, ROOMS.flatMap((kind) => this.#items(kind).map((item, index) => this.#row(kind, item, index))));
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
    const turn = () => h('input', {
      type: 'text', inputMode: 'decimal', autocomplete: 'off', class: 'short', value: number(item.turn_deg ?? 0, 1), 'aria-label': say('panel.added.turn_deg', { name }),
      onchange: (event) => {
        const value = Number(event.target.value.trim().replace('°', '').replace(',', '.'));
        const bad = !(Math.abs(value) <= 360);
        event.target.toggleAttribute('aria-invalid', bad);
        if (!bad) this.#change(kind, index, { turn_deg: value });
      },
    });
    // plain pockets are moved as pockets are
    const places = kind === 'plain' ? null : [typed('x_mm'), typed('y_mm'), kind === 'emblems' ? turn() : null];
    return h('li', { class: 'row' }, h('span', {}, `${say(`panel.added.kinds.${kindOf(kind, item)}`)}: ${name}`), places,
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

  #fillOutlines() {
    const was = this.outline.value;
    show(this.outline, (this.job.state?.outlines ?? []).map((o) => h('option', { value: o.id, selected: o.id === was }, `${o.id} ${o.cells.name ?? ''}`)));
  }

  #picked() { this.fileName.textContent = this.file.files[0]?.name ?? ''; }

  /** An emblem of a drawing or of a traced outline: what of it there is to keep; null where refused. */
  async #emblem(kind) {
    if (kind === 'outline') return this.outline.value ? { name: this.outline.selectedOptions[0].text.trim(), outline_id: this.outline.value } : null;
    const [file] = this.file.files;
    if (!file) { this.message(say('panel.added.needFile')); return null; }
    try {
      const { name } = await upload(`${this.job.path}/drawings?name=${encodeURIComponent(file.name)}`, file, () => {});
      return { name: name.replace(/\.[^.]*$/, ''), file: name };
    } catch (error) {
      this.message(`${file.name}: ${error.message}`);
      return null;
    }
  }

  #append(room, item) {
    const path = ['plan', room];
    const was = this.job.value(path);
    this.job.edit('plan', item.name, [{ path, was, now: [...(was ?? []), item] }]);
    this.name.value = this.file.value = '';
    this.#picked();
    this.show(this.panel);
  }

  async #add() {
    const kind = this.kind.value;
    const name = this.name.value.trim();
    const read = (input, empty = false) => {
      const value = readLength(input.value, 1, 3000);
      const bad = value === undefined || (value === null && !empty);
      input.toggleAttribute('aria-invalid', bad);
      if (bad) this.message(say('table.refused', { value: input.value, low: fieldLength(1), high: fieldLength(3000) }));
      return bad ? undefined : value;
    };
    const [w, d] = this.panel.size_mm;
    if (kind === 'drawing' || kind === 'outline') {
      const size = read(this.height, true);
      const made = size === undefined ? null : await this.#emblem(kind);
      if (made) this.#append('emblems', { ...made, x_mm: round(w / 2), y_mm: round(d / 2), ...(size === null ? {} : { height_mm: size }) });
      return;
    }
    this.name.toggleAttribute('aria-invalid', !name);
    if (!name) { this.message(say('panel.added.needName')); this.name.focus(); return; }
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
    this.#append(kind, item);
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
