"""A rest rail under a wall panel: it carries the weight, the fixings of the panel hold it upright.

How far apart its screws sit goes by what hangs on it. Wall plugs are left to the maker and local
practice: this is a drill list, not a calculation.
"""

from __future__ import annotations

import math

from tracer.errors import UsageError
from tracer.model.fitting_plans import RailPlan
from tracer.model.fittings import DrillHole, Rail
from tracer.model.panel import BayKind, Panel
from tracer.panel.rules import Rules

__all__ = ["HEAVIEST_KG", "known_load_kg", "make_rail", "panel_mass_kg", "pitch_for_mm"]

#: distance of a rail's screws by the weight on it (common practice, no source)
_PITCHES = ((10.0, 400.0), (25.0, 300.0), (50.0, 200.0))
_CLOSEST_MM = 150.0
#: beyond this a rail is a builder's matter
HEAVIEST_KG = 50.0


def pitch_for_mm(load_kg: float) -> float:
    """Greatest distance of a rail's screws for a load.

    Examples
    --------
    >>> pitch_for_mm(8), pitch_for_mm(25), pitch_for_mm(60)
    (400.0, 300.0, 150.0)
    """
    return next((pitch for most, pitch in _PITCHES if load_kg <= most), _CLOSEST_MM)


def panel_mass_kg(panel: Panel) -> float | None:
    """Mass of the sheets, openings not taken off; None where a density is not known."""
    area = panel.shape.area / 1e6
    total = 0.0
    for ply in panel.plies:
        if ply.stock.density_kg_m3 is None:
            return None
        total += area * ply.stock.thickness_mm / 1000 * ply.stock.density_kg_m3
    return total


def known_load_kg(panel: Panel) -> tuple[float, bool]:
    """Known weight of panel, tools, mounts and ledges, and whether all of it is known."""
    own = panel_mass_kg(panel)
    parts = [own, *(p.mass_kg for p in panel.pockets)]
    parts += [m.mass_kg for m in panel.mounts] + [one.mass_kg for one in panel.ledges]
    return sum(m for m in parts if m is not None), all(m is not None for m in parts)


def make_rail(panel: Panel, plan: RailPlan | None, rules: Rules) -> Rail | None:
    """The rail of a plan, centred under the panel.

    Raises
    ------
    TracerError
        ``rail-without-wall``, ``rail-too-short``.
    """
    if plan is None:
        return None
    if panel.bay.kind is not BayKind.WALL:
        raise UsageError(
            "rail-without-wall",
            "A rest rail is planned, and the bay is a drawer.",
            'Set kind = "wall" in [bay], or take [rail] out of the plan.',
        )
    x0, _, x1, _ = panel.shape.bounds
    length = x1 - x0 if plan.length_mm is None else plan.length_mm
    if length < 3 * rules.rail_end_mm:
        raise UsageError(
            "rail-too-short",
            f"A rest rail {length:g} mm long has no room for two screws "
            f"{rules.rail_end_mm:g} mm from its ends.",
            "Make it longer, or the rule rail_end_mm smaller.",
        )
    load, known = known_load_kg(panel)
    pitch = pitch_for_mm(load) if plan.pitch_mm is None else plan.pitch_mm
    start = (x0 + x1 - length) / 2
    first, last = start + rules.rail_end_mm, start + length - rules.rail_end_mm
    count = max(math.ceil((last - first) / pitch - 1e-9), 1)
    holes = tuple(
        DrillHole(
            round(first + (last - first) * k / count, 1),
            -plan.height_mm / 2,
            plan.hole_mm,
            plan.hole_mm,
        )
        for k in range(count + 1)
    )
    return Rail(
        start,
        length,
        plan.thickness_mm,
        plan.height_mm,
        holes,
        round(load, 2) if known else None,
        plan.finish,
        plan.cover_strip,
    )
