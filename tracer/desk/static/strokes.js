// Correcting by hand: points, lines and strokes on the photo, by pointer or by keyboard.
//
// A tool takes the pointer from the viewport. Every stroke can also be set point by point, with
// clicks or with the cross that the arrow keys move, so nothing needs dragging.

import { post, Refusal } from './api.js';
import { s, speak } from './dom.js';
import { say } from './texts.js';

/** mode -> points it takes ('one', 'two', 'line') and the list of corrections it adds to */
export const MODES = {
  look: null,
  edge: { takes: 'line', list: 'edges' },
  add: { takes: 'line', list: 'strokes', brush: true },
  take: { takes: 'line', list: 'strokes', brush: true },
  split: { takes: 'two', list: 'split' },
  merge: { takes: 'two', list: 'merge' },
  drop: { takes: 'one', list: 'drop' },
  keep: { takes: 'one', list: 'keep' },
  cable: { takes: 'one', list: 'cables' },
};

const path = (points) => `M${points.map(([x, y]) => `${x.toFixed(1)} ${y.toFixed(1)}`).join('L')}`;

export class StrokeTool {
  /** `options` gives brush width, snap reach, key step; `done(mode, value, note)` takes the result. */
  constructor(viewport, mode, photoPath, options, done) {
    Object.assign(this, { viewport, mode, photoPath, options, done, points: [], dragging: false });
    this.rule = MODES[mode];
    this.shadow = s('path', { class: 'stroke-shadow' });
    this.line = s('path', { class: `stroke ${mode}` });
    this.cross = s('path', { class: 'cross' });
    viewport.drawing.append(this.shadow, this.line, this.cross);
    this.cursor = viewport.toPhoto(viewport.width / 2, viewport.height / 2);
    this.onView = () => this.#paint();
    viewport.addEventListener('view', this.onView);
    this.#paint();
  }

  close() {
    this.viewport.removeEventListener('view', this.onView);
    for (const part of [this.shadow, this.line, this.cross]) part.remove();
  }

  down(at) {
    this.cursor = at;
    this.dragging = true;
    this.draft = [at];
  }

  hover(at) {
    this.cursor = at;
    this.#paint();
  }

  move(at) {
    this.cursor = at;
    if (this.rule.takes === 'line') this.draft.push(at);
    else if (this.rule.takes === 'two') this.draft = [this.draft[0], at];
    this.#paint();
  }

  up(at, click) {
    this.dragging = false;
    const draft = this.draft ?? [];
    this.draft = null;
    if (click || this.rule.takes === 'one') this.#point(at);
    else if (this.rule.takes === 'two') { this.points = [draft[0], at]; this.finish(); }
    else { this.points.push(...draft); this.finish(); }
  }

  cancelStroke() {
    this.dragging = false;
    this.draft = null;
    this.points = [];
    this.#paint();
  }

  key(event) {
    const step = this.options().step * (event.shiftKey ? 10 : 1);
    const by = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
    if (by) {
      this.cursor = [this.cursor[0] + by[0], this.cursor[1] + by[1]];
      this.viewport.reveal([this.cursor[0] - 1, this.cursor[1] - 1, this.cursor[0] + 1, this.cursor[1] + 1]);
      this.#paint();
      speak(say('tools.cursor', { x: Math.round(this.cursor[0]), y: Math.round(this.cursor[1]) }));
      return true;
    }
    if (event.key === ' ') { this.#point(this.cursor); return true; }
    if (event.key === 'Enter') { this.finish(); return true; }
    if (event.key === 'Escape' && this.points.length) { this.cancelStroke(); return true; }
    if (event.key === 'Backspace' && this.points.length) { this.points.pop(); this.#paint(); return true; }
    return false;
  }

  #point(at) {
    const last = this.points.at(-1);
    if (!last || Math.hypot(last[0] - at[0], last[1] - at[1]) * this.viewport.scale > 2) this.points.push(at);
    speak(say('tools.pointSet', { n: this.points.length }));
    const enough = { one: 1, two: 2, line: Infinity }[this.rule.takes];
    if (this.points.length >= enough) this.finish();
    else this.#paint();
  }

  async finish() {
    const { points, mode } = this;
    const least = { one: 1, two: 2, line: this.rule.brush ? 1 : 2 }[this.rule.takes];
    if (points.length < least) return;
    this.points = [];
    this.#paint();
    const round = (p) => p.map((v) => Math.round(v * 100) / 100);
    if (mode === 'edge') return this.#edge(points.map(round));
    if (this.rule.brush) {
      this.done(mode, { line: thin(points).map(round), width_px: this.options().width, add: mode === 'add' });
    } else if (this.rule.takes === 'one') this.done(mode, round(points[0]));
    else this.done(mode, [round(points[0]), round(points.at(-1))]);
  }

  async #edge(points) {
    const { snap, reach } = this.options();
    this.shadow.setAttribute('d', path(points));
    try {
      const found = await post(`${this.photoPath}/snap`, { line: thin(points), reach_px: reach, snap });
      if (!found.clear) this.done(null, null, say('tools.noEdge'));
      else if (!found.beside) this.done(null, null, say('tools.noOutline'));
      else this.done('edge', thin(found.line, 0.15), snap ? say('tools.snapped') : null);
    } catch (error) {
      this.done(null, null, error instanceof Refusal ? error.message : say('line.lost'));
    }
    this.shadow.removeAttribute('d');
  }

  #paint() {
    const all = [...this.points, ...(this.draft ?? [])];
    const shown = this.points.length && !this.draft && this.rule.takes !== 'one' ? [...all, this.cursor] : all;
    this.line.setAttribute('d', shown.length ? path(shown.length === 1 ? [shown[0], shown[0]] : shown) : 'M0 0');
    const wide = this.rule.brush ? this.options().width : null;
    this.line.style.strokeWidth = wide ? `${wide * this.viewport.scale}px` : '';
    const r = 9 / this.viewport.scale;
    const [x, y] = this.cursor;
    this.cross.setAttribute('d', `M${x - r} ${y}H${x + r}M${x} ${y - r}V${y + r}`);
  }
}

/** Points without those that lie on the line between their neighbours (Douglas and Peucker 1973). */
export function thin(points, tolerance = 0.4) {
  if (points.length < 3) return points;
  const keep = new Set([0, points.length - 1]);
  const work = [[0, points.length - 1]];
  while (work.length) {
    const [a, b] = work.pop();
    const [ax, ay] = points[a];
    const dx = points[b][0] - ax;
    const dy = points[b][1] - ay;
    const length = Math.hypot(dx, dy);
    let far = tolerance;
    let at = -1;
    for (let i = a + 1; i < b; i += 1) {
      const px = points[i][0] - ax;
      const py = points[i][1] - ay;
      const away = length ? Math.abs(px * dy - py * dx) / length : Math.hypot(px, py);
      if (away > far) { far = away; at = i; }
    }
    if (at >= 0) { keep.add(at); work.push([a, at], [at, b]); }
  }
  return points.filter((_, i) => keep.has(i));
}
