// Old and new tool over each other, or among the pockets of the panel; the new one is moved by hand and
// keys; and the patch that follows.

import { h, s, show } from './dom.js';
import { boxOf, middle, moved } from './panel_shapes.js';
import { say } from './texts.js';

const KEY_PAUSE_MS = 700;
const path = (rings) => rings.map((r) => `M${r.map(([x, y]) => `${x} ${y}`).join('L')}Z`).join('');

/** Centroid of a ring. */
export function centroid(ring) {
  let [a, x, y] = [0, 0, 0];
  const [ox, oy] = ring[0];
  for (let k = 0, j = ring.length - 1; k < ring.length; j = k, k += 1) {
    const [x0, y0, x1, y1] = [ring[j][0] - ox, ring[j][1] - oy, ring[k][0] - ox, ring[k][1] - oy];
    const cross = x0 * y1 - x1 * y0;
    a += cross;
    x += (x0 + x1) * cross;
    y += (y0 + y1) * cross;
  }
  return a ? [ox + x / (3 * a), oy + y / (3 * a)] : ring[0];
}

export class SwapStage extends EventTarget {
  constructor() {
    super();
    this.over = s('svg', { class: 'swap-over', 'aria-hidden': 'true' });
    this.room = h('div', { class: 'picture swap-picture', tabIndex: 0, role: 'application', 'aria-label': say('swap.picture') }, this.over);
    this.patch = s('svg', { class: 'swap-patch', role: 'img', 'aria-label': say('swap.patch') });
    this.patchBox = h('figure', { class: 'swap-figure', hidden: true }, h('figcaption', {}, say('swap.patch')), this.patch);
    this.element = h('div', { class: 'swap-stage' }, this.room, this.patchBox);
    this.by = { dx: 0, dy: 0, turn: 0 };
    this.room.addEventListener('pointerdown', (event) => this.#down(event));
    this.room.addEventListener('pointermove', (event) => this.#move(event));
    for (const kind of ['pointerup', 'pointercancel']) this.room.addEventListener(kind, () => this.#up());
    this.room.addEventListener('keydown', (event) => this.#key(event));
  }

  /** A trial as the desk computed it; what was moved meanwhile begins anew from it. */
  show(trial) {
    this.trial = trial;
    this.by = { dx: 0, dy: 0, turn: 0 };
    this.#draw();
    this.patchBox.hidden = !trial?.patch;
    if (trial?.patch) this.#drawPatch(trial.patch);
  }

  // -- hand and keys ---------------------------------------------------------------------------
  #mm(event) {
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(this.flip.getScreenCTM().inverse());
    return [at.x, at.y];
  }

  #down(event) {
    if (!this.trial?.new?.length || event.button) return;
    this.room.setPointerCapture(event.pointerId);
    const at = this.#mm(event);
    const turning = event.target === this.knob;
    const centre = this.#centre();
    this.drag = { at, turning, base: { ...this.by }, start: Math.atan2(at[1] - centre[1], at[0] - centre[0]), centre };
  }

  #move(event) {
    if (!this.drag) return;
    const at = this.#mm(event);
    const { base, centre, start, turning } = this.drag;
    if (turning) {
      const turn = base.turn + ((Math.atan2(at[1] - centre[1], at[0] - centre[0]) - start) * 180) / Math.PI;
      this.by = { ...base, turn: event.altKey ? turn : Math.round(turn) };
    } else this.by = { ...base, dx: base.dx + at[0] - this.drag.at[0], dy: base.dy + at[1] - this.drag.at[1] };
    this.drag.moved = true;
    this.#draw();
  }

  #up() {
    const { drag } = this;
    this.drag = null;
    if (drag?.moved) this.#told();
  }

