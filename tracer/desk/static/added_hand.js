// Keep-outs and emblems under the hand: dragged to another place of the panel.

import { s } from './dom.js';
import { boxOf, middle } from './panel_shapes.js';

const rgb = (c) => `rgb(${c.join(' ')})`;
const path = (rings) => rings.map((r) => `M${r.map(([x, y]) => `${x} ${y}`).join('L')}Z`).join('');

export class AddedHand {
  constructor(stage) {
    this.stage = stage;
    this.things = [];
  }

  /** Elements of what a panel has beside pockets; those that a person placed can be taken hold of. */
  draw(panel) {
    const outs = panel.keep_outs.map((k) => s('path', { d: path(k.rings), class: 'keep-out' }));
    const more = panel.fittings.map((f) => s('path', {
      d: path(f.rings), class: `fitting ${f.kind}`, 'fill-rule': 'evenodd', ...(f.rgb ? { fill: rgb(f.rgb) } : {}),
    }));
    const emblems = panel.fittings.map((f, k) => [f, more[k]]).filter(([f]) => f.kind === 'emblem');
    this.things = [
      ...panel.keep_outs.map((k, index) => ({ kind: 'keep_outs', index, element: outs[index], rings: k.rings })),
      ...emblems.map(([f, element], index) => ({ kind: 'emblems', index, element, rings: f.rings })),
    ].map((thing) => ({ ...thing, by: [0, 0] }));
    return [...outs, ...more];
  }

  /** A drag of what lies at a place of the panel; null where nothing does. */
  drag([x, y]) {
    const thing = this.things.findLast(({ element, rings, kind, by }) => {
      const [px, py] = [x - by[0], y - by[1]];
      if (kind !== 'emblems') return element.isPointInFill(new DOMPoint(px, py));
      const [x0, y0, x1, y1] = boxOf(rings); // letters are thin: a hand between them means them all
      return px >= x0 && px <= x1 && py >= y0 && py <= y1;
    });
    return thing ? { thing, from: [x, y], base: thing.by } : null;
  }

  to({ thing, from, base }, [x, y]) {
    thing.by = [base[0] + x - from[0], base[1] + y - from[1]];
    thing.element.setAttribute('transform', `translate(${thing.by[0]} ${thing.by[1]})`);
  }

  put({ thing, base }) {
    const [dx, dy] = [thing.by[0] - base[0], thing.by[1] - base[1]];
    const [x, y] = middle(boxOf(thing.rings));
    this.stage.dispatchEvent(new CustomEvent('added', {
      detail: { kind: thing.kind, index: thing.index, dx, dy, middle: [x + base[0], y + base[1]] },
    }));
  }
}
