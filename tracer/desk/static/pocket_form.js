// What is typed about the chosen pocket, and its gaps.

import { field, h, show } from './dom.js';
import { PocketParts } from './pocket_parts.js';
import { fieldLength, figure, length, parseLength, say } from './texts.js';

const FITS = ['press', 'snug', 'easy', 'loose'];

export class PocketForm {
  /** `change(id, value)` keeps what was typed for a pocket, `planned(id)` gives it,
   *  `swap(way, id)` goes to where its tool is exchanged. */
  constructor(stage, { change, planned, swap, message }) {
    Object.assign(this, { stage, change, planned, swap, message, panel: null });
    const number = (key, low, high) => h('input', { type: 'text', inputMode: 'decimal', autocomplete: 'off', class: 'short', onchange: () => this.#typed(key, low, high) });
    const choice = (key, names) => h('select', { onchange: () => this.#picked(key) }, names.map((n) => h('option', { value: n }, say(`panel.${key}s.${n || 'rules'}`))));
    this.inputs = { x: number('x', -5000, 5000), y: number('y', -5000, 5000), turn: number('turn', -360, 360), depth: number('depth', 0, 500) };
    this.choices = { floor: choice('floor', ['', 'through', 'part']), notch: choice('notch', ['', 'none', 'one', 'both']), fit: choice('fit', ['', ...FITS]) };
    this.text = h('input', { type: 'text', autocomplete: 'off', maxLength: 80, onchange: () => this.change(this.stage.chosen, { label: this.text.value.trim() || undefined }) });
    this.parts = new PocketParts({ change, planned, message });
    this.name = h('h2');
    this.facts = h('p', { class: 'quiet' });
    this.replace = h('button', { type: 'button', onclick: () => this.swap('replace', this.stage.chosen) }, say('panel.replace'));
    this.takeOut = h('button', { type: 'button', onclick: () => this.swap('remove', this.stage.chosen) }, say('panel.takeOut'));
    this.leave = h('button', { type: 'button', onclick: () => this.change(this.stage.chosen, { skip: true }) }, say('panel.leave'));
    this.element = h('div', { class: 'box pocket-form', hidden: true }, this.name, this.facts,
      h('div', { class: 'fields' }, Object.entries(this.inputs).map(([k, input]) => field(say(`panel.${k}`), input)),
        Object.entries(this.choices).map(([k, input]) => field(say(`panel.${k}`), input)), field(say('panel.text'), this.text)), this.parts.element, h('div', { class: 'row' }, this.replace, this.takeOut, this.leave));
  }

  /** Show what is chosen; nothing where that is not one pocket. */
  show(panel) {
    this.panel = panel;
    const p = this.stage.set.size === 1 ? panel?.pockets.find((one) => one.id === this.stage.chosen) : null;
    this.element.hidden = !p;
    if (!p) return;
    const typed = this.planned(p.id);
    this.replace.hidden = this.takeOut.hidden = !p.traced;
    show(this.name, `${p.number} ${p.name}`);
    const stands = say(p.proud_mm < 0 ? 'panel.below' : 'panel.proud', { far: length(Math.abs(p.proud_mm)) });
    show(this.facts, say('panel.facts', { height: length(p.height_mm), depth: length(p.cut_depth_mm), stands, least: length(p.widths_mm[0]), most: length(p.widths_mm[1]), surely: figure(100 * p.fit_probability, 0) }));
    if (document.activeElement !== this.inputs.depth) this.inputs.depth.value = fieldLength(typed.depth_mm);
    this.inputs.depth.placeholder = length(p.depth_mm);
    this.choices.floor.value = typed.through === true ? 'through' : typed.through === false ? 'part' : '';
    this.choices.notch.value = typed.notch === false ? 'none' : !typed.notches?.length ? '' : typed.notches[0].both === false ? 'one' : 'both';
    this.choices.fit.value = typed.fit ?? '';
    this.text.value = typed.label ?? '';
    this.text.placeholder = p.label?.text ?? '';
    for (const k of ['x', 'y', 'turn']) this.inputs[k].disabled = p.locked;
    this.parts.show(p);
    this.live();
  }

  /** Place while the pocket moves. */
  live() {
    const now = this.stage.place(this.stage.chosen);
    if (this.element.hidden || !now) return;
    const shown = { x: now.centre[0], y: now.centre[1], turn: now.turn };
    for (const [k, v] of Object.entries(shown)) if (this.inputs[k] !== document.activeElement) this.inputs[k].value = k === 'turn' ? String(Math.round(v * 10) / 10) : fieldLength(Math.round(v * 10) / 10);
  }

  #typed(key, low, high) {
    const input = this.inputs[key];
    const text = input.value.trim().replace('°', '');
    const value = key === 'turn' ? (text === '' ? null : Number(text.replace(',', '.'))) : parseLength(text);
    const bad = value !== null && !(value >= low && value <= high);
    input.toggleAttribute('aria-invalid', bad);
    if (bad || (value === null && key !== 'depth')) {
      const shown = key === 'turn' ? String : fieldLength;
      this.message(say('table.refused', { value: input.value, low: shown(low), high: shown(high) }));
      return;
    }
    if (key === 'depth') this.change(this.stage.chosen, { depth_mm: value ?? undefined });
    else this.stage.setTo({ [key]: value });
  }

  #picked(key) {
    const { value } = this.choices[key];
    const id = this.stage.chosen;
    if (key === 'floor') this.change(id, { through: value === '' ? undefined : value === 'through' });
    if (key === 'fit') this.change(id, { fit: value || undefined });
    if (key !== 'notch') return;
    const both = value === 'both';
    let notches;
    if (both || value === 'one') {
      const [x_mm, y_mm] = this.stage.notch.start(id, both);
      notches = [{ x_mm, y_mm, ...(both ? {} : { both }) }];
    }
    this.change(id, { notch: value === 'none' ? false : undefined, notches });
  }
}