  #key(event) {
    if (!this.trial?.new?.length || event.ctrlKey || event.metaKey) return;
    const k = event.shiftKey ? 10 : 1;
    const by = { ArrowLeft: [-k, 0], ArrowRight: [k, 0], ArrowUp: [0, k], ArrowDown: [0, -k] }[event.key];
    const turn = { '[': 1, ']': -1 }[event.key];
    if (!by && !turn) return;
    event.preventDefault();
    this.by = { dx: this.by.dx + (by?.[0] ?? 0), dy: this.by.dy + (by?.[1] ?? 0), turn: this.by.turn + (turn ?? 0) };
    this.#draw();
    clearTimeout(this.pause);
    this.pause = setTimeout(() => this.#told(), KEY_PAUSE_MS);
  }

  /** By how much it was moved (mm) and turned (degrees) since the trial. */
  #told() {
    this.dispatchEvent(new CustomEvent('moved', { detail: this.by }));
  }

  #centre() {
    const [x, y] = centroid(this.trial.new[0]);
    return [x + this.by.dx, y + this.by.dy];
  }

  // -- drawing ---------------------------------------------------------------------------------
  #draw() {
    const { trial } = this;
    if (!trial) { show(this.over); return; }
    const { dx, dy, turn } = this.by;
    const comes = trial.new.length > 0;
    const rings = comes ? moved(trial.new, centroid(trial.new[0]), (turn * Math.PI) / 180, dx, dy) : [];
    const whole = trial.rim.length > 0;
    const box = boxOf(whole ? trial.rim : [...trial.old.slice(0, 1), ...trial.new.slice(0, 1)]);
    const room = Math.max(box[2] - box[0], box[3] - box[1]) * (whole ? 0.04 : 0.18) + 8;
    this.#frame(this.over, box, room);
    const draw = (kind, shape) => s('path', { class: kind, d: path(shape), 'fill-rule': 'evenodd' });
    this.flip = s('g', { transform: 'scale(1 -1)' }, draw('rim', trial.rim), trial.beside.map((r) => draw('beside', r)), draw('was', trial.old), draw('now', rings));
    if (comes) this.flip.append(...this.#knob(rings, box, room));
    this.over.replaceChildren(this.flip);
  }

  /** Above the new tool; below it where the picture ends above. */
  #knob(rings, box, room) {
    const [x0, low, x1, top] = boxOf([rings[0]]);
    const { width, height } = this.room.getBoundingClientRect();
    const px = Math.max((box[2] - box[0] + 2 * room) / (width || 1), (box[3] - box[1] + 2 * room) / (height || 1)); // mm to one on the screen
    const [from, to] = top + 40 * px > box[3] + room ? [low, low - 26 * px] : [top, top + 26 * px];
    const x = (x0 + x1) / 2;
    this.knob = s('circle', { class: 'knob', cx: x, cy: to, r: 9 * px });
    return [s('path', { class: 'knob-line', d: `M${x} ${from}V${to}` }), this.knob];
  }

  #drawPatch(patch) {
    const all = [...patch.old, ...patch.new, ...patch.opening, ...patch.pieces];
    const box = boxOf(all);
    this.#frame(this.patch, box, Math.max(box[2] - box[0], box[3] - box[1]) * 0.12 + 6);
    const [x, y] = middle(box);
    const near = patch.neighbours.filter((r) => { const b = boxOf([r[0]]); return Math.hypot(middle(b)[0] - x, middle(b)[1] - y) < 600; });
    const draw = (kind, rings) => s('path', { class: kind, d: path(rings), 'fill-rule': 'evenodd' });
    this.patch.replaceChildren(s('g', { transform: 'scale(1 -1)' }, near.map((r) => draw('beside', r)),
      draw('opening', patch.opening), draw('piece', patch.pieces), draw('recut', patch.recut), draw('was', patch.old), draw('now', patch.new)));
  }

  #frame(svg, [x0, y0, x1, y1], room) {
    svg.setAttribute('viewBox', `${x0 - room} ${-y1 - room} ${x1 - x0 + 2 * room} ${y1 - y0 + 2 * room}`);
  }
}
