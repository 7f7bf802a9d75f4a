"""Room for a cable, cut from behind: crescent, ring, channel or any outline, with an exit slit.

The cable lies in it in one or several passes. Its least bend is that of the middle line: of the
crescent itself, of a channel's corners, or of the folds at both ends where it lies back and forth.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from tracer.errors import TracerError, UsageError
from tracer.geometry.offset import grown
from tracer.geometry.rings import largest_polygon
from tracer.model.fitting_plans import CavityPlan
from tracer.model.fittings import BackCavity, Drawn
from tracer.model.panel import Panel
from tracer.model.panel_plan import PanelPlan
from tracer.panel.rules import Rules

__all__ = ["cable_volume_mm3", "lead_channel", "make_cavities", "passes_of", "room_height_mm"]

#: chords to a quarter circle: within 0.01 mm at a radius of 100 mm
_QUAD = 64
#: a slit runs into pocket and room by this, so that nothing is left between them
_INTO_MM = 3.0
#: a straight cable has no bend; a number that a file can hold
_STRAIGHT_MM = 99_999.0
_FULL_DEG = 360.0 - 1e-6


def room_height_mm(panel: Panel, skin_mm: float) -> float:
    """Depth of a room behind the skin of the face."""
    return panel.face_mm - skin_mm


def cable_volume_mm3(cable_mm: float, length_mm: float) -> float:
    """Volume of a cable.

    Examples
    --------
    >>> round(cable_volume_mm3(10.0, 1000.0))
    78540
    """
    return math.pi / 4 * cable_mm**2 * length_mm


def passes_of(length_mm: float, way_mm: float) -> int:
    """How often a cable lies along a way.

    Examples
    --------
    >>> passes_of(900, 300), passes_of(901, 300), passes_of(0, 300)
    (3, 4, 1)
    """
    return max(math.ceil(length_mm / max(way_mm, 1e-9) - 1e-9), 1)


def make_cavities(
    panel: Panel, plan: PanelPlan, drawn: Drawn, rules: Rules
) -> tuple[BackCavity, ...]:
    """All cable rooms of a plan, numbered C1, C2 ...; pockets must be in their places.

    Raises
    ------
    TracerError
        ``cavity-shape``, ``panel-unknown-tool``.
    """
    return tuple(
        _cavity(f"C{n}", one, panel, drawn.cavities.get(n), rules)
        for n, one in enumerate(plan.cavities, start=1)
    )


def _cavity(
    cavity_id: str, plan: CavityPlan, panel: Panel, drawn: Polygon | None, rules: Rules
) -> BackCavity:
    skin = float(rules.skin_mm if plan.skin_mm is None else plan.skin_mm)
    height = room_height_mm(panel, skin)
    ways = [plan.radius_mm is not None, bool(plan.path_mm), plan.file is not None]
    if sum(ways) != 1:
        raise UsageError(
            "cavity-shape",
            f"The cable room '{plan.name}' needs exactly one of radius_mm, path_mm and file.",
            "Type a crescent, a channel, or name a drawing.",
        )
    if plan.radius_mm is not None:
        region, bend = _crescent(plan, plan.radius_mm, panel, height, rules)
    elif plan.path_mm:
        region, bend = _channel(plan, rules)
    else:
        region, bend = _drawn(plan, panel, drawn)
    slit = _exit(plan, region, panel, rules)
    return BackCavity(
        cavity_id,
        orient(region),
        skin,
        slit,
        plan.name,
        plan.cable_mm,
        plan.length_mm,
        min(bend, _STRAIGHT_MM),
        plan.pocket_id or "",
    )


def _middle(plan: CavityPlan, panel: Panel) -> tuple[float, float]:
    x0, y0, x1, y1 = panel.shape.bounds
    x = (x0 + x1) / 2 if plan.x_mm is None else plan.x_mm
    return x, (y0 + y1) / 2 if plan.y_mm is None else plan.y_mm


def _crescent(
    plan: CavityPlan, radius_mm: float, panel: Panel, height_mm: float, rules: Rules
) -> tuple[Polygon, float]:
    """A crescent or ring about its middle line, and the least bend of the cable in it."""
    d, clear = plan.cable_mm, rules.cable_clear_mm
    passes = passes_of(plan.length_mm, radius_mm * math.radians(plan.sweep_deg))
    ring = plan.sweep_deg >= _FULL_DEG
    beside = math.ceil(passes / max(math.floor(height_mm / d), 1)) if height_mm > 0 else passes
    width = plan.width_mm
    if width is None:
        width = beside * d + clear
        if passes > 1 and not ring:  # it turns round at both ends
            width = max(width, 2 * rules.bend_diameters * d + d + clear)
    x, y = _middle(plan, panel)
    if ring:
        disc = Point(x, y).buffer(radius_mm + width / 2, quad_segs=_QUAD)
        core = Point(x, y).buffer(max(radius_mm - width / 2, 0.0), quad_segs=_QUAD)
        # the innermost turn lies against the core
        return largest_polygon(disc.difference(core)), radius_mm - width / 2 + d / 2
    t = np.radians(plan.start_deg + np.linspace(0, plan.sweep_deg, 4 * _QUAD))
    line = LineString(np.column_stack([x + radius_mm * np.cos(t), y + radius_mm * np.sin(t)]))
    region = largest_polygon(line.buffer(width / 2, quad_segs=_QUAD))
    return region, radius_mm if passes == 1 else min(radius_mm, (width - d) / 2)


def _channel(plan: CavityPlan, rules: Rules) -> tuple[Polygon, float]:
    """A channel along a line, its inner corners rounded as the cable bends."""
    d = plan.cable_mm
    points = np.array(plan.path_mm, np.float64)
    if len(points) < 2 or np.hypot(*np.diff(points, axis=0).T).min() < 1e-6:
        raise UsageError(
            "cavity-shape",
            f"The channel of the cable room '{plan.name}' needs two or more different points.",
            "Type path_mm as [[x, y], [x, y]].",
        )
    line = LineString(points)
    passes = passes_of(plan.length_mm, line.length)
    width = plan.width_mm or d + rules.cable_clear_mm
    if plan.width_mm is None and passes > 1:
        width = 2 * rules.bend_diameters * d + d + rules.cable_clear_mm
    wanted = rules.bend_diameters * d
    inner = max(wanted - width / 2, 0.0)
    region: BaseGeometry = line.buffer(width / 2, quad_segs=_QUAD)
    if inner > 0:
        region = grown(grown(region, inner), -inner)
    bend = min(_corner_bend(points), wanted) if len(points) > 2 else math.inf
    return largest_polygon(region), bend if passes == 1 else min(bend, (width - d) / 2)


def _corner_bend(points: np.ndarray) -> float:
    """Largest radius that every corner of a line can be rounded by within half its sides."""
    least = math.inf
    for a, b, c in zip(points[:-2], points[1:-1], points[2:], strict=True):
        u, v = b - a, c - b
        turn = abs(math.atan2(u[0] * v[1] - u[1] * v[0], float(u @ v)))
        if turn > 1e-6:
            side = min(math.hypot(*u), math.hypot(*v)) / 2
            least = min(least, side / max(math.tan(min(turn, math.pi - 1e-6) / 2), 1e-9))
    return least


def _drawn(plan: CavityPlan, panel: Panel, shape: Polygon | None) -> tuple[Polygon, float]:
    """A drawing's outline; the cable lies coiled in its largest disc."""
    if shape is None or shape.is_empty:
        raise TracerError(
            "cavity-shape",
            f"The drawing of the cable room '{plan.name}' is not at hand.",
            "Put it into the folder drawings of the job.",
        )
    x0, y0, x1, y1 = shape.bounds
    x, y = _middle(plan, panel)
    region = affinity.translate(shape, x - (x0 + x1) / 2, y - (y0 + y1) / 2)
    radius = float(shapely.maximum_inscribed_circle(region, tolerance=0.05).length)
    return region, radius - plan.cable_mm / 2


