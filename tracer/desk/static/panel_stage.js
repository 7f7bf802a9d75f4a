// The panel as it will look, in its true colours, and pockets that move under hand and keys.

import { AddedHand } from './added_hand.js';
import { s } from './dom.js';
import { NotchHand } from './notch_hand.js';
import { PanelGuides } from './panel_guides.js';
import { alignShifts, distributeShifts, lineBox } from './panel_sets.js';
import { boxOf, gapsOf, jointBox, middle, moved, snapBox } from './panel_shapes.js';
import { Viewport } from './viewport.js';

const KEY_PAUSE_MS = 600; // keys pressed within this are one step of undo
const SNAP_PX = 7;
const SHOWN_GAPS = 5;

const rgb = (c, k = 1) => `rgb(${c.map((v) => Math.round(v * k)).join(' ')})`;
const path = (rings) => rings.map((r) => `M${r.map(([x, y]) => `${x} ${y}`).join('L')}Z`).join('');
const round = (v, k = 100) => Math.round(v * k) / k;

export class PanelStage extends EventTarget {
  constructor() {
    super();
    this.viewport = new Viewport();
    this.flip = s('g');
    this.viewport.drawing.append(this.flip);
    this.guides = new PanelGuides(this.viewport);
    this.viewport.tool = this;
    this.viewport.addEventListener('view', () => this.paint());
    this.element = this.viewport.element;
    this.element.addEventListener('keydown', (event) => this.#allKey(event));
    this.pockets = new Map();
    this.set = new Set(); // ids of chosen pockets, the latest last
    this.several = false; // a press adds to what is chosen
    this.added = new AddedHand(this);
    this.notch = new NotchHand(this);
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
    this.pockets = new Map(panel.pockets.map((p) => [p.id, this.#pocket(p)]));
    this.flip.replaceChildren(face, seams, ...this.added.draw(panel), ...[...this.pockets.values()].map((p) => p.group));
    this.set = new Set([...this.set].filter((id) => this.pockets.has(id)));
    this.#told();
  }

  /** Pockets to where they will stand: what `plannedPlace` says, by id. */
  expect(places) {
    for (const [id, to] of places) {
      const p = this.pockets.get(id);
      p.open = to === 'open';
      p.group.classList.toggle('open', p.open);
      if (!to || p.open) continue;
      const turn = (to.turn * Math.PI) / 180;
      this.#set(p, turn, 0, 0);
      const [x, y] = turn ? middle(boxOf([p.ring])) : p.record.middle;
      this.#set(p, turn, to.x - x, to.y - y);
    }
    this.#moving();
  }

  /** The pocket that was chosen last, or null. */
  get chosen() { return [...this.set].at(-1) ?? null; }

  /** Choose a pocket alone, or none; with `add` put it to the others, or take it out. */
  choose(id, add = this.several) {
    if (!add || id === null) this.set = new Set(id === null ? [] : [id]);
    else if (this.set.has(id)) this.set.delete(id);
    else this.set.add(id);
    this.#told();
  }

  chooseAll() {
    this.set = new Set(this.pockets.keys());
    this.#told();
  }

  /** True while a hand or keys are moving a pocket. */
  get busy() { return Boolean(this.drag || this.pause); }

  /** Turn of a pocket as it is shown, in degrees. */
  turnOf(p) {
    const turn = p.record.turn_deg + (p.by.turn * 180) / Math.PI;
    return turn > 180 ? turn - 360 : turn <= -180 ? turn + 360 : turn;
  }

  /** Move or turn (degrees) the chosen pocket to typed values. */
  setTo({ x, y, turn }) {
    const [p] = this.#movable();
    if (!p) return;
    const [wasX, wasY] = middle(boxOf([p.ring]));
    const by = turn === undefined ? p.by.turn : ((turn - p.record.turn_deg) * Math.PI) / 180;
    this.#set(p, by, 0, 0);
    const [cx, cy] = middle(boxOf([p.ring]));
    this.#set(p, by, (x ?? wasX) - cx, (y ?? wasY) - cy);
    this.#commit([p]);
  }

  /** Set the chosen pockets in line (a key of LINES). */
  align(how) {
    const [boxes, locked] = this.#boxes();
    const to = lineBox(boxes, locked, boxOf([this.panel.shape[0]]), this.panel.rules.edge_mm);
    this.#shift(alignShifts(boxes, locked, how, to));
  }

  /** Equal gaps between the chosen pockets, across (0) or up (1). */
  distribute(axis) { this.#shift(distributeShifts(...this.#boxes(), axis)); }

  place(id) {
    const p = this.pockets.get(id);
    return p ? { centre: this.#middle(p), turn: this.turnOf(p), open: Boolean(p.open) } : null;
  }

  /** Gaps of what is chosen to the rest and the rim, nearest first. */
  get gaps() { return this.shownGaps ?? []; }

  // -- the viewport's tool ---------------------------------------------------------------------
  down(at, event) {
    const point = this.#mm(at);
    const grip = this.guides.gripAt(event);
    const ps = this.#movable();
    if (grip?.kind === 'turn' && ps.length) {
      const [cx, cy] = middle(this.#box(ps));
      this.drag = { ps, turning: true, centre: [cx, cy], start: Math.atan2(point[1] - cy, point[0] - cx), bases: ps.map((p) => ({ ...p.by })) };
      return true;
    }
    if (grip?.kind === 'notch') {
      this.drag = this.notch.drag(grip.index);
      return true;
    }
    const hit = [...this.pockets.values()].find((one) => one.hit.isPointInFill(new DOMPoint(...this.own(one, point))));
    const add = this.several || event.shiftKey || event.ctrlKey || event.metaKey;
    if (!hit) {
      if (event.shiftKey) {
        this.drag = { frame: point, to: point };
        return true;
      }
      if (!this.several) this.choose(null);
      this.drag = this.added.drag(point);
      return Boolean(this.drag);
    }
    const was = this.set.has(hit.id);
    if (add ? !was : !was) this.choose(hit.id, add);
    const moving = this.#movable();
    this.drag = { ps: moving, hit: hit.id, was, add, from: point, box: moving.length ? this.#box(moving) : null, bases: moving.map((p) => ({ ...p.by })) };
    return true;
  }

  move(at, event) {
    if (!this.drag) return;
    const point = this.#mm(at);
    const { drag } = this;
    if (drag.thing) { this.added.to(drag, point); return; }
    if (drag.frame) { drag.to = point; this.paint(); return; }
    if (drag.notch !== undefined) { this.notch.to(drag, point); return; }
    if (drag.turning) {
      const [cx, cy] = drag.centre;
      const grid = (event.altKey ? 0.1 : 1) * Math.PI / 180;
      const turn = Math.round((Math.atan2(point[1] - cy, point[0] - cx) - drag.start) / grid) * grid;
      drag.ps.forEach((p, k) => this.#turnAbout(p, drag.bases[k], drag.centre, turn));
      this.#moving();
      return;
    }
    if (!drag.ps.length) {
      if (!drag.told) this.dispatchEvent(new CustomEvent('held', { detail: drag.hit }));
      drag.told = true;
      return;
    }
    let dx = point[0] - drag.from[0];
    let dy = point[1] - drag.from[1];
    this.lines = [];
    if (!event.altKey) {
      const [x0, y0, x1, y1] = drag.box;
      const others = [...this.pockets.values()].filter((o) => !drag.ps.includes(o)).map((o) => boxOf([o.ring]));
      const snap = snapBox([x0 + dx, y0 + dy, x1 + dx, y1 + dy], others, [0, 0, ...this.panel.size_mm], SNAP_PX / this.viewport.scale);
      dx += snap.dx;
      dy += snap.dy;
      this.lines = snap.lines;
    }
    drag.ps.forEach((p, k) => this.#set(p, drag.bases[k].turn, drag.bases[k].dx + dx, drag.bases[k].dy + dy));
    this.#moving();
  }

  up(at, click) {
    const { drag } = this;
    this.drag = null;
    this.lines = [];
    clearTimeout(this.pause);
    this.pause = 0;
    if (!drag) return;
    if (drag.frame) this.#choose(drag);
    else if (drag.thing) { if (!click) this.added.put(drag); }
    else if (drag.notch !== undefined) { if (drag.at && !click) this.notch.put(drag); } else if (click) {
      if (drag.was && drag.add) this.choose(drag.hit, true);
      else if (drag.was && drag.hit && this.set.size > 1) this.choose(drag.hit, false);
    } else if (drag.ps.length) this.#commit(drag.ps);
    this.paint();
  }

  cancelStroke() {
    const { drag } = this;
    this.drag = null;
    this.lines = [];
    if (drag?.thing) this.added.to(drag, drag.from);
    drag?.ps?.forEach((p, k) => this.#set(p, drag.bases[k].turn, drag.bases[k].dx, drag.bases[k].dy));
    this.#moving();
  }

  key(event) {
    if (event.key === 'Escape') {
      if (this.drag) this.cancelStroke();
      else this.choose(null, false);
      return true;
    }
    if (!this.set.size) return false;
    if (event.key.toLowerCase() === 'l') {
      this.dispatchEvent(new Event('lock'));
      return true;
    }
    const k = this.step * (event.shiftKey ? 10 : 1);
    const along = { ',': -k, '.': k, '<': -10 * k, '>': 10 * k }[event.key];
    if (along) return this.notch.slide(along);
    const by = { ArrowLeft: [-k, 0], ArrowRight: [k, 0], ArrowUp: [0, k], ArrowDown: [0, -k] }[event.key];
    const turn = { '[': 1, ']': -1 }[event.key];
    if (!by && !turn) return false;
    const ps = this.#movable();
    if (!ps.length) {
      this.dispatchEvent(new CustomEvent('held', { detail: this.chosen }));
      return true;
    }
    const centre = middle(this.#box(ps));
    for (const p of ps) {
      if (turn) this.#turnAbout(p, p.by, centre, (turn * Math.PI) / 180);
      else this.#set(p, p.by.turn, p.by.dx + by[0], p.by.dy + by[1]);
    }
    this.#moving();
    this.later(() => this.#commit(ps));
    return true;
  }

  // -- inside ----------------------------------------------------------------------------------
  #mm([x, y]) { return [x + 0.5, this.panel.size_mm[1] - y - 0.5]; }

  /** Do this when no key was pressed for a while. */
  later(act) {
    clearTimeout(this.pause);
    this.pause = setTimeout(() => { this.pause = 0; act(); }, KEY_PAUSE_MS);
  }

  #allKey(event) {
    if (!(event.ctrlKey || event.metaKey) || event.key.toLowerCase() !== 'a') return;
    event.preventDefault();
    this.chooseAll();
  }

  #chosenOnes() { return [...this.set].map((id) => this.pockets.get(id)).filter(Boolean); }

  #movable() { return this.#chosenOnes().filter((p) => !p.record.locked && !p.open); }

  #box(ps) { return jointBox(ps.map((p) => boxOf([p.ring]))); }

  #boxes() {
    const ps = this.#chosenOnes().filter((p) => !p.open);
    return [new Map(ps.map((p) => [p.id, boxOf([p.ring])])), new Set(ps.filter((p) => p.record.locked).map((p) => p.id))];
  }

  #shift(shifts) {
    const ps = [...shifts].filter(([, [dx, dy]]) => dx || dy).map(([id, [dx, dy]]) => {
      const p = this.pockets.get(id);
      this.#set(p, p.by.turn, p.by.dx + dx, p.by.dy + dy);
      return p;
    });
    this.#moving();
    if (ps.length) this.#commit(ps);
  }

  /** A frame was drawn: what touches it is chosen. */
  #choose({ frame, to }) {
    const [x0, y0, x1, y1] = boxOf([[frame, to]]);
    for (const p of this.pockets.values()) {
      const [a, b, c, d] = boxOf([p.ring]);
      if (a < x1 && c > x0 && b < y1 && d > y0) this.set.add(p.id);
    }
    this.#told();
  }

  #told() {
    for (const [key, p] of this.pockets) {
      p.group.classList.toggle('chosen', this.set.has(key));
      p.group.classList.remove('tight');
    }
    this.#measure();
    this.paint();
    this.dispatchEvent(new CustomEvent('choose', { detail: this.chosen }));
  }

  /** A place of the panel in a pocket's own drawing, which may be moved. */
  own(p, [x, y]) {
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
  }

  /** Turned from where it was about a point that need not be its own middle. */
  #turnAbout(p, base, centre, turn) {
    const [cx, cy] = p.centre0;
    const [[[x, y]]] = moved([[[cx + base.dx, cy + base.dy]]], centre, turn, 0, 0);
    this.#set(p, base.turn + turn, x - cx, y - cy);
  }

  #moving() {
    this.#measure();
    this.paint();
    this.dispatchEvent(new Event('moving'));
  }

  #measure() {
    const ps = this.#chosenOnes();
    const rest = [...this.pockets.values()].filter((o) => !this.set.has(o.id)).map((o) => ({ id: o.id, ring: o.ring, box: boxOf([o.ring]) }));
    const { web_least_mm: web, edge_mm: edge } = this.panel?.rules ?? {};
    this.shownGaps = ps.flatMap((p) => {
      const found = gapsOf(p.id, p.ring, rest, this.panel.shape[0]).map((g) => ({ ...g, of: p.id, limit: g.id ? web : edge / 2 }));
      p.group.classList.toggle('tight', found.some((g) => g.gap < g.limit));
      return found;
    }).filter((g) => Number.isFinite(g.gap)).sort((a, b) => a.gap - b.gap).slice(0, SHOWN_GAPS);
  }

  /** Middle of a pocket's box; while it is not turned that of the true shape, which the one on the
   *  screen is a little simpler than: what is moved by 3 mm is moved by 3.00. */
  #middle(p) {
    if (p.by.turn) return middle(boxOf([p.ring]));
    return p.record.middle.map((v, k) => v + [p.by.dx, p.by.dy][k]);
  }

  #commit(ps) {
    const places = ps.map((p) => {
      const [x, y] = this.#middle(p);
      return { id: p.id, x_mm: round(x), y_mm: round(y), turn_deg: round(this.turnOf(p)) };
    });
    this.dispatchEvent(new CustomEvent('put', { detail: places }));
  }

  /** What is drawn over the panel, anew. */
  paint() {
    if (!this.panel) return;
    const ps = this.#chosenOnes();
    this.guides.paint({
      size: this.panel.size_mm,
      lines: this.lines ?? [],
      gaps: this.gaps,
      box: ps.length && this.#movable().length ? this.#box(ps) : null,
      frame: this.drag?.frame ? boxOf([[this.drag.frame, this.drag.to]]) : null,
      notches: this.notch.grips(),
      ghosts: this.notch.ghosts(),
      locked: [...this.pockets.values()].filter((p) => p.record.locked).map((p) => middle(boxOf([p.ring]))),
    });
  }
}
