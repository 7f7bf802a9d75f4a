// Several pockets put into order: in line along a side or a middle, or at equal gaps. Pure figures:
// boxes [x0, y0, x1, y1] by id go in, shifts [dx, dy] by id come out. Locked ones never move.

import { jointBox, middle } from './panel_shapes.js';

const round = (v) => Math.round(v * 1000) / 1000;

/** Ways to set pockets in line: the axis they move along, and which figure of a box is set equal. */
export const LINES = {
  left: [0, (b) => b[0]], centre: [0, (b) => middle(b)[0]], right: [0, (b) => b[2]],
  top: [1, (b) => b[3]], middle: [1, (b) => middle(b)[1]], bottom: [1, (b) => b[1]],
};

/** Shifts that set pockets in line with `to`: a box that stands for the line. */
export function alignShifts(boxes, locked, how, to) {
  const [axis, figure] = LINES[how];
  const line = figure(to);
  return new Map([...boxes].filter(([id]) => !locked.has(id)).map(([id, b]) => {
    const by = round(line - figure(b));
    return [id, axis === 0 ? [by, 0] : [0, by]];
  }));
}

/** What pockets are set in line with: those of them that are locked, else all of them together; a
 *  single one with the panel's own box, inside its margin. */
export function lineBox(boxes, locked, panelBox, margin) {
  const held = [...boxes].filter(([id]) => locked.has(id)).map(([, b]) => b);
  if (held.length && held.length < boxes.size) return jointBox(held);
  if (boxes.size > 1) return jointBox([...boxes.values()]);
  const [x0, y0, x1, y1] = panelBox;
  return [x0 + margin, y0 + margin, x1 - margin, y1 - margin];
}

/** Shifts that make the gaps along an axis (0 across, 1 up) equal. The outermost two stay, and so do
 *  locked ones: between two that stay, the gaps are equal. Fewer than three have nothing to share. */
export function distributeShifts(boxes, locked, axis) {
  const row = [...boxes].map(([id, b]) => ({ id, b })).sort((p, q) => middle(p.b)[axis] - middle(q.b)[axis]);
  const shifts = new Map();
  let start = 0;
  for (let end = 1; end < row.length; end += 1) {
    if (end < row.length - 1 && !locked.has(row[end].id)) continue;
    const between = row.slice(start + 1, end);
    const room = row[end].b[axis] - row[start].b[axis + 2];
    const taken = between.reduce((sum, { b }) => sum + b[axis + 2] - b[axis], 0);
    const gap = (room - taken) / (between.length + 1);
    let at = row[start].b[axis + 2] + gap;
    for (const { id, b } of between) {
      const by = round(at - b[axis]);
      shifts.set(id, axis === 0 ? [by, 0] : [0, by]);
      at += b[axis + 2] - b[axis] + gap;
    }
    start = end;
  }
  return shifts;
}