def _exit(plan: CavityPlan, region: Polygon, panel: Panel, rules: Rules) -> Polygon | None:
    goal: Polygon | Point
    if plan.pocket_id is not None:
        pocket = next((p for p in panel.pockets if p.pocket_id == plan.pocket_id), None)
        if pocket is None:
            raise TracerError(
                "panel-unknown-tool",
                f"The cable room '{plan.name}' leads into the pocket {plan.pocket_id}, which the "
                "panel does not have.",
                "The overlay picture and tools.csv show the tools' ids.",
            )
        goal = pocket.region
    elif plan.exit_mm is not None:
        goal = Point(plan.exit_mm)
    else:
        return None
    line = shapely.shortest_line(region, goal)
    points = shapely.get_coordinates(line)
    if line.length < 1e-6:
        return None
    return _strip(points, plan.cable_mm + rules.cable_clear_mm)


def _strip(points: np.ndarray, width_mm: float) -> Polygon:
    """A straight slit that runs a little into what it joins."""
    a, b = points[0], points[-1]
    along = (b - a) / np.hypot(*(b - a))
    ends = LineString([a - _INTO_MM * along, b + _INTO_MM * along])
    return orient(Polygon(ends.buffer(width_mm / 2, cap_style="flat").exterior))


def lead_channel(
    owner_id: str,
    name: str,
    ends_mm: Sequence[tuple[float, float]],
    cable_mm: float,
    panel: Panel,
    rules: Rules,
) -> BackCavity:
    """A straight way for a lead from an opening to the panel's rim, behind the skin."""
    start, end = (np.array(p, np.float64) for p in ends_mm)
    width = cable_mm + rules.cable_clear_mm
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    stop = end - along * min(rules.web_least_mm, length / 2)
    region = _strip(np.array([start, stop]), width)
    slit = largest_polygon(_strip(np.array([stop, end]), width).intersection(panel.shape))
    skin, of = float(rules.skin_mm), f"lead of {name}"
    return BackCavity("", region, skin, slit, of, cable_mm, 0.0, _STRAIGHT_MM, owner_id)
