"""Stepped floors: a tool with a thick and a thin part rests on both.

The pocket is cut to the raised floor all over; what is thicker gets its deeper floor as a well of
the pocket's own outline without the raised parts. Depth and height of the pocket then count from
the raised floor; how far the tool stands out of the face stays the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import shapely
from shapely.geometry import Polygon, box

from tracer.errors import UsageError
from tracer.geometry.rings import polygons_in
from tracer.model.panel import PanelPocket, Placement, Well
from tracer.model.panel_plan import StepPlan

__all__ = ["FLOOR", "STEP", "with_steps"]

#: names of the wells that are floors of a stepped pocket
FLOOR, STEP = "deep floor", "floor under"
#: thick parts keep this off the step beside them
_CLEAR_MM = 2.0
#: pieces of floor smaller than this are none
_LEAST_MM2 = 50.0


def with_steps(
    pocket: PanelPocket, steps: Sequence[StepPlan], lie: Placement, outline: Polygon
) -> PanelPocket:
    """The pocket with raised floors.

    Parameters
    ----------
    lie, outline
        From the tool's own frame to the upright photo, and the tool in its own frame: places are
        typed from the lower left corner of its box in the photo.

    Raises
    ------
    TracerError
        ``step-outside``, ``step-too-high``.
    """
    x0, y0, _, _ = lie.apply(outline).bounds
    back = lie.inverse()
    zones: list[tuple[StepPlan, Polygon]] = []
    for step in steps:
        w, h = step.width_mm / 2, step.height_mm / 2
        x, y = x0 + step.x_mm, y0 + step.y_mm
        part = back.apply_polygon(box(x - w, y - h, x + w, y + h))
        zone = pocket.placement.apply_polygon(part)
        if zone.intersection(pocket.outline).area < _LEAST_MM2:
            raise UsageError(
                "step-outside",
                f"The step '{step.name}' of {pocket.number} ({pocket.name}) lies beside the tool.",
                "Places count from the lower left corner of the tool's box in the photo.",
            )
        zones.append((step, zone))
    raised = max(step.under_mm for step in steps)
    if raised >= min(pocket.depth_mm, pocket.height_mm) - 1.0:
        raise UsageError(
            "step-too-high",
            f"A step of {pocket.number} ({pocket.name}) raises the floor by {raised:g} mm, and the "
            f"pocket is {pocket.depth_mm:g} mm deep.",
            "Type how far the thin part's underside lies above the tool's lowest one.",
        )
    wells = _floors(pocket, zones, raised)
    if not any(w.name == FLOOR for w in wells):
        raise UsageError(
            "step-outside",
            f"The steps of {pocket.number} ({pocket.name}) lie under all of it: nothing is left of "
            "the floor for its thick part.",
            "Type the thin part alone.",
        )
    return replace(
        pocket,
        depth_mm=pocket.depth_mm - raised,
        height_mm=pocket.height_mm - raised,
        through=False,
        floor_insert=None,
        wells=(*wells, *pocket.wells),
    )


def _floors(
    pocket: PanelPocket, zones: Sequence[tuple[StepPlan, Polygon]], raised_mm: float
) -> list[Well]:
    """The floors below the raised one: the deepest, then those under lower steps."""
    wells: list[Well] = []
    for under in sorted({0.0, *(s.under_mm for s, _ in zones if s.under_mm < raised_mm)}):
        higher = [z.buffer(-_CLEAR_MM) for s, z in zones if s.under_mm > under]
        area = pocket.region.difference(shapely.union_all(higher))
        own = [(s.name, z) for s, z in zones if s.under_mm == under]
        name = FLOOR
        if own:
            area = area.intersection(shapely.union_all([z for _, z in own]))
            name = f"{STEP} {own[0][0]}"
        wells += [
            Well(name, part, pocket.depth_mm - under)
            for part in polygons_in(area)
            if part.area >= _LEAST_MM2
        ]
    return wells
