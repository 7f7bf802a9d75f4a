// The panel view: the panel in its colours, pockets to move, and what is typed about them.

import { AddedForm } from './added_form.js';
import { get, post } from './api.js';
import { field, freshId, h, show, speak } from './dom.js';
import { Findings } from './findings.js';
import { FittingsForm } from './fittings_form.js';
import { FoamForm, colourWord } from './foam_form.js';
import { readLength } from './lay_settings.js';
import { LayoutChoice } from './layout_choice.js';
import { OrderForm } from './order_form.js';
import { PanelStage } from './panel_stage.js';
import { plannedPlace } from './planned_places.js';
import { PocketForm } from './pocket_form.js';
import { fieldLength, length, parseLength, say } from './texts.js';

/** Measures of the bay that are typed here, and what they take in mm. */
const BAY = {
  width_mm: [20, 6000], height_mm: [20, 6000], clear_depth_mm: [1, 1000], rising_mm: [20, 9000], falling_mm: [20, 9000], squeeze_mm: [-50, 50], above_floor_mm: [0, 5000],
};

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
    this.form = new PocketForm(this.stage, { change: (id, value) => this.#tool(id, value), planned: (id) => this.#plan(id), swap: (way, id) => this.onSwap?.(way, id), message });
    this.order = new OrderForm(this.stage, () => this.#lock());
    this.foam = new FoamForm(job, message);
    this.added = new AddedForm(job, message);
    this.fittings = new FittingsForm(job, message);
    this.layouts = new LayoutChoice(job, () => this.panel, message, () => this.#expect());
    this.several = h('button', { type: 'button', 'aria-pressed': 'false', onclick: () => this.#several() }, say('panel.several'));
    this.all = h('button', { type: 'button', onclick: () => this.stage.chooseAll() }, say('panel.all'));
    this.another = h('button', { type: 'button', onclick: () => this.onSwap?.('add') }, say('panel.addTool'));
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
    this.side = h('section', { class: 'side', 'aria-label': say('panel.pockets') }, this.form.element, this.order.element,
      h('h2', {}, say('panel.pockets')), h('div', { class: 'row' }, this.several, this.all, this.another), this.list, this.layouts.element, this.outBox, this.findings.element, this.bay, this.foam.element, this.added.element, this.fittings.element);
    this.element = h('div', { class: 'view outlines panel-view' }, this.room, this.side, this.intro);
    this.stage.addEventListener('choose', () => this.#chosen());
    this.stage.addEventListener('moving', () => { this.form.live(); this.order.live(); });
    this.stage.addEventListener('lock', () => this.#lock());
    this.stage.addEventListener('held', (event) => this.#held(event.detail));
    this.stage.addEventListener('added', (event) => this.added.moved(event.detail));
    this.stage.addEventListener('notch', (event) => this.#putNotch(event.detail));
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
    this.#expect();
    let record;
    try { record = await get(`${this.job.path}/panel`); } catch (error) { this.message(error.message); return; }
    if (asked !== this.asked || this.stage.busy) return; // a hand is on it; its edit brings the next state
    if (this.panel && record.panel && this.#older(record.panel)) { // a run is about to replace it
      this.#showLocks();
      return;
    }
    this.panel = record.panel;
    for (const p of this.panel?.pockets ?? []) p.locked = Boolean(this.job.value(['plan', 'moves', p.id])?.locked);
    this.intro.hidden = Boolean(this.panel);
    this.room.hidden = this.side.hidden = !this.panel;
    if (!this.panel) return;
    this.element.dataset.revision = this.panel.revision;
    const [w, hh] = this.panel.size_mm;
    this.stage.draw(this.panel, say('panel.label', { w: length(w, 0), h: length(hh, 0) }));
    show(this.legend, this.panel.plies.map((p) => {
      const swatch = h('span', { class: 'swatch' });
      swatch.style.background = `rgb(${p.rgb.join(' ')})`;
      return h('span', { class: 'layer' }, swatch, say('panel.ply', { role: say(`panel.roles.${p.role}`), colour: colourWord(p.colour), length: fieldLength(p.thickness_mm) }));
    }), h('span', { class: 'quiet' }, say('panel.size', { w: length(w), h: length(hh) })));
    this.findings.update(this.panel.checks, new Set(this.panel.pockets.map((p) => p.id)));
    this.#showList();
    const left = (this.job.state.plan?.tools ?? []).filter((t) => t.skip);
    this.outBox.hidden = !left.length;
    show(this.out, left.map((t) => h('li', {}, t.pocket_id, ' ', h('button', { type: 'button', class: 'plain', onclick: () => this.#tool(t.pocket_id, { skip: undefined }) }, say('panel.putBack')))));
    this.#fillBay();
    this.foam.show(this.panel);
    this.added.show(this.panel);
    this.fittings.show(this.panel);
    this.layouts.show();
    this.#chosen();
  }

  /** What is asked now is shown at once, whatever panel was made last. */
  #expect() {
    if (!this.panel || this.stage.busy || !this.job.state?.plan) return;
    const [placement, bay, places] = ['placement', 'bay', 'places'].map((key) => this.job.value(['plan', key]));
    const placed = new Map((places ?? []).map((one) => [one.pocket_id, one]));
    this.stage.expect(this.panel.pockets.map((p) => [p.id, plannedPlace(p, this.panel, {
      placement, bay, place: placed.get(p.id), move: this.job.value(['plan', 'moves', p.id]),
    })]));
  }

  #showList() {
    const at = document.activeElement?.dataset?.pocket;
    show(this.list, this.panel.pockets.map((p) => h('li', {}, h('button', {
      type: 'button', class: 'wide', data: { pocket: p.id }, 'aria-pressed': String(this.stage.set.has(p.id)),
      onclick: (event) => this.stage.choose(p.id, this.stage.several || event.shiftKey || event.ctrlKey || event.metaKey),
    }, h('b', {}, `${p.number}`), ` ${p.name} `, p.locked ? h('span', { class: 'old-mark' }, `${say('panel.order.mark')} `) : null, h('span', { class: 'quiet' }, p.through ? say('panel.through') : say('panel.deep', { length: length(p.depth_mm) }))))));
    if (at) this.list.querySelector(`[data-pocket="${CSS.escape(at)}"]`)?.focus();
  }

  /** News of the desk that is not a state of the job. */
  news(news) { this.layouts.news(news); }

  #several() {
    this.stage.several = !this.stage.several;
    this.several.setAttribute('aria-pressed', String(this.stage.several));
  }

  /** True for a panel made before the latest moves by hand: drawing it would throw pockets back. */
  #older(panel) {
    const ids = new Set([...Object.keys(panel.moves), ...panel.pockets.map((p) => p.id)]);
    return [...ids].some((id) => JSON.stringify(panel.moves[id] ?? null) !== JSON.stringify(this.job.value(['plan', 'moves', id])));
  }

  /** Locks as they are kept now, whatever run the panel is from. */
  #showLocks() {
    if (!this.panel) return;
    for (const p of this.panel.pockets) p.locked = Boolean(this.job.value(['plan', 'moves', p.id])?.locked);
    this.layouts.show();
    this.foam.show(this.panel);
    this.added.show(this.panel);
    this.fittings.show(this.panel);
    this.#showList();
    this.#chosen();
    this.stage.paint();
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

  // -- what is kept ----------------------------------------------------------------------------
  #plan(id) { return this.job.value(['plan', 'tools', id]) ?? {}; }

  #name(id) { return this.panel.pockets.find((p) => p.id === id)?.name ?? id; }

  /** Name of an edit that changes these pockets. */
  #names(ids) { return ids.length === 1 ? this.#name(ids[0]) : say('panel.order.count', { count: ids.length }); }

  #chosen() {
    for (const b of this.list.querySelectorAll('button')) b.setAttribute('aria-pressed', String(this.stage.set.has(b.dataset.pocket)));
    this.form.show(this.panel);
    this.order.show(this.panel);
  }

  /** A move as the plan keeps it; what is as usual is left away. */
  #move(id, { x_mm: x, y_mm: y, turn_deg: turn, locked }) {
    const path = ['plan', 'moves', id];
    const was = this.job.value(path);
    const now = { x_mm: x, y_mm: y, ...(turn || this.panel.fresh ? { turn_deg: turn } : {}), ...(locked ? { locked } : {}) };
    return JSON.stringify(was) === JSON.stringify(now) ? null : { path, was, now };
  }

  #put(places) {
    const changes = places.map((p) => this.#move(p.id, p)).filter(Boolean);
    if (!changes.length) return;
    this.job.edit('move', this.#names(changes.map((c) => c.path[2])), changes);
    if (places.length === 1) speak(say('panel.moved', { x: length(places[0].x_mm), y: length(places[0].y_mm) }));
    else speak(say('panel.order.moved', { count: places.length }));
  }

  /** Lock what is chosen where it is; free it where all of it is locked. */
  #lock() {
    const mine = this.panel.pockets.filter((p) => this.stage.set.has(p.id) && !this.stage.place(p.id).open);
    const free = mine.some((p) => !p.locked);
    const changes = mine.filter((p) => p.locked !== free).map((p) => {
      const { centre, turn } = this.stage.place(p.id);
      const [x, y] = centre.map((v) => Math.round(v * 100) / 100);
      const typed = this.job.value(['plan', 'moves', p.id]) ?? {};
      return this.#move(p.id, { x_mm: x, y_mm: y, turn_deg: Math.round(turn * 1000) / 1000, ...(typed.x_mm === undefined ? {} : { x_mm: typed.x_mm, y_mm: typed.y_mm }), locked: free });
    }).filter(Boolean);
    if (!changes.length) return;
    this.job.edit(free ? 'lock' : 'free', this.#names(changes.map((c) => c.path[2])), changes);
    speak(say(free ? 'panel.order.locked' : 'panel.order.freed', { count: changes.length }));
    this.#showLocks();
  }

  /** Somebody took hold of a pocket that does not move. */
  #held(id) {
    const waits = this.stage.place(id)?.open;
    this.message(say(waits ? 'panel.order.waits' : 'panel.order.held', { name: this.#name(id) }), true);
  }

  #putNotch({ id, index, x_mm, y_mm, both }) {
    const notches = [...(this.#plan(id).notches ?? [])];
    notches[notches.length ? index : 0] = { x_mm, y_mm, ...(both ? {} : { both }) };
    this.#tool(id, { notches, notch: undefined });
  }

  #tool(id, change) {
    const path = ['plan', 'tools', id];
    const was = this.job.value(path);
    const next = Object.fromEntries(Object.entries({ ...was, ...change }).filter(([, v]) => v !== undefined));
    const now = Object.keys(next).length ? next : null;
    if (JSON.stringify(was) !== JSON.stringify(now)) this.job.edit('pocket', this.#name(id), [{ path, was, now }]);
  }

  // -- the bay ---------------------------------------------------------------------------------
  #bayForm() {
    const number = () => h('input', { type: 'text', inputMode: 'decimal', autocomplete: 'off', class: 'short' });
    this.bayInputs = Object.fromEntries(Object.keys(BAY).map((key) => [key, number()]));
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
    // while one is typed in, the others wait, too: they are used together
    const typing = Object.values(this.bayInputs).includes(document.activeElement);
    if (!typing) for (const [k, input] of Object.entries(this.bayInputs)) input.value = fieldLength(plan.bay?.[k]);
    this.bayInputs.width_mm.placeholder = length(this.panel.size_mm[0]);
    this.bayInputs.height_mm.placeholder = length(this.panel.size_mm[1]);
    this.kind.value = plan.bay?.kind ?? this.panel.kind;
    this.way.value = plan.placement?.arrangement ?? 'photographed';
  }

  #useBay() {
    const values = {};
    for (const [k, input] of Object.entries(this.bayInputs)) {
      const [low, high] = BAY[k];
      const value = readLength(input.value, low, high);
      input.toggleAttribute('aria-invalid', value === undefined);
      if (value === undefined) { this.message(say('table.refused', { value: input.value, low: fieldLength(low), high: fieldLength(high) })); return; }
      if (value !== null) values[k] = value;
    }
    const sized = values.width_mm !== undefined && values.height_mm !== undefined;
    if (!sized && Object.keys(values).length) { this.message(say('panel.bothSides')); return; }
    const path = ['plan', 'bay'];
    const was = this.job.value(path);
    // what has no field here stays; sides that differ belong to the width and height they came with
    const { top_mm: top, right_mm: right, grip } = was ?? {};
    const same = was?.width_mm === values.width_mm && was?.height_mm === values.height_mm;
    const others = { ...(grip ? { grip } : {}), ...(same && top !== undefined ? { top_mm: top } : {}), ...(same && right !== undefined ? { right_mm: right } : {}) };
    this.job.edit('plan', say('panel.bay'), [{ path, was, now: sized ? { kind: this.kind.value, ...others, ...values } : null }]);
  }

  #way() {
    if (this.way.value === 'fresh') { // a layout is chosen, not switched on
      this.way.value = this.job.state.plan?.placement?.arrangement ?? 'photographed';
      this.layouts.ask();
      return;
    }
    const path = ['plan', 'placement'];
    const was = this.job.value(path);
    const next = { ...was, arrangement: this.way.value };
    if (next.arrangement === 'photographed') delete next.arrangement;
    this.job.edit('plan', say('panel.way'), [{ path, was, now: Object.keys(next).length ? next : null }]);
  }
}
