// Geometry of pockets while they are moved: boxes, turns, gaps, and places that suggest themselves.

/** Box [x0, y0, x1, y1] of rings. */
export function boxOf(rings) {
  let [x0, y0, x1, y1] = [Infinity, Infinity, -Infinity, -Infinity];
  for (const ring of rings) {
    for (const [x, y] of ring) {
      if (x < x0) x0 = x;
      if (x > x1) x1 = x;
      if (y < y0) y0 = y;
      if (y > y1) y1 = y;
    }
  }
  return [x0, y0, x1, y1];
}

export const middle = ([x0, y0, x1, y1]) => [(x0 + x1) / 2, (y0 + y1) / 2];

/** Rings turned about a point (radians, counter-clockwise) and then shifted. */
export function moved(rings, [cx, cy], turn, dx, dy) {
  const c = Math.cos(turn);
  const s = Math.sin(turn);
  return rings.map((ring) => ring.map(([x, y]) => [
    cx + c * (x - cx) - s * (y - cy) + dx, cy + s * (x - cx) + c * (y - cy) + dy,
  ]));
}

function toSegment(px, py, ax, ay, bx, by) {
  const dx = bx - ax;
  const dy = by - ay;
  const t = Math.min(Math.max(((px - ax) * dx + (py - ay) * dy) / (dx * dx + dy * dy || 1), 0), 1);
  const x = ax + t * dx;
  const y = ay + t * dy;
  return [(px - x) ** 2 + (py - y) ** 2, x, y];
}

function inside([px, py], ring) {
  let is = false;
  for (let i = 0, j = ring.length - 1; i < ring.length; j = i, i += 1) {
    const [ax, ay] = ring[i];
    const [bx, by] = ring[j];
    if (ay > py !== by > py && px < ((bx - ax) * (py - ay)) / (by - ay) + ax) is = !is;
  }
  return is;
}

/** Where two sides cross, or null; sides that only touch count by the distance of their ends. */
function crossing([ax, ay], [bx, by], [cx, cy], [dx, dy]) {
  const side = (px, py, qx, qy, rx, ry) => (qx - px) * (ry - py) - (qy - py) * (rx - px);
  const c = side(ax, ay, bx, by, cx, cy);
  const d = side(ax, ay, bx, by, dx, dy);
  if (c * d >= 0 || side(cx, cy, dx, dy, ax, ay) * side(cx, cy, dx, dy, bx, by) >= 0) return null;
  const t = c / (c - d);
  return [cx + t * (dx - cx), cy + t * (dy - cy)];
}

/** A place where two rings overlap, or null. */
function overlap(a, b) {
  const [ax0, ay0, ax1, ay1] = boxOf([a]);
  const [bx0, by0, bx1, by1] = boxOf([b]);
  if (ax1 < bx0 || bx1 < ax0 || ay1 < by0 || by1 < ay0) return null;
  if (inside(a[0], b)) return a[0];
  if (inside(b[0], a)) return b[0];
  for (let i = 0, h = a.length - 1; i < a.length; h = i, i += 1) {
    for (let k = 0, j = b.length - 1; k < b.length; j = k, k += 1) {
      const at = crossing(a[h], a[i], b[j], b[k]);
      if (at) return at;
    }
  }
  return null;
}

/** Least distance between two outer rings and where it lies: {gap, from, to}; 0 where they overlap. */
export function gapBetween(a, b) {
  const within = overlap(a, b);
  if (within) return { gap: 0, from: within, to: within };
  let best = Infinity;
  let from = a[0];
  let to = b[0];
  for (const [one, other, swap] of [[a, b, false], [b, a, true]]) {
    for (let i = 0; i < one.length; i += 1) {
      const [px, py] = one[i];
      for (let k = 0, j = other.length - 1; k < other.length; j = k, k += 1) {
        const [d, x, y] = toSegment(px, py, other[j][0], other[j][1], other[k][0], other[k][1]);
        if (d < best) {
          best = d;
          [from, to] = swap ? [[x, y], [px, py]] : [[px, py], [x, y]];
        }
      }
    }
  }
  return { gap: Math.sqrt(best), from, to };
}

