// Finger notches of the chosen pocket under hand and keys: each slides along the tool's edge.

import { notchPoint, notchRing } from './notch_shape.js';
import { boxOf, middle, moved } from './panel_shapes.js';

const round = (v) => Math.round(v * 100) / 100;

export class NotchHand {
  constructor(stage) { this.stage = stage; }

  /** Places where notches can be taken hold of: those of a single chosen pocket. */
  grips() {
    const p = this.#pocket();
    if (!p?.record.frame || p.record.shared) return [];
    return p.record.notches.map((r, k) => (p.kept?.notch === k ? p.kept.grip : this.#grip(p, moved([r[0]], p.centre0, p.by.turn, p.by.dx, p.by.dy)[0], p.record.notch_sides[k])));
  }

  /** Notches that were moved and are not made yet: their rings as they will look. */
  ghosts() { return [this.stage.drag?.ring, this.#pocket()?.kept?.ring].filter(Boolean).slice(0, 1); }

  /** A notch is taken hold of. */
  drag(index) { return { notch: index, p: this.#pocket() }; }

  /** It is dragged to a place of the panel; it follows along the pocket's edge. */
  to(drag, point) {
    const { p } = drag;
    drag.both = p.record.notch_sides[drag.notch] === 2;
    drag.at = notchPoint(p.ring, this.#along(p), point, drag.both);
    drag.ring = notchRing(p.ring, this.#along(p), drag.at, drag.both, this.stage.panel.finger);
    this.stage.paint();
  }

  /** It is let go: told as its plan counts places. */
  put({ p, notch, at, both, ring }) {
    p.kept = { notch, ring, grip: this.#grip(p, ring, both ? 2 : 1) }; // until the desk has made it
    const [x, y] = this.#planned(p, at);
    this.stage.dispatchEvent(new CustomEvent('notch', { detail: { id: p.id, index: notch, x_mm: x, y_mm: y, both } }));
  }

  /** The first notch slides along the tool by so many mm; kept when no further key follows. */
  slide(by) {
    const p = this.#pocket();
    const at = this.grips()[0];
    if (!at) return true;
    const from = this.slid?.p === p ? this.slid.to : at;
    const [ux, uy] = this.#along(p);
    const to = [from[0] + ux * by, from[1] + uy * by];
    const drag = this.drag(0);
    this.slid = { p, to };
    this.stage.drag = drag;
    this.to(drag, to);
    this.stage.later(() => {
      this.slid = this.stage.drag = null;
      this.put(drag);
    });
    return true;
  }

  /** Where a notch stands that is to be set by hand: where one is, else across the middle. */
  start(id, both) {
    const p = this.stage.pockets.get(id);
    const from = this.grips()[0] ?? middle(boxOf([p.ring]));
    return this.#planned(p, notchPoint(p.ring, this.#along(p), from, both));
  }

  #pocket() { return this.stage.set.size === 1 ? this.stage.pockets.get(this.stage.chosen) : null; }

  /** In a notch's round end, beside the tool: on the tool a hand means the pocket. */
  #grip(p, ring, sides) {
    const [mx, my] = middle(boxOf([ring]));
    const radius = this.stage.panel.finger.wide_mm / 2;
    let [ux, uy] = this.#along(p);
    if (sides) [ux, uy] = [-uy, ux]; // across the tool; at an end, along it
    const half = Math.max(...ring.map(([x, y]) => (x - mx) * ux + (y - my) * uy));
    const [cx, cy] = middle(boxOf([p.ring]));
    const way = sides !== 2 && (mx - cx) * ux + (my - cy) * uy < 0 ? -1 : 1;
    const by = way * (sides ? Math.max(half - radius, 0) : radius / 2);
    return [mx + by * ux, my + by * uy];
  }

  #along(p) {
    const [[along]] = moved([[p.record.along]], [0, 0], p.by.turn, 0, 0);
    return along;
  }

  /** A place of the panel as a pocket's plan counts it: from the tool's box in the photo. */
  #planned(p, point) {
    const [[zx, zy], right, up] = p.record.frame;
    const [x, y] = this.stage.own(p, point);
    return [right, up].map((axis) => round((x - zx) * axis[0] + (y - zy) * axis[1]));
  }
}
