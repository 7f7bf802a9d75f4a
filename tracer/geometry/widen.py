"""Moving an outline outward by a distance that changes along it."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.geometry.closed_rings import places, runs, to_the_right
from tracer.geometry.rings import largest_polygon

__all__ = ["ring_samples", "widened"]

Array = NDArray[np.float64]

#: chords to the quarter circle of a disc of a few millimetres: 0.005 mm short at a radius of 4 mm
_QUAD = 12
#: a ring is followed to this, and its widths are looked at this often
_BEND_MM, _FILL_MM = 0.01, 2.0
#: widths below this are none
_HAIR_MM = 1e-3


def ring_samples(region: Polygon, spacing_mm: float) -> tuple[Array, Array, Array]:
    """Points (N, 2) evenly along the outer ring, outward unit normals (N, 2), run (N,) in mm.

    Runs are measured from the ring's first vertex, counter-clockwise or not as the ring runs. A
    normal is that of a chord of one spacing: a corner gets the mean of its two sides.
    """
    corners = shapely.get_coordinates(region.exterior)
    length = float(runs(corners[:-1])[-1])
    count = max(int(np.ceil(length / spacing_mm)), 24)
    at = np.linspace(0.0, length, count, endpoint=False)
    reach = length / count / 2
    points, ahead, back = (places(corners[:-1], at + d)[0] for d in (0.0, reach, -reach))
    side = 1.0 if region.exterior.is_ccw else -1.0
    return points, side * to_the_right(ahead - back), at


def widened(region: Polygon, run_mm: Array, widths_mm: Array) -> Polygon:
    """The region and all that lies within a width of its rim that changes from point to point.

    Parameters
    ----------
    region
        Holes are kept as they are.
    run_mm
        (N,) increasing places along the outer ring, from its first vertex.
    widths_mm
        (N,) there, linear between them. Where negative, the rim is moved inward.

    Returns
    -------
    Polygon
        The union of the region with a disc of each width about its rim, less such discs where
        the width is negative.
    """
    points, at, length = _nodes(region)
    widths = np.interp(at, run_mm, widths_mm, period=length)
    outward, inward = np.maximum(widths, 0.0), np.maximum(-widths, 0.0)
    shape: BaseGeometry = region
    if (outward > _HAIR_MM).any():
        shape = shapely.union_all([region, _band(points, outward)])
    if (inward > _HAIR_MM).any():
        shape = shape.difference(_band(points, inward))
    return largest_polygon(shape)


def _nodes(region: Polygon) -> tuple[Array, Array, float]:
    """Points (N, 2) that the outer ring bends at, filled up to a spacing; run (N,); length."""
    corners = shapely.get_coordinates(region.exterior)
    run = runs(corners[:-1])
    length = float(run[-1])
    bends = shapely.get_coordinates(region.exterior.simplify(_BEND_MM))
    place = {tuple(c): r for c, r in zip(corners[:-1].tolist(), run[:-1].tolist(), strict=True)}
    at = np.array([place[tuple(c)] for c in bends[:-1].tolist()])
    fill = np.linspace(0.0, length, max(int(length / _FILL_MM), 12), endpoint=False)
    gap = np.abs(fill[:, None] - at).min(axis=1)
    at = np.sort(np.concatenate([at, fill[gap > _FILL_MM / 4]]))
    return places(corners[:-1], at)[0], at, length


def _band(points: Array, widths: Array) -> BaseGeometry:
    """Union of discs about the points and of what lies between neighbouring discs."""
    ahead, ahead_widths = np.roll(points, -1, axis=0), np.roll(widths, -1)
    wide = widths > _HAIR_MM
    # outside the true circle, so that nothing within the width is left out
    radii = widths[wide] / np.cos(np.pi / (4 * _QUAD))
    discs = shapely.buffer(shapely.points(points[wide]), radii, quad_segs=_QUAD)
    along = ahead - points
    length = np.hypot(*along.T)
    use = (np.maximum(widths, ahead_widths) > _HAIR_MM) & (length > 1e-9)
    a, b, wa, wb = points[use], ahead[use], widths[use], ahead_widths[use]
    unit = along[use] / length[use, None]
    # touching points of the two common tangents: turned forward by the angle of the cone
    lean = np.clip((wa - wb) / length[use], -1.0, 1.0)[:, None]
    normal = np.column_stack([unit[:, 1], -unit[:, 0]])
    upper = lean * unit + np.sqrt(1 - lean**2) * normal
    lower = lean * unit - np.sqrt(1 - lean**2) * normal
    wa, wb = wa[:, None], wb[:, None]
    corners = np.stack([a + wa * upper, b + wb * upper, b + wb * lower, a + wa * lower], axis=1)
    between = np.asarray(shapely.convex_hull(shapely.multipoints(corners)), object)
    return shapely.union_all(np.concatenate([np.asarray(discs, object), between]))