/** Gaps of a pocket to the others and to the rim, nearest first, none beyond `reach`. */
export function gapsOf(id, ring, others, rim, reach = 120) {
  const box = boxOf([ring]);
  const gaps = [];
  for (const other of others) {
    if (other.id === id) continue;
    const b = other.box;
    const apart = Math.max(b[0] - box[2], box[0] - b[2], b[1] - box[3], box[1] - b[3]);
    if (apart < reach) gaps.push({ id: other.id, ...gapBetween(ring, other.ring) });
  }
  const edge = ring.some((p) => !inside(p, rim)) ? { gap: 0, from: ring[0], to: ring[0] } : rimGap(ring, rim);
  gaps.push({ id: null, ...edge });
  return gaps.filter((g) => g.gap < reach).sort((a, b) => a.gap - b.gap);
}

function rimGap(ring, rim) {
  let best = { gap: Infinity, from: ring[0], to: ring[0] };
  for (const [px, py] of ring) {
    for (let k = 0, j = rim.length - 1; k < rim.length; j = k, k += 1) {
      const [d, x, y] = toSegment(px, py, rim[j][0], rim[j][1], rim[k][0], rim[k][1]);
      if (d < best.gap ** 2) best = { gap: Math.sqrt(d), from: [px, py], to: [x, y] };
    }
  }
  return best;
}

/** The boxes' own box. */
export const jointBox = (boxes) => boxOf(boxes.map(([x0, y0, x1, y1]) => [[x0, y0], [x1, y1]]));

/** Shift that sets a box into line with others: {dx, dy, lines}. Along each axis the nearest of
 *  rows (rims and middles of other boxes), the panel's middle, and gaps equal to a neighbour's. */
export function snapBox(box, others, panelBox, reach) {
  const [sx, x] = snapAxis(box, others, panelBox, reach, 0);
  const [sy, y] = snapAxis(box, others, panelBox, reach, 1);
  const lines = [];
  if (x) lines.push({ axis: 0, at: x.line });
  if (y) lines.push({ axis: 1, at: y.line });
  return { dx: sx, dy: sy, lines };
}

function snapAxis(box, others, panelBox, reach, axis) {
  const [low, high] = [box[axis], box[axis + 2]];
  const mid = (low + high) / 2;
  const found = [];
  const offer = (place, line) => found.push({ shift: line - place, line });
  offer(mid, (panelBox[axis] + panelBox[axis + 2]) / 2);
  for (const b of others) {
    offer(low, b[axis]);
    offer(high, b[axis + 2]);
    offer(mid, (b[axis] + b[axis + 2]) / 2);
  }
  const across = 1 - axis;
  const row = others
    .filter((b) => Math.min(b[across + 2], box[across + 2]) > Math.max(b[across], box[across]))
    .sort((a, b) => a[axis] - b[axis]);
  const before = row.filter((b) => b[axis + 2] <= mid);
  const after = row.filter((b) => b[axis] >= mid);
  if (before.length && after.length) { // in the middle of the gap
    const shift = (before.at(-1)[axis + 2] + after[0][axis]) / 2 - mid;
    found.push({ shift, line: mid + shift });
  }
  if (before.length > 1) { // the same gap as between the two before
    const gap = before.at(-1)[axis] - before.at(-2)[axis + 2];
    if (gap > 0) offer(low, before.at(-1)[axis + 2] + gap);
  }
  if (after.length > 1) {
    const gap = after[1][axis] - after[0][axis + 2];
    if (gap > 0) offer(high, after[0][axis] - gap);
  }
  const best = found.filter((f) => Math.abs(f.shift) <= reach).sort((a, b) => Math.abs(a.shift) - Math.abs(b.shift))[0];
  return [best?.shift ?? 0, best];
}
