"""Mounts: things screwed to the board through their own holes, the foam cut out round them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, Polygon, box
from shapely.geometry.polygon import orient

from tracer.errors import UsageError
from tracer.geometry.offset import grown
from tracer.geometry.rings import largest_polygon
from tracer.model.fitting_plans import MountPlan, Row, Side
from tracer.model.fittings import BackCavity, Drawn, DrillHole, Mount
from tracer.model.panel import Panel
from tracer.model.panel_plan import PanelPlan
from tracer.panel.fittings.cavities import lead_channel
from tracer.panel.rules import Rules

__all__ = ["make_mounts", "pilot_mm"]

#: inside corners of the opening round a mount
_CORNER_MM = 5.0
#: a right corner rounded by 5 mm comes no nearer than its 0.3rd part
_LEAST_AIR_MM = 1.5
#: drills are sold in steps of half a millimetre
_DRILL_STEP_MM = 0.5
#: nobody drills more by hand
_MOST_HOLES = 2000


def pilot_mm(hole_mm: float, share: float) -> float:
    """Drill for the screw that a hole takes, rounded to the half millimetre.

    Examples
    --------
    >>> pilot_mm(5.0, 0.7), pilot_mm(4.0, 0.7), pilot_mm(0.6, 0.7)
    (3.5, 3.0, 0.5)
    """
    return max(round(hole_mm * share / _DRILL_STEP_MM) * _DRILL_STEP_MM, _DRILL_STEP_MM)


def make_mounts(
    panel: Panel, plan: PanelPlan, drawn: Drawn, rules: Rules
) -> tuple[tuple[Mount, ...], tuple[BackCavity, ...]]:
    """All mounts of a plan, numbered M1, M2 ..., and the ways of their leads.

    Raises
    ------
    TracerError
        ``mount-no-hole``, ``mount-size-missing``, ``mount-pitch-missing``, ``mount-too-many``.
    """
    mounts: list[Mount] = []
    ways: list[BackCavity] = []
    for number, one in enumerate(plan.mounts, start=1):
        _refuse(one)
        holes = drawn.holes.get(number, ()) if one.file is not None else _typed(one)
        if not holes:
            raise UsageError(
                "mount-no-hole",
                f"The mount '{one.name}' has no hole for a screw.",
                "Type its holes, or name a drawing with circles.",
            )
        if sum(len(m.holes) for m in mounts) + one.count * len(holes) > _MOST_HOLES:
            raise UsageError(
                "mount-too-many",
                f"With {one.count} mounts '{one.name}' of {len(holes)} holes each the board has "
                f"more than {_MOST_HOLES} holes.",
                "Check count and the drawing of the pattern.",
            )
        pattern = _pattern(holes, one, rules, centred=one.file is not None)
        for k in range(one.count):
            mount, way = _mount(f"M{len(mounts) + 1}", one, k, pattern, panel, rules)
            mounts.append(mount)
            ways += way
    numbered = [replace(w, cavity_id=f"L{n}") for n, w in enumerate(ways, start=1)]
    return tuple(mounts), tuple(numbered)


def _refuse(plan: MountPlan) -> None:
    sized = plan.width_mm is not None and plan.height_mm is not None
    if not sized and (plan.powered or plan.cable_to is not None or plan.air_mm):
        raise UsageError(
            "mount-size-missing",
            f"The mount '{plan.name}' is to have free air or a way for its lead, and its size is "
            "not known.",
            "Type its width_mm and height_mm.",
        )
    if plan.count > 1 and plan.pitch_mm is None:
        raise UsageError(
            "mount-pitch-missing",
            f"{plan.count} mounts '{plan.name}' are wanted, and not how far apart.",
            "Type pitch_mm, from middle to middle.",
        )


def _typed(plan: MountPlan) -> tuple[DrillHole, ...]:
    return tuple(DrillHole(h.x_mm, h.y_mm, h.diameter_mm, 0.0) for h in plan.holes)


def _pattern(
    holes: Sequence[DrillHole], plan: MountPlan, rules: Rules, *, centred: bool
) -> list[DrillHole]:
    """Holes about the thing's middle as they come on the wall, turned, with their drills."""
    at = np.array([(h.x_mm, h.y_mm) for h in holes])
    if centred:
        at = at - (at.min(axis=0) + at.max(axis=0)) / 2
    if plan.from_behind:
        at = at * [-1.0, 1.0]
    c, s = math.cos(math.radians(plan.turn_deg)), math.sin(math.radians(plan.turn_deg))
    at = at @ np.array([[c, s], [-s, c]])
    return [
        DrillHole(
            float(x),
            float(y),
            h.diameter_mm,
            plan.pilot_mm or pilot_mm(h.diameter_mm, rules.pilot_share),
        )
        for (x, y), h in zip(at, holes, strict=True)
    ]


def _mount(
    mount_id: str,
    plan: MountPlan,
    number: int,
    pattern: Sequence[DrillHole],
    panel: Panel,
    rules: Rules,
) -> tuple[Mount, list[BackCavity]]:
    x0, y0, x1, y1 = panel.shape.bounds
    x = (x0 + x1) / 2 if plan.x_mm is None else plan.x_mm
    y = (y0 + y1) / 2 if plan.y_mm is None else plan.y_mm
    step = number * (plan.pitch_mm or 0.0)
    x, y = (x + step, y) if plan.row is Row.LEVEL else (x, y - step)
    holes = tuple(replace(h, x_mm=h.x_mm + x, y_mm=h.y_mm + y) for h in pattern)
    name = plan.name if plan.count == 1 else f"{plan.name} {number + 1}"
    air = float(plan.air_mm if plan.air_mm is not None else rules.air_mm if plan.powered else 0)
    body = opening = None
    if plan.width_mm is not None and plan.height_mm is not None:
        w, h = plan.width_mm / 2, plan.height_mm / 2
        flat = affinity.rotate(box(-w, -h, w, h), plan.turn_deg, origin=(0, 0))
        body = orient(affinity.translate(flat, x, y))
        opening = _opening(body, air)
    mount = Mount(mount_id, name, holes, body, opening, plan.powered, air, plan.mass_kg)
    if opening is None or plan.cable_to is None:
        return mount, []
    ends = _to_rim(opening, plan.cable_to, panel)
    return mount, [lead_channel(mount_id, name, ends, plan.cable_mm or 8.0, panel, rules)]


def _opening(body: Polygon, air_mm: float) -> Polygon:
    """The thing with its air, corners rounded for any cutter and still clear of the thing."""
    square = body.buffer(max(air_mm, _LEAST_AIR_MM), join_style="mitre", mitre_limit=2)
    return largest_polygon(grown(grown(square, -_CORNER_MM), _CORNER_MM))


def _to_rim(
    opening: Polygon, side: Side, panel: Panel
) -> tuple[tuple[float, float], tuple[float, float]]:
    """From the middle of an opening's side straight to the rim of the panel."""
    x0, y0, x1, y1 = opening.bounds
    left, low, right, top = panel.shape.bounds
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    start, end = {
        Side.LOWER: ((x, y0), (x, low)),
        Side.UPPER: ((x, y1), (x, top)),
        Side.LEFT: ((x0, y), (left, y)),
        Side.RIGHT: ((x1, y), (right, y)),
    }[side]
    # a panel that follows a bay out of square ends before its box does
    inside = shapely.get_coordinates(LineString([start, end]).intersection(panel.shape))
    if len(inside):
        far = max(inside, key=lambda p: math.dist(p, start))
        end = (float(far[0]), float(far[1]))
    return start, end
