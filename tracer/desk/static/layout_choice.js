// Layouts to choose from, as pictures: asked for, waited for, taken by an edit.

import { get, post } from './api.js';
import { box } from './dialogs.js';
import { field, h, s, show } from './dom.js';
import { boxOf, middle } from './panel_shapes.js';
import { figure, length, say } from './texts.js';

const STYLES = ['rows', 'dense', 'spread'];
const path = (rings) => rings.map((r) => `M${r.map(([x, y]) => `${x} ${y}`).join('L')}Z`).join('');
const rgb = (c, k = 1) => `rgb(${c.map((v) => Math.round(v * k)).join(' ')})`;

export class LayoutChoice {
  /** `panel()` gives the panel's record as it is shown; `taken()` is told when one was taken. */
  constructor(job, panel, message, taken) {
    Object.assign(this, { job, panel, message, taken, asked: false, seed: 0 });
    this.style = h('select', {}, STYLES.map((k) => h('option', { value: k }, say(`panel.layouts.styles.${k}`))));
    this.go = h('button', { type: 'button', class: 'main', onclick: () => this.ask() });
    this.note = h('p', { class: 'quiet' });
    this.element = h('div', { class: 'box layouts' }, h('h2', {}, say('panel.layouts.title')), this.note,
      h('div', { class: 'fields' }, field(say('panel.layouts.style'), this.style), this.go));
  }

  show() {
    const locked = this.panel()?.pockets.filter((p) => p.locked).length ?? 0;
    const style = this.job.state.plan?.placement?.style ?? 'rows';
    if (document.activeElement !== this.style && !this.asked) this.style.value = style;
    show(this.go, say(locked ? 'panel.layouts.rest' : 'panel.layouts.go'));
    show(this.note, say(locked ? 'panel.layouts.stay' : 'panel.layouts.text', { count: locked }));
  }

  /** Ask for layouts; those computed are shown when the desk tells that they are there. */
  async ask(seed) {
    this.seed = seed ?? this.job.state.plan?.placement?.seed ?? 0;
    this.go.disabled = true;
    this.asked = true;
    try { await post(`${this.job.path}/layouts`, { style: this.style.value, seed: this.seed }); } catch (error) {
      this.message(error.message);
      this.#over();
    }
  }

  /** News of the desk: layouts are there, or the run ended without any. */
  async news({ kind, run }) {
    if (!this.asked) return;
    if (kind === 'run' && ['failed', 'stopped'].includes(run.phase)) this.#over();
    if (kind !== 'layouts') return;
    this.#over();
    try {
      const { layouts } = await get(`${this.job.path}/layouts`);
      if (layouts) this.#offer(layouts);
    } catch (error) { this.message(error.message); }
  }

  #over() {
    this.asked = false;
    this.go.disabled = false;
  }

  #offer(layouts) {
    const take = (choice, n) => {
      dialog.close();
      const what = say('panel.layouts.taken', { n, style: say(`panel.layouts.styles.${choice.style}`) });
      this.job.edit('layout', what, choice.changes);
      this.taken();
    };
    const notes = layouts.checks.map((c) => h('p', { class: 'quiet' }, c.sentence));
    const dialog = box('layouts-title', { class: 'layout-sheet' }, h('h2', { id: 'layouts-title' }, say('panel.layouts.offer')),
      h('p', {}, say('panel.layouts.offerText')), notes,
      h('div', { class: 'layout-choices' }, layouts.choices.map((c, k) => this.#picture(layouts, c, k + 1, () => take(c, k + 1)))),
      h('div', { class: 'row' },
        h('button', { type: 'button', onclick: () => { dialog.close(); this.ask(this.seed + 1); } }, say('panel.layouts.others')),
        h('button', { type: 'button', onclick: () => dialog.close() }, say('panel.layouts.leave'))));
  }

  #picture({ shape }, choice, n, take) {
    const panel = this.panel();
    const [x0, y0, x1, y1] = boxOf([shape[0]]);
    const big = Math.max(x1 - x0, y1 - y0) / 26; // numbers that are read at this size
    const held = new Set(choice.pockets.filter((p) => p.locked).map((p) => p.id));
    const drawing = s('svg', { viewBox: `${x0} ${-y1} ${x1 - x0} ${y1 - y0}`, 'aria-hidden': 'true' },
      s('g', { transform: 'scale(1 -1)' }, s('path', { d: path(shape), fill: rgb(panel.face_rgb) }),
        choice.pockets.map((p) => s('path', { d: path(p.rings), class: p.locked ? 'held' : null, fill: rgb(panel.base_rgb), 'fill-rule': 'evenodd' }))),
      choice.pockets.map((p) => {
        const [x, y] = middle(boxOf([p.rings[0]]));
        return s('text', { x, y: -y, 'font-size': big }, held.has(p.id) ? `${p.number} ${say('panel.layouts.heldMark')}` : `${p.number}`);
      }));
    const [w, d] = choice.free_mm;
    const figures = [
      say('panel.layouts.free', { w: length(w, 0), h: length(d, 0) }),
      'rows' in choice.terms ? say('panel.layouts.inRows', { percent: figure(100 * choice.terms.rows, 0) }) : null,
    ].filter(Boolean);
    return h('button', { type: 'button', class: 'layout-one', onclick: take }, drawing,
      h('b', {}, say('panel.layouts.one', { n, style: say(`panel.layouts.styles.${choice.style}`) })), figures.map((f) => h('small', {}, f)));
  }
}
