// A finger notch while it is dragged: where it stands on its pocket and how it will look.
// The finished one is made by the desk by the same measures.

const ARC = 12; // chords to a round end

const dot = ([ax, ay], [bx, by]) => ax * bx + ay * by;
const along2 = ([x, y], [ux, uy], by) => [x + ux * by, y + uy * by];

/** Where the line through a point leaves a ring, on both sides, counted from the point; or null. */
export function spanAcross(ring, at, across) {
  const normal = [-across[1], across[0]];
  let low = Infinity;
  let high = -Infinity;
  for (let k = 0, j = ring.length - 1; k < ring.length; j = k, k += 1) {
    const a = [ring[j][0] - at[0], ring[j][1] - at[1]];
    const b = [ring[k][0] - at[0], ring[k][1] - at[1]];
    const [sa, sb] = [dot(a, normal), dot(b, normal)];
    if (sa > 0 === sb > 0) continue;
    const t = sa / (sa - sb);
    const s = dot(a, across) + t * (dot(b, across) - dot(a, across));
    low = Math.min(low, s);
    high = Math.max(high, s);
  }
  return low <= high ? [low, high] : null;
}

/** The point of a notch that is dragged to `to`: on the tool's axis, or for one side just off the
 *  middle towards it. Along the tool it stays within the pocket. */
export function notchPoint(ring, along, to, both) {
  const across = [-along[1], along[0]];
  const lengths = ring.map((p) => dot(p, along));
  const [least, most] = [Math.min(...lengths), Math.max(...lengths)];
  const s = Math.min(Math.max(dot(to, along), least + 1), most - 1);
  const spot = along2([along[0] * s, along[1] * s], across, dot(to, across));
  const span = spanAcross(ring, spot, across);
  if (!span) return spot;
  const mid = along2(spot, across, (span[0] + span[1]) / 2);
  if (both) return mid;
  const side = dot([to[0] - mid[0], to[1] - mid[1]], across) >= 0 ? 1 : -1;
  return along2(mid, across, side * Math.max(0.2, 0.02 * (span[1] - span[0])));
}

/** Ring of a notch at a point of its pocket: round ends, a finger's breadth beyond the edge on both
 *  sides, or from the point to beyond the nearer one. */
export function notchRing(ring, along, at, both, { reach_mm: reach, wide_mm: wide }) {
  const across = [-along[1], along[0]];
  const [low, high] = spanAcross(ring, at, across) ?? [0, 0];
  let [start, end] = [low - reach, high + reach];
  if (!both) [start, end] = Math.abs(high) <= Math.abs(low) ? [0, end] : [start, 0];
  const radius = wide / 2;
  let [a, b] = [start + radius, end - radius];
  if (b < a) a = b = (start + end) / 2;
  const points = [];
  const first = Math.atan2(across[1], across[0]);
  for (const [s, from] of [[b, first - Math.PI / 2], [a, first + Math.PI / 2]]) {
    const centre = along2(at, across, s);
    for (let k = 0; k <= ARC; k += 1) {
      const angle = from + (Math.PI * k) / ARC;
      points.push([centre[0] + radius * Math.cos(angle), centre[1] + radius * Math.sin(angle)]);
    }
  }
  return points;
}
