"""The first guess of a tool seen straight down, from which the edges are solved.

The photo that looks most steeply shows the truest shape, but it may carry a tongue of shadow or a
bite of glare. Whatever it shows against the vote of all photos is therefore tried: a tab must show
in another photo at some height, a gap must be one that the others cannot look into.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.geometry.rings import largest_polygon, polygons_in
from tracer.parallax.multi_view.observation import Observation
from tracer.parallax.multi_view.oneheight import at_height

__all__ = ["majority", "start_region", "steepest"]

Array = NDArray[np.float64]

#: half the width of what counts as a tab or a gap, mm; narrower differences are parallax
THIN_MM = 1.5
#: share of a tab that another photo must cover at one height
CONFIRMED = 0.6
#: least area of a hole, mm^2
LEAST_HOLE_MM2 = 20.0


def areas(shape: BaseGeometry) -> BaseGeometry:
    """The polygons of a shape."""
    return shapely.union_all(polygons_in(shape))


def majority(regions: Sequence[BaseGeometry]) -> BaseGeometry:
    """Where more than half of the regions agree; of two, what both cover.

    Lines and points that mending a region left beside its polygons are no area and take no part;
    the library cannot unite collections of them.
    """
    need = len(regions) // 2 + 1
    covered: list[BaseGeometry] = [Polygon() for _ in range(need)]  # at least k + 1 times
    for region in map(areas, regions):
        for k in range(need - 1, 0, -1):
            covered[k] = covered[k].union(areas(covered[k - 1].intersection(region)))
        covered[0] = covered[0].union(region)
    return covered[-1]


def bulky_parts(shape: BaseGeometry) -> list[Polygon]:
    """Parts of a difference that are more than parallax: wider than twice `THIN_MM`."""
    opened = shape.buffer(-THIN_MM, quad_segs=2).buffer(THIN_MM, quad_segs=2)
    return [p for p in shapely.get_parts(opened) if isinstance(p, Polygon) and p.area > 15.0]


def confirmed(tab: Polygon, own: Observation, others: Sequence[Observation], z_mm: float) -> bool:
    """Whether another photo covers a tab, given at height ``z_mm``, at one height or another.

    Only heights near the tool's one height are tried: far from it the body itself slides over the
    place of a tongue of shadow and seems to confirm it.
    """
    on_sheet = back_to_sheet(tab, own, z_mm)
    for z in np.linspace(0.3 * z_mm, 1.6 * z_mm, 6):
        moved = at_height(on_sheet, own.camera, float(z))
        for other in others:
            seen = shapely.make_valid(at_height(other.region, other.camera, float(z)))
            if moved.intersection(seen).area > CONFIRMED * moved.area:
                return True
    return False


def back_to_sheet(shape: BaseGeometry, observation: Observation, z_mm: float) -> BaseGeometry:
    """Undo `at_height`."""
    high = observation.camera.height_mm
    return at_height(shape, observation.camera, high - high * high / (high - z_mm))


def hidden_gap(gap: Polygon, others: Sequence[Observation], top_mm: float) -> bool:
    """Whether every other photo looks too far aslant to see the sheet through a gap."""
    width = 2 * gap.area / max(gap.length, 1e-9) * 1.5
    return all(g.lean * top_mm > width for g in others)


def trusted(observations: Sequence[Observation]) -> list[Observation]:
    """Photos that show the tool whole and in one piece, the steepest first; else all."""
    usable = [g for g in observations if g.whole] or list(observations)
    unbroken = [g for g in usable if g.largest_share > 0.9] or usable
    return sorted(unbroken, key=lambda g: g.lean)


def steepest(observations: Sequence[Observation]) -> Observation:
    """The photo whose shape is trusted most."""
    return trusted(observations)[0]


def start_region(observations: Sequence[Observation], z_mm: float, top_mm: float) -> Polygon:
    """First guess of the tool seen straight down; empty when the photos share nothing.

    Parameters
    ----------
    observations
        What the photos show.
    z_mm, top_mm
        The one height that fits best, and the highest an edge may be.
    """
    whole = trusted(observations)
    placed = [shapely.make_valid(at_height(g.joined, g.camera, z_mm)) for g in whole]
    if len(placed) == 1:
        return without_specks(placed[0])
    if not whole[0].whole:
        return without_specks(shapely.union_all(placed))
    return without_specks(mended(placed[0], majority(placed), whole, z_mm, top_mm))


def mended(
    shape: BaseGeometry,
    vote: BaseGeometry,
    whole: Sequence[Observation],
    z_mm: float,
    top_mm: float,
) -> BaseGeometry:
    """The steepest photo's shape without its unconfirmed tabs and gaps."""
    best, others = whole[0], whole[1:]
    for tab in bulky_parts(shape.difference(vote)):
        if not confirmed(tab, best, others, z_mm):
            shape = shape.difference(tab.buffer(0.5 * THIN_MM))
    for gap in bulky_parts(vote.difference(shape)):
        if not hidden_gap(gap, others, top_mm):
            shape = shape.union(gap.buffer(0.5 * THIN_MM).intersection(vote))
    return shape


def without_specks(shape: BaseGeometry) -> Polygon:
    """Largest part, without holes too small to be one."""
    body = largest_polygon(shapely.make_valid(shape))
    return Polygon(body.exterior, [r for r in body.interiors if Polygon(r).area >= LEAST_HOLE_MM2])
