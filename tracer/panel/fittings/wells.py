"""Wells: deeper places for what reaches below a tool's underside.

A well lies inside its pocket after both have been offset; the step between them is a ledge the
tool rests on. Ledges too thin to carry are cut away to the well's depth.
"""

from __future__ import annotations

import shapely
from shapely.geometry import Point, Polygon, box

from tracer.geometry.rings import largest_polygon, polygons_in
from tracer.model.panel import Placement, Well
from tracer.model.panel_plan import WellPlan
from tracer.panel.rules import Rules

__all__ = ["in_panel", "make_well"]


def in_panel(
    x_mm: float, y_mm: float, lie: Placement, outline: Polygon, placement: Placement
) -> tuple[float, float]:
    """A place typed from the lower left corner of the tool's box in the photo, in the panel."""
    x0, y0, _, _ = lie.apply(outline).bounds
    return placement.point(*lie.inverse().point(x0 + x_mm, y0 + y_mm))


def make_well(
    plan: WellPlan,
    *,
    lie: Placement,
    placement: Placement,
    outline: Polygon,
    region: Polygon,
    depth_mm: float,
    rules: Rules,
) -> tuple[Well, Polygon]:
    """A well, and the pocket's region with it.

    Parameters
    ----------
    lie, placement
        From the tool's own frame to the upright photo, and to the panel.
    outline
        In the tool's own frame; the plan's places count from its box in the upright photo.
    region
        The pocket in the panel. Where the part stands out beyond it, the well widens the opening.
    depth_mm
        Depth the tool rests at.
    """
    x0, y0, _, _ = lie.apply(outline).bounds
    x, y = x0 + plan.x_mm, y0 + plan.y_mm
    if plan.height_mm is None:
        part = Point(x, y).buffer(plan.width_mm / 2, quad_segs=32)
    else:
        w, h = plan.width_mm / 2, plan.height_mm / 2
        part = box(x - w, y - h, x + w, y + h)
    there = placement.apply_polygon(lie.inverse().apply_polygon(part))
    room = there.buffer(rules.well_clear_mm, quad_segs=32)
    shape = largest_polygon(shapely.union_all([room, *_thin_ledges(region, room, rules.ledge_mm)]))
    opening = largest_polygon(shapely.union_all([region, shape]))
    return Well(plan.name, shape, depth_mm + plan.reach_mm + rules.well_clear_mm), opening


def _thin_ledges(region: Polygon, well: Polygon, ledge_mm: float) -> list[Polygon]:
    """Parts of the pocket beside the well that are thinner than a ledge must be."""
    ledge = region.difference(well)
    sound = ledge.buffer(-ledge_mm / 2).buffer(ledge_mm / 2 * 1.001)
    near = well.buffer(ledge_mm)
    thin = []
    for piece in polygons_in(ledge.difference(sound)):
        beside = piece.intersection(near)
        if beside.area > 0.5 and piece.distance(well) < 1e-6:
            thin += polygons_in(beside)
    return thin
