// What is drawn over the panel at screen size: gaps, snapping lines, handles, locks.

import { s } from './dom.js';
import { middle } from './panel_shapes.js';
import { length } from './texts.js';

const HANDLE_PX = 30;
const NEAR_PX = 16; // a finger need not be exact

export class PanelGuides {
  constructor(viewport) {
    this.viewport = viewport;
    this.loose = s('g', { class: 'guides' });
    this.handle = s('g', { class: 'turn-handle off' }, s('line'), s('circle', { r: 9 }));
    this.grips = [];
    viewport.svg.append(this.loose, this.handle);
  }

  /** The handle under a pointer: {kind: 'turn'} or {kind: 'notch', index}, or null. */
  gripAt(event) {
    const box = this.viewport.element.getBoundingClientRect();
    const [x, y] = [event.clientX - box.left, event.clientY - box.top];
    return this.grips.find((g) => Math.hypot(x - g.at[0], y - g.at[1]) < NEAR_PX) ?? null;
  }

  /** All of it anew; places are in the panel's mm. */
  paint({ size, lines, gaps, box, frame, notches, ghosts, locked }) {
    this.size = size;
    const parts = [];
    for (const line of lines) {
      const [a, b] = line.axis === 0 ? [[line.at, 0], [line.at, size[1]]] : [[0, line.at], [size[0], line.at]];
      parts.push(this.#line(a, b, 'snap-line'));
    }
    for (const g of gaps) {
      const bad = g.gap < g.limit;
      parts.push(this.#line(g.from, g.to, bad ? 'gap bad' : 'gap'));
      const [[ax, ay], [bx, by]] = [this.#screen(g.from), this.#screen(g.to)];
      parts.push(s('text', { class: bad ? 'gap-text bad' : 'gap-text', x: (ax + bx) / 2, y: (ay + by) / 2 }, length(g.gap)));
    }
    for (const at of locked) {
      const [x, y] = this.#screen(at);
      parts.push(s('path', { class: 'lock', d: `M${x - 6} ${y - 1}h12v9h-12z M${x - 4} ${y - 1}v-3a4 4 0 0 1 8 0v3` }));
    }
    for (const ring of ghosts) parts.push(s('path', { class: 'notch-ghost', d: `M${ring.map((p) => this.#screen(p).join(' ')).join('L')}Z` }));
    if (frame) {
      const [[x0, y1], [x1, y0]] = [this.#screen([frame[0], frame[1]]), this.#screen([frame[2], frame[3]])];
      parts.push(s('rect', { class: 'choose-frame', x: x0, y: y0, width: x1 - x0, height: y1 - y0 }));
    }
    this.grips = [];
    notches.forEach((at, index) => {
      const [x, y] = this.#screen(at);
      parts.push(s('rect', { class: 'notch-grip', x: x - 6, y: y - 6, width: 12, height: 12, rx: 3 }));
      this.grips.push({ kind: 'notch', index, at: [x, y] });
    });
    this.loose.replaceChildren(...parts);
    this.handle.classList.toggle('off', !box);
    if (!box) return;
    const [x, top] = this.#screen([middle(box)[0], box[3]]);
    const at = [x, top - HANDLE_PX];
    this.grips.unshift({ kind: 'turn', at });
    const [line, dot] = this.handle.children;
    for (const [k, v] of Object.entries({ x1: x, y1: top, x2: x, y2: at[1] })) line.setAttribute(k, v);
    dot.setAttribute('cx', x);
    dot.setAttribute('cy', at[1]);
  }

  #screen([x, y]) { return this.viewport.toScreen(x - 0.5, this.size[1] - y - 0.5); }

  #line(a, b, kind) {
    const [x1, y1] = this.#screen(a);
    const [x2, y2] = this.#screen(b);
    return s('line', { x1, y1, x2, y2, class: kind });
  }
}
