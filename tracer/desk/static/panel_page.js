// The panel view: the panel in its colours, pockets to move, and what is typed about them.

import { get, post } from './api.js';
import { field, freshId, h, show, speak } from './dom.js';
import { Findings } from './findings.js';
import { readLength } from './lay_settings.js';
import { PanelStage } from './panel_stage.js';
import { fieldLength, figure, length, parseLength, say } from './texts.js';

const FITS = ['press', 'snug', 'easy', 'loose'];

export class PanelPage {
  constructor(job, message) {
    Object.assign(this, { job, message, panel: null, asked: 0 });
    this.stage = new PanelStage();
    this.findings = new Findings((id) => this.stage.choose(id));
    this.make = h('button', { type: 'button', class: 'main', onclick: () => this.#arrange() }, say('panel.make'));
    this.intro = h('div', { class: 'intro' }, h('p', {}, say('panel.intro')), this.make);
    this.list = h('ul', { class: 'pockets' });
    this.out = h('ul', { class: 'pockets' });
    this.outBox = h('div', {}, h('h3', {}, say('panel.leftOut')), this.out);
    this.form = this.#pocketForm();
    this.bay = this.#bayForm();
    this.hint = h('p', { class: 'hint', id: freshId('hint') }, say('panel.hint'));
    this.step = h('input', { type: 'number', value: 1, min: 0.1, max: 100, step: 'any', class: 'short', oninput: () => { this.stage.step = parseLength(this.step.value) || 1; } });
    this.stage.element.setAttribute('aria-describedby', this.hint.id);
    const v = this.stage.viewport;
    const zoom = (text, sign, act) => h('button', { type: 'button', 'aria-label': text, title: text, onclick: act }, sign);
    this.legend = h('div', { class: 'legend' });
    this.room = h('section', { class: 'stage', 'aria-label': say('steps.panel') },
      h('div', { class: 'bar' }, h('div', { class: 'row' }, this.hint,
        h('div', { class: 'zoom' }, field(say('panel.step'), this.step),
          zoom(say('picture.farther'), '−', () => v.zoomBy(0.8)), zoom(say('picture.closer'), '+', () => v.zoomBy(1.25)), zoom(say('picture.fit'), say('picture.fit'), () => v.fit())))),
      this.stage.element, this.legend);
    this.side = h('section', { class: 'side', 'aria-label': say('panel.pockets') }, this.form, h('h2', {}, say('panel.pockets')), this.list, this.outBox, this.findings.element, this.bay);
    this.element = h('div', { class: 'view outlines panel-view' }, this.room, this.side, this.intro);
    this.stage.addEventListener('choose', (event) => this.#chosen(event.detail));
    this.stage.addEventListener('moving', () => this.#live());
    this.stage.addEventListener('put', (event) => this.#put(event.detail));
    this.onState = () => this.load();
    job.addEventListener('state', this.onState);
    this.onKey = (event) => this.#undoKeys(event);
    document.addEventListener('keydown', this.onKey);
    this.load();
  }

  close() {
    this.job.removeEventListener('state', this.onState);
    document.removeEventListener('keydown', this.onKey);
  }

  async load() {
    const asked = (this.asked += 1);
    let record;
    try { record = await get(`${this.job.path}/panel`); } catch (error) { this.message(error.message); return; }
    if (asked !== this.asked || this.stage.busy) return; // a hand is on it; its edit brings the next state
    if (this.panel && record.panel && this.#older(record.panel)) return; // a run is about to replace it
    this.panel = record.panel;
    this.intro.hidden = Boolean(this.panel);
    this.room.hidden = this.side.hidden = !this.panel;
    if (!this.panel) return;
    const [w, hh] = this.panel.size_mm;
    this.stage.draw(this.panel, say('panel.label', { w: length(w, 0), h: length(hh, 0) }));
    show(this.legend, this.panel.plies.map((p) => {
      const swatch = h('span', { class: 'swatch' });
      swatch.style.background = `rgb(${p.rgb.join(' ')})`;
      return h('span', { class: 'layer' }, swatch, say('panel.ply', { role: say(`panel.roles.${p.role}`), colour: p.colour, length: fieldLength(p.thickness_mm) }));
    }), h('span', { class: 'quiet' }, say('panel.size', { w: length(w), h: length(hh) })));
    this.findings.update(this.panel.checks, new Set(this.panel.pockets.map((p) => p.id)));
    show(this.list, this.panel.pockets.map((p) => h('li', {}, h('button', {
      type: 'button', class: 'wide', data: { pocket: p.id }, 'aria-pressed': String(p.id === this.stage.chosen),
      onclick: () => this.stage.choose(p.id),
    }, h('b', {}, `${p.number}`), ` ${p.name} `, h('span', { class: 'quiet' }, p.through ? say('panel.through') : say('panel.deep', { length: length(p.depth_mm) }))))));
    const left = (this.job.state.plan?.tools ?? []).filter((t) => t.skip);
    this.outBox.hidden = !left.length;
    show(this.out, left.map((t) => h('li', {}, t.pocket_id, ' ', h('button', { type: 'button', class: 'plain', onclick: () => this.#tool(t.pocket_id, { skip: undefined }) }, say('panel.putBack')))));
    this.#fillBay();
    this.#chosen(this.stage.chosen);
  }

  /** True for a panel made before the latest moves by hand: drawing it would throw pockets back. */
  #older(panel) {
    const ids = new Set([...Object.keys(panel.moves), ...panel.pockets.map((p) => p.id)]);
    return [...ids].some((id) => JSON.stringify(panel.moves[id] ?? null) !== JSON.stringify(this.job.value(['plan', 'moves', id])));
  }

  async #arrange() {
    this.make.disabled = true;
    try { await post(`${this.job.path}/arrange`); } catch (error) { this.message(error.message); }
    this.make.disabled = false;
  }

  #undoKeys(event) {
    const typing = event.target.closest?.('input, select, textarea');
    const z = event.key.toLowerCase();
    if (typing || !(event.ctrlKey || event.metaKey) || event.altKey || (z !== 'z' && z !== 'y')) return;
    event.preventDefault();
    if (z === 'y' || event.shiftKey) this.job.redo(); else this.job.undo();
  }

  // -- the chosen pocket -----------------------------------------------------------------------
  #pocketForm() {
    const number = (key, low, high) => h('input', { type: 'text', inputMode: 'decimal', autocomplete: 'off', class: 'short', onchange: () => this.#typed(key, low, high) });
    const choice = (key, names) => h('select', { onchange: () => this.#picked(key) }, names.map((n) => h('option', { value: n }, say(`panel.${key}s.${n || 'rules'}`))));
    this.inputs = { x: number('x', -5000, 5000), y: number('y', -5000, 5000), turn: number('turn', -360, 360), depth: number('depth', 0, 500) };
    this.choices = { floor: choice('floor', ['', 'through', 'part']), notch: choice('notch', ['', 'none']), fit: choice('fit', ['', ...FITS]) };
    this.text = h('input', { type: 'text', autocomplete: 'off', maxLength: 80, onchange: () => this.#tool(this.stage.chosen, { label: this.text.value.trim() || undefined }) });
    this.name = h('h2');
    this.gaps = h('ul', { class: 'gaps', 'aria-label': say('panel.gaps') });
    this.facts = h('p', { class: 'quiet' });
    this.leave = h('button', { type: 'button', onclick: () => this.#tool(this.stage.chosen, { skip: true }) }, say('panel.leave'));
    return h('div', { class: 'box pocket-form', hidden: true }, this.name, this.facts,
      h('div', { class: 'fields' }, Object.entries(this.inputs).map(([k, input]) => field(say(`panel.${k}`), input)),
        Object.entries(this.choices).map(([k, input]) => field(say(`panel.${k}`), input)), field(say('panel.text'), this.text)),
      h('h3', {}, say('panel.gaps')), this.gaps, this.leave);
  }

  #record() { return this.panel?.pockets.find((p) => p.id === this.stage.chosen); }

  #plan(id) { return this.job.value(['plan', 'tools', id]) ?? {}; }

  #chosen(id) {
    const p = this.#record();
    this.form.hidden = !p;
    for (const b of this.list.querySelectorAll('button')) b.setAttribute('aria-pressed', String(b.dataset.pocket === id));
    if (!p) return;
    const typed = this.#plan(id);
    show(this.name, `${p.number} ${p.name}`);
    show(this.facts, say('panel.facts', { height: length(p.height_mm), depth: length(p.cut_depth_mm), proud: length(p.proud_mm), least: length(p.widths_mm[0]), most: length(p.widths_mm[1]), surely: figure(100 * p.fit_probability, 0) }));
    if (document.activeElement !== this.inputs.depth) this.inputs.depth.value = fieldLength(typed.depth_mm);
    this.inputs.depth.placeholder = length(p.depth_mm);
    this.choices.floor.value = typed.through === true ? 'through' : typed.through === false ? 'part' : '';
    this.choices.notch.value = typed.notch === false ? 'none' : '';
    this.choices.fit.value = typed.fit ?? '';
    this.text.value = typed.label ?? '';
    this.text.placeholder = p.label?.text ?? '';
    this.#live();
  }

  /** Place and gaps while a pocket moves. */
  #live() {
    const { chosen } = this.stage;
    const now = this.stage.place(chosen);
    if (!now) return;
    const shown = { x: now.centre[0], y: now.centre[1], turn: now.turn };
    for (const [k, v] of Object.entries(shown)) if (this.inputs[k] !== document.activeElement) this.inputs[k].value = k === 'turn' ? String(Math.round(v * 10) / 10) : fieldLength(Math.round(v * 10) / 10);
    const { rules } = this.panel;
    show(this.gaps, now.gaps.filter((g) => Number.isFinite(g.gap)).map((g) => {
      const limit = g.id ? rules.web_least_mm : rules.edge_mm / 2;
      const name = g.id ? this.panel.pockets.find((p) => p.id === g.id)?.name ?? g.id : say('panel.rim');
      return h('li', { class: g.gap < limit ? 'bad' : null }, say(g.gap < limit ? 'panel.gapBad' : 'panel.gap', { name, length: length(g.gap), limit: length(limit, 0) }));
    }));
  }

  #put({ id, x_mm: x, y_mm: y, turn_deg: turn }) {
    const path = ['plan', 'moves', id];
    const was = this.job.value(path);
    const now = { x_mm: x, y_mm: y, ...(turn ? { turn_deg: turn } : {}) };
    if (JSON.stringify(was) === JSON.stringify(now)) return;
    this.job.edit('move', this.panel.pockets.find((p) => p.id === id)?.name ?? id, [{ path, was, now }]);
    speak(say('panel.moved', { x: length(x), y: length(y) }));
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
    if (key === 'depth') this.#tool(this.stage.chosen, { depth_mm: value ?? undefined });
    else this.stage.setTo({ [key]: value });
  }

  #picked(key) {
    const { value } = this.choices[key];
    const id = this.stage.chosen;
    if (key === 'floor') this.#tool(id, { through: value === '' ? undefined : value === 'through' });
    if (key === 'notch') this.#tool(id, { notch: value === 'none' ? false : undefined });
    if (key === 'fit') this.#tool(id, { fit: value || undefined });
  }

  #tool(id, change) {
    const path = ['plan', 'tools', id];
    const was = this.job.value(path);
    const next = Object.fromEntries(Object.entries({ ...was, ...change }).filter(([, v]) => v !== undefined));
    const now = Object.keys(next).length ? next : null;
    if (JSON.stringify(was) !== JSON.stringify(now)) this.job.edit('pocket', this.panel.pockets.find((p) => p.id === id)?.name ?? id, [{ path, was, now }]);
  }

  // -- the bay ---------------------------------------------------------------------------------
  #bayForm() {
    const number = () => h('input', { type: 'text', inputMode: 'decimal', autocomplete: 'off', class: 'short' });
    this.bayInputs = { width_mm: number(), height_mm: number(), clear_depth_mm: number() };
    this.kind = h('select', {}, ['drawer', 'wall'].map((k) => h('option', { value: k }, say(`panel.kinds.${k}`))));
    this.way = h('select', { onchange: () => this.#way() }, ['photographed', 'tidied', 'fresh'].map((k) => h('option', { value: k }, say(`panel.ways.${k}`))));
    const go = h('button', { type: 'submit' }, say('panel.useBay'));
    return h('details', { class: 'box' }, h('summary', {}, h('h2', {}, say('panel.bay'))),
      h('form', { noValidate: true, onsubmit: (event) => { event.preventDefault(); this.#useBay(); } },
        h('div', { class: 'fields' }, field(say('panel.kind'), this.kind), Object.entries(this.bayInputs).map(([k, input]) => field(say(`panel.${k}`), input)), go)),
      h('div', { class: 'fields' }, field(say('panel.way'), this.way)));
  }

  #fillBay() {
    const plan = this.job.state.plan ?? {};
    for (const [k, input] of Object.entries(this.bayInputs)) {
      if (input === document.activeElement) continue;
      input.value = fieldLength(plan.bay?.[k]);
    }
    this.bayInputs.width_mm.placeholder = length(this.panel.size_mm[0]);
    this.bayInputs.height_mm.placeholder = length(this.panel.size_mm[1]);
    this.kind.value = plan.bay?.kind ?? this.panel.kind;
    this.way.value = plan.placement?.arrangement ?? 'photographed';
  }

  #useBay() {
    const values = {};
    for (const [k, input] of Object.entries(this.bayInputs)) {
      const value = readLength(input.value, 10, 10000);
      input.toggleAttribute('aria-invalid', value === undefined);
      if (value === undefined) { this.message(say('table.refused', { value: input.value, low: fieldLength(10), high: fieldLength(10000) })); return; }
      if (value !== null) values[k] = value;
    }
    const sized = values.width_mm !== undefined && values.height_mm !== undefined;
    if (!sized && Object.keys(values).length) { this.message(say('panel.bothSides')); return; }
    const path = ['plan', 'bay'];
    this.job.edit('plan', say('panel.bay'), [{ path, was: this.job.value(path), now: sized ? { kind: this.kind.value, ...values } : null }]);
  }

  #way() {
    const path = ['plan', 'placement'];
    const was = this.job.value(path);
    const next = { ...was, arrangement: this.way.value };
    if (next.arrangement === 'photographed') delete next.arrangement;
    this.job.edit('plan', say('panel.way'), [{ path, was, now: Object.keys(next).length ? next : null }]);
  }
}
