// The panel as it will look, in its true colours, and pockets that move under hand and keys.

import { s } from './dom.js';
import { boxOf, gapsOf, middle, moved, snapBox } from './panel_shapes.js';
import { length } from './texts.js';
import { Viewport } from './viewport.js';

const KEY_PAUSE_MS = 600; // keys pressed within this are one step of undo
const SNAP_PX = 7;
const HANDLE_PX = 30;

const rgb = (c, k = 1) => `rgb(${c.map((v) => Math.round(v * k)).join(' ')})`;
const path = (rings) => rings.map((r) => `M${r.map(([x, y]) => `${x} ${y}`).join('L')}Z`).join('');

export class PanelStage extends EventTarget {
  constructor() {
    super();
    this.viewport = new Viewport();
    this.flip = s('g');
    this.guides = s('g', { class: 'guides' });
    this.handle = s('g', { class: 'turn-handle' }, s('line'), s('circle', { r: 9 }));
    this.viewport.drawing.append(this.flip);
    this.viewport.svg.append(this.guides, this.handle);
    this.viewport.tool = this;
    this.viewport.addEventListener('view', () => this.#paintLoose());
    this.element = this.viewport.element;
    this.pockets = new Map();
    this.step = 1;
  }

  /** Show a panel's record. */
  draw(panel, label) {
    this.panel = panel;
    const [w, h] = panel.size_mm;
    this.flip.setAttribute('transform', `translate(-0.5 ${h - 0.5}) scale(1 -1)`);
    this.viewport.setPhoto('', { photo: `${w}x${h}`, name: '', size_px: [w, h], levels: 0, tile_px: 1 });
    this.element.setAttribute('aria-label', label);
    const face = s('path', { d: path(panel.shape), class: 'face', fill: rgb(panel.face_rgb) });
    const seams = s('path', { d: path(panel.seams), class: 'seam' });
    const outs = panel.keep_outs.map((k) => s('path', { d: path(k.rings), class: 'keep-out' }));
    const more = panel.fittings.map((f) => s('path', {
      d: path(f.rings), class: `fitting ${f.kind}`, 'fill-rule': 'evenodd', ...(f.rgb ? { fill: rgb(f.rgb) } : {}),
    }));
    this.pockets = new Map(panel.pockets.map((p) => [p.id, this.#pocket(p)]));
    this.flip.replaceChildren(face, seams, ...outs, ...more, ...[...this.pockets.values()].map((p) => p.group));
    if (!this.pockets.has(this.chosen)) this.chosen = null;
    this.choose(this.chosen);
  }

  choose(id) {
    this.chosen = id;
    for (const [key, p] of this.pockets) p.group.classList.toggle('chosen', key === id);
    this.#measure();
    this.dispatchEvent(new CustomEvent('choose', { detail: id }));
  }

  /** True while a hand or keys are moving a pocket. */
  get busy() { return Boolean(this.drag || this.pause); }

  /** Turn of a pocket as it is shown, in degrees. */
  turnOf(p) { return p.record.turn_deg + (p.by.turn * 180) / Math.PI; }

  /** Move or turn (degrees) the chosen pocket to typed values. */
  setTo({ x, y, turn }) {
    const p = this.pockets.get(this.chosen);
    if (!p) return;
    const [wasX, wasY] = middle(boxOf([p.ring]));
    const by = turn === undefined ? p.by.turn : ((turn - p.record.turn_deg) * Math.PI) / 180;
    this.#set(p, by, 0, 0);
    const [cx, cy] = middle(boxOf([p.ring]));
    this.#set(p, by, (x ?? wasX) - cx, (y ?? wasY) - cy);
    this.#commit(p);
  }

  place(id) {
    const p = this.pockets.get(id);
    return p ? { centre: middle(boxOf([p.ring])), turn: this.turnOf(p), gaps: p.gaps ?? [] } : null;
  }

  // -- the viewport's tool ---------------------------------------------------------------------
  down(at, event) {
    const point = this.#mm(at);
    const p = this.pockets.get(this.chosen);
    if (p && this.#nearHandle(event)) {
      const [cx, cy] = middle(boxOf([p.ring]));
      this.drag = { p, turning: true, centre: [cx, cy], start: Math.atan2(point[1] - cy, point[0] - cx), base: { ...p.by } };
      return true;
    }
    const hit = [...this.pockets.values()].find((one) => one.hit.isPointInFill(new DOMPoint(...this.#own(one, point))));
    this.choose(hit?.id ?? null);
    if (!hit) return false;
    this.drag = { p: hit, from: point, base: { ...hit.by } };
    return true;
  }

  move(at, event) {
    if (!this.drag) return;
    const { p, base } = this.drag;
    const point = this.#mm(at);
    if (this.drag.turning) {
      const [cx, cy] = this.drag.centre;
      let turn = base.turn + Math.atan2(point[1] - cy, point[0] - cx) - this.drag.start;
      const grid = (event.altKey ? 0.1 : 1) * Math.PI / 180;
      turn = Math.round(turn / grid) * grid;
      this.#set(p, turn, base.dx, base.dy);
      return;
    }
    let dx = base.dx + point[0] - this.drag.from[0];
    let dy = base.dy + point[1] - this.drag.from[1];
    this.lines = [];
    if (!event.altKey) {
      const box = boxOf([moved([p.ring0], p.centre0, base.turn, dx, dy)[0]]);
      const others = [...this.pockets.values()].filter((o) => o !== p).map((o) => boxOf([o.ring]));
      const snap = snapBox(box, others, [0, 0, ...this.panel.size_mm], SNAP_PX / this.viewport.scale);
      dx += snap.dx;
      dy += snap.dy;
      this.lines = snap.lines;
    }
    this.#set(p, base.turn, dx, dy);
  }

  up(at, click) {
    const { drag } = this;
    this.drag = null;
    this.lines = [];
    clearTimeout(this.pause);
    this.pause = 0;
    if (drag && !click) this.#commit(drag.p);
    else this.#paintLoose();
  }

  cancelStroke() {
    if (this.drag) this.#set(this.drag.p, this.drag.base.turn, this.drag.base.dx, this.drag.base.dy);
    this.drag = null;
  }

  key(event) {
    const p = this.pockets.get(this.chosen);
    if (event.key === 'Escape') {
      if (this.drag) this.cancelStroke();
      else this.choose(null);
      return true;
    }
    if (!p) return false;
    const k = this.step * (event.shiftKey ? 10 : 1);
    const by = { ArrowLeft: [-k, 0], ArrowRight: [k, 0], ArrowUp: [0, k], ArrowDown: [0, -k] }[event.key];
    const turn = { '[': 1, ']': -1 }[event.key];
    if (!by && !turn) return false;
    this.#set(p, p.by.turn + ((turn ?? 0) * Math.PI) / 180, p.by.dx + (by?.[0] ?? 0), p.by.dy + (by?.[1] ?? 0));
    clearTimeout(this.pause);
    this.pause = setTimeout(() => { this.pause = 0; this.#commit(p); }, KEY_PAUSE_MS);
    return true;
  }

  // -- inside ----------------------------------------------------------------------------------
  #mm([x, y]) { return [x + 0.5, this.panel.size_mm[1] - y - 0.5]; }

  /** A place of the panel in a pocket's own drawing, which may be moved. */
  #own(p, [x, y]) {
    const [[[ox, oy]]] = moved([[[x - p.by.dx, y - p.by.dy]]], p.centre0, -p.by.turn, 0, 0);
    return [ox, oy];
  }

  #pocket(p) {
    const floor = p.through ? rgb(this.panel.base_rgb) : p.floor_rgb ? rgb(p.floor_rgb) : rgb(this.panel.face_rgb, 0.62);
    const hit = s('path', { d: path(p.rings), class: 'pocket', fill: floor, 'fill-rule': 'evenodd' });
    const parts = [
      ...p.notches.map((r) => s('path', { d: path(r), class: 'notch', fill: rgb(this.panel.face_rgb, 0.75) })),
      hit,
      ...p.wells.map((r) => s('path', { d: path(r), class: 'well' })),
      s('path', { d: path(p.tool), class: 'tool-line' }),
    ];
    if (p.label) {
      const turn = (-p.label.angle_rad * 180) / Math.PI;
      const size = p.label.cap_mm / 0.72; // capitals are 0.72 of the letter size in most faces
      const dark = this.panel.face_rgb.reduce((a, b) => a + b) < 380;
      parts.push(s('text', {
        class: 'on-face', fill: dark ? '#f4f1ea' : '#20262a', 'font-size': size,
        transform: `translate(${p.label.x_mm} ${p.label.y_mm}) scale(1 -1) rotate(${turn})`,
      }, p.label.text));
    }
    const ring0 = p.rings[0];
    return {
      id: p.id, record: p, hit, group: s('g', { class: 'one-pocket', data: { pocket: p.id } }, parts),
      ring0, ring: ring0, centre0: middle(boxOf([ring0])), by: { turn: 0, dx: 0, dy: 0 },
    };
  }

  #set(p, turn, dx, dy) {
    p.by = { turn, dx, dy };
    [p.ring] = moved([p.ring0], p.centre0, turn, dx, dy);
    const [cx, cy] = p.centre0;
    p.group.setAttribute('transform', `translate(${dx} ${dy}) rotate(${(turn * 180) / Math.PI} ${cx} ${cy})`);
    this.#measure();
    this.dispatchEvent(new CustomEvent('moving', { detail: p.id }));
  }

  #measure() {
    const p = this.pockets.get(this.chosen);
    if (p) {
      const others = [...this.pockets.values()].map((o) => ({ id: o.id, ring: o.ring, box: boxOf([o.ring]) }));
      p.gaps = gapsOf(p.id, p.ring, others, this.panel.shape[0]).slice(0, 5);
      const least = Math.min(...p.gaps.filter((g) => g.id).map((g) => g.gap), Infinity);
      const rim = p.gaps.find((g) => !g.id)?.gap ?? Infinity;
      p.group.classList.toggle('tight', least < this.panel.rules.web_least_mm || rim < this.panel.rules.edge_mm / 2);
    }
    this.#paintLoose();
  }

  #commit(p) {
    const [x, y] = middle(boxOf([p.ring]));
    const round = (v, k = 100) => Math.round(v * k) / k;
    this.dispatchEvent(new CustomEvent('put', {
      detail: { id: p.id, x_mm: round(x), y_mm: round(y), turn_deg: round(this.turnOf(p)) },
    }));
  }

  #nearHandle(event) {
    if (!this.handleAt) return false;
    const box = this.element.getBoundingClientRect();
    return Math.hypot(event.clientX - box.left - this.handleAt[0], event.clientY - box.top - this.handleAt[1]) < 16;
  }

  #screen([x, y]) { return this.viewport.toScreen(x - 0.5, this.panel.size_mm[1] - y - 0.5); }

  /** Gap lines, snapping lines and the handle: drawn at screen size. */
  #paintLoose() {
    if (!this.panel) return;
    const p = this.pockets.get(this.chosen);
    const parts = [];
    for (const line of this.lines ?? []) {
      const [w, h] = this.panel.size_mm;
      const [a, b] = line.axis === 0 ? [[line.at, 0], [line.at, h]] : [[0, line.at], [w, line.at]];
      parts.push(this.#line(a, b, 'snap-line'));
    }
    for (const g of p?.gaps ?? []) {
      if (!Number.isFinite(g.gap)) continue;
      const limit = g.id ? this.panel.rules.web_least_mm : this.panel.rules.edge_mm / 2;
      const bad = g.gap < limit;
      parts.push(this.#line(g.from, g.to, bad ? 'gap bad' : 'gap'));
      const [ax, ay] = this.#screen(g.from);
      const [bx, by] = this.#screen(g.to);
      parts.push(s('text', { class: bad ? 'gap-text bad' : 'gap-text', x: (ax + bx) / 2, y: (ay + by) / 2 }, length(g.gap)));
    }
    this.guides.replaceChildren(...parts);
    this.handle.classList.toggle('off', !p);
    this.handleAt = null;
    if (!p) return;
    const box = boxOf([p.ring]);
    const [x, top] = this.#screen([middle(box)[0], box[3]]);
    this.handleAt = [x, top - HANDLE_PX];
    const [line, dot] = this.handle.children;
    for (const [k, v] of Object.entries({ x1: x, y1: top, x2: x, y2: top - HANDLE_PX })) line.setAttribute(k, v);
    dot.setAttribute('cx', x);
    dot.setAttribute('cy', top - HANDLE_PX);
  }

  #line(a, b, kind) {
    const [x1, y1] = this.#screen(a);
    const [x2, y2] = this.#screen(b);
    return s('line', { x1, y1, x2, y2, class: kind });
  }
}
