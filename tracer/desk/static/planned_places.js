// Where pockets will stand when the desk has made the panel of what is asked now: shown at once, so
// that nobody locks or aligns what is about to be elsewhere.

const same = (a, b) => JSON.stringify(a ?? null) === JSON.stringify(b ?? null);

/** Place of a pocket as its plan has it: {x, y, turn} with the turn (degrees) from how the panel
 *  shows it; null where the panel shows it right; 'open' where only the desk knows.
 *
 *  `panel` is the record shown, `plan` what is asked: {placement, bay, place, move} of the pocket. */
export function plannedPlace(p, panel, { placement, bay, place, move }) {
  if (placement?.arrangement === 'fresh') {
    const [x, y] = [move?.x_mm ?? place?.x_mm, move?.y_mm ?? place?.y_mm];
    if (x === undefined || y === undefined) return 'open';
    const turn = (move?.turn_deg ?? place?.turn_deg ?? 0) - p.lie_turn_deg;
    return here(p, x, y, turn) ? null : { x, y, turn };
  }
  if (panel.fresh || !same(placement, panel.placement) || !same(bay, panel.bay)) return 'open';
  const was = panel.moves[p.id];
  const bare = (m) => (m ? [m.x_mm ?? null, m.y_mm ?? null, m.turn_deg ?? 0] : null);
  if (same(bare(move), bare(was))) return null;
  if (move?.x_mm === undefined || move?.y_mm === undefined) return 'open';
  return { x: move.x_mm, y: move.y_mm, turn: (move.turn_deg ?? 0) - (was?.turn_deg ?? 0) };
}

/** True where a pocket stands there, as near as places are kept. */
function here(p, x, y, turn) {
  const off = ((turn + 540) % 360) - 180;
  return Math.abs(p.middle[0] - x) < 0.02 && Math.abs(p.middle[1] - y) < 0.02 && Math.abs(off) < 0.01;
}
