"""Growing regions and rounding their inner corners for a cutter.

A round buffer made of chords lies *inside* the true one by up to r (1 - cos(pi / (4 n))) with n
chords to the quarter circle. Where containment counts the chords are put outside instead.
"""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import nearest_points

from tracer.geometry.rings import polygons_in

__all__ = ["cut_relief", "grown", "opened", "shortfall", "thin_gaps"]

#: chords to the quarter circle: 0.0015 mm short at a radius of 5 mm
_QUAD = 32
#: pieces of area that arise from rounding alone
_DUST_MM2 = 1e-3
_HAIR_MM = 0.003
_NO_DISTANCE_MM = 1e-9


def grown(region: BaseGeometry, distance_mm: float, *, outside: bool = False) -> BaseGeometry:
    """Region moved outward (inward when negative) with round corners.

    With ``outside`` the chords touch the true arcs from outside: nothing within the distance is
    left out.
    """
    if abs(distance_mm) < _NO_DISTANCE_MM:
        return region  # a buffer by next to nothing comes out empty
    if outside and distance_mm > 0:
        distance_mm /= math.cos(math.pi / (4 * _QUAD))
    return region.buffer(distance_mm, quad_segs=_QUAD)


def opened(region: BaseGeometry, radius_mm: float) -> BaseGeometry:
    """What a round cutter of this radius can reach inside the region.

    At an inner corner of interior angle a it stays away by r (1 / sin(a / 2) - 1).
    """
    if radius_mm <= 0:
        return region
    return grown(grown(region, -radius_mm), radius_mm, outside=True).intersection(region)


def shortfall(wanted: BaseGeometry, given: BaseGeometry) -> tuple[float, tuple[float, float]]:
    """How far ``wanted`` reaches out of ``given`` at most, in mm, and where.

    Measured from the points of the part left over to the region given; 0 where it is contained.
    """
    missing = wanted.difference(given)
    if missing.is_empty or missing.area < 1e-12:
        return 0.0, (math.nan, math.nan)
    points = shapely.get_coordinates(missing)
    distance = np.asarray(shapely.distance(shapely.points(points), given))
    worst = int(distance.argmax())
    return float(distance[worst]), (float(points[worst, 0]), float(points[worst, 1]))


def thin_gaps(region: BaseGeometry, width_mm: float) -> list[Polygon]:
    """Gaps in the region narrower than ``width_mm``: tongues of foam, not mere inner corners."""
    half = width_mm / 2
    closed = grown(grown(region, half), -half)
    # rounding an inner right angle fills 0.21 half^2; a tongue is at least as long as wide
    return [gap for gap in polygons_in(closed.difference(region)) if gap.area > 2 * half * half]


def _swept(missing: Polygon, core: BaseGeometry, radius_mm: float) -> BaseGeometry:
    """Area of a cutter driven from the core into a corner until it passes the corner's tip."""
    tip = max((Point(p) for p in missing.exterior.coords), key=lambda p: float(p.distance(core)))
    goal = nearest_points(tip, core)[1]
    away = goal.distance(tip)
    if away <= radius_mm:
        return Polygon()
    share = radius_mm / away
    centre = (tip.x + (goal.x - tip.x) * share, tip.y + (goal.y - tip.y) * share)
    return grown(LineString([centre, (goal.x, goal.y)]), radius_mm, outside=True)


def cut_relief(
    required: BaseGeometry, reachable: BaseGeometry, core: BaseGeometry, radius_mm: float
) -> tuple[BaseGeometry, list[Polygon]]:
    """Reachable area enlarged so that it holds all that is required, by a round cutter alone.

    Parameters
    ----------
    required
        Must be inside.
    reachable
        What the cutter reaches so far.
    core
        Places of the cutter's centre that it reaches so far.
    radius_mm
        Of the cutter.

    Returns
    -------
    The enlarged area, and the parts that were out of reach. Into a corner the cutter is driven
    along the bisector until its rim passes the tip; where the tool is narrower than the cutter,
    a lane of the cutter's own width is added.
    """
    # hairs along walls that both shapes share are rounding, and would tie corners together
    nearly = grown(reachable, _HAIR_MM)
    missing = [m for m in polygons_in(required.difference(nearly)) if m.area > _DUST_MM2]
    result = reachable.union(required.intersection(nearly))
    for part in missing:
        extra: BaseGeometry = Polygon()
        if not core.is_empty:
            extra = _swept(part, core, radius_mm)
        if part.difference(result.union(extra)).area > _DUST_MM2:
            extra = _lane(part, required, radius_mm)
        result = result.union(extra)
    return result, missing


def _lane(part: Polygon, required: BaseGeometry, radius_mm: float) -> BaseGeometry:
    """A reachable area around a part too narrow for the cutter, as slim as a few trials find."""
    narrow = shapely.maximum_inscribed_circle(part).length
    near = grown(part, radius_mm).intersection(required)
    for share in (0.0, 0.25, 0.5, 0.75):
        width = radius_mm - narrow * (1 - share)
        lane = grown(grown(grown(near, width), -radius_mm), radius_mm, outside=True)
        if part.difference(lane).area < _DUST_MM2:
            return lane
    return grown(part, radius_mm, outside=True)
