"""Rings brought down along their rays, and kept whole where a thin part would be pinched off."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from tracer.geometry.rings import largest_polygon
from tracer.parallax.single_view.sampled_ring import SampledRing

__all__ = ["brought_down", "largest", "relief_corrected"]

Array = NDArray[np.float64]

PINCHED_MM = 3.0  # farther outside the result, a point's part of the tool was lost, not a loop
REACHES_MM = (8.0, 16.0, 32.0, 64.0)  # widths over which heights are evened out, one after another


def relief_corrected(
    ring: SampledRing, nadir: Array, camera_height_mm: float, z_mm: Array
) -> Array:
    """Ring points (N, 2) brought down along their rays from height z (N,)."""
    return np.asarray(
        nadir + (ring.points_mm - nadir) * (1 - z_mm / camera_height_mm)[:, None], np.float64
    )


def largest(region: BaseGeometry) -> Polygon:
    """The largest polygon of a geometry, its outer ring counter-clockwise."""
    return orient(largest_polygon(region), 1.0)


def brought_down(
    outer: SampledRing,
    z_mm: Array,
    holes: Sequence[tuple[SampledRing, Array]],
    nadir: Array,
    camera_height_mm: float,
) -> tuple[Polygon, Array]:
    """Polygon of the moved rings, and the heights (N,) its outer ring was moved from.

    Loops that the moving leaves where a ring doubles back vanish. The two edges of a thin part,
    a rod, a hose, a blade, may be told heights so different that they would pass each other, and
    the part, with all beyond it, would be lost. No tool is narrower than nothing: one of the
    heights is wrong, and which one cannot be told. Round such places the heights are evened out
    over as little as makes the part hold; were all heights one, the rings would only be scaled.
    """
    z = np.asarray(z_mm, np.float64)
    inner = [relief_corrected(ring, nadir, camera_height_mm, height) for ring, height in holes]
    lost = _lost(relief_corrected(outer, nadir, camera_height_mm, z))
    for reach_mm in REACHES_MM if lost.any() else ():
        even = _evened(outer.points_mm, z, lost, reach_mm)
        if not _lost(relief_corrected(outer, nadir, camera_height_mm, even)).any():
            z = even
            break
    return _assembled(relief_corrected(outer, nadir, camera_height_mm, z), inner), z


def _lost(moved: Array) -> NDArray[np.bool_]:
    """Points (N,) of a moved outer ring whose part of the tool is no part of the result."""
    outside = shapely.distance(_assembled(moved, []), shapely.points(moved))
    return np.asarray(outside > PINCHED_MM, np.bool_)


def _evened(points_mm: Array, z_mm: Array, lost: NDArray[np.bool_], reach_mm: float) -> Array:
    """Heights near lost points replaced by the mean within reach, across the part as along it."""
    points = np.asarray(shapely.points(points_mm), np.object_)
    tree = shapely.STRtree(points)
    touched = np.unique(tree.query(points[lost], "dwithin", reach_mm)[1])
    one, other = tree.query(points[touched], "dwithin", reach_mm)
    out = z_mm.copy()
    out[touched] = np.bincount(one, z_mm[other]) / np.bincount(one)
    return out


def _assembled(outer: Array, holes: list[Array]) -> Polygon:
    def ring(points: Array) -> BaseGeometry:
        polygon = Polygon(points)
        return polygon if polygon.is_valid else shapely.make_valid(polygon, method="structure")

    region = ring(outer)
    if holes:
        region = region.difference(shapely.union_all([ring(h) for h in holes]))
    return largest(region)
