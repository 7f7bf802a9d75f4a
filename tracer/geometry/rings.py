"""Rings of points: density, corners, roughness."""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LinearRing, Polygon
from shapely.geometry.base import BaseGeometry

from tracer.geometry.closed_rings import places, runs

__all__ = [
    "dense_ring",
    "find_corners",
    "largest_polygon",
    "nearest_points",
    "polygons_in",
    "roughness_mm",
    "turning",
]

Array = NDArray[np.float64]

#: spacing of dense rings: 0.5 mm resolves the smallest fillets that matter in foam
_SPACING_MM = 0.5
_MOST_POINTS = 1400
#: a corner turns by more than this over 3 mm each way, most of it within 1 mm each way: without
#: the second condition a fillet of radius 3 mm is taken for a row of corners
_CORNER_RAD, _CORNER_SHARE, _CORNER_NEAR_MM, _CORNER_FAR_MM = math.radians(35), 0.65, 1.0, 3.0


def polygons_in(shape: BaseGeometry) -> list[Polygon]:
    """Polygons of any geometry; lines and points are left out."""
    if isinstance(shape, Polygon):
        return [] if shape.is_empty else [shape]
    return [p for part in getattr(shape, "geoms", ()) for p in polygons_in(part)]


def largest_polygon(shape: BaseGeometry) -> Polygon:
    """The polygon of largest area; an empty one where there is none."""
    return max(polygons_in(shape), key=lambda p: p.area, default=Polygon())


def nearest_points(points_mm: Array, places_mm: Array) -> NDArray[np.intp]:
    """Index of the point (N, 2) nearest to each place (M, 2)."""
    tree = shapely.STRtree(np.asarray(shapely.points(points_mm)))
    return np.asarray(tree.nearest(shapely.points(places_mm)), np.intp)


def dense_ring(points_mm: Array, tolerance_mm: float) -> Array:
    """The ring with points filled in so that no gap exceeds about half a millimetre.

    Points that add nothing (a hundredth of the tolerance) are dropped first.
    """
    ring = LinearRing(points_mm).simplify(tolerance_mm / 100)
    spacing = max(min(_SPACING_MM, ring.length / 40), ring.length / _MOST_POINTS)
    return np.asarray(shapely.segmentize(ring, spacing).coords, np.float64)[:-1, :2]


def _turn(points: Array, station: Array, reach: float) -> Array:
    """Turning angle (N,) at each point between the chords ``reach`` mm back and ahead."""
    back, ahead = (places(points, station + d)[0] for d in (-reach, reach))
    return turning(back, points, ahead)


def turning(back: Array, points: Array, ahead: Array) -> Array:
    """Angle (N,) in rad by which ways over points turn, to the left positive."""
    u, v = points - back, ahead - points
    return np.asarray(
        np.arctan2(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0], (u * v).sum(axis=1)), np.float64
    )


def find_corners(points_mm: Array) -> NDArray[np.int64]:
    """Indices of a dense ring's corners, increasing."""
    run = runs(points_mm)
    station, length = run[:-1], float(run[-1])
    if length < 4 * _CORNER_FAR_MM:
        return np.empty(0, np.int64)
    near = np.abs(_turn(points_mm, station, _CORNER_NEAR_MM))
    far = np.abs(_turn(points_mm, station, _CORNER_FAR_MM))
    candidates = np.flatnonzero((far > _CORNER_RAD) & (near > _CORNER_SHARE * far))
    kept: list[int] = []
    for i in sorted(candidates, key=lambda i: -near[i]):
        apart = [abs((station[i] - station[j] + length / 2) % length - length / 2) for j in kept]
        if all(d > _CORNER_FAR_MM for d in apart):
            kept.append(int(i))
    return np.array(sorted(kept), np.int64)


def roughness_mm(points_mm: Array) -> float:
    """Noise of a ring's points across it, from third differences: smooth curves hardly count.

    White noise of standard deviation s gives third differences of s sqrt(20) (sum of the squared
    binomial weights 1, 3, 3, 1); the median keeps corners from counting.
    """
    p = np.asarray(points_mm, np.float64)
    if len(p) < 8:
        return 0.0
    third = p - 3 * np.roll(p, -1, axis=0) + 3 * np.roll(p, -2, axis=0) - np.roll(p, -3, axis=0)
    along = np.roll(p, -2, axis=0) - np.roll(p, -1, axis=0)
    normal = np.column_stack([-along[:, 1], along[:, 0]])
    normal /= np.maximum(np.hypot(*normal.T), 1e-12)[:, None]
    across = np.abs((third * normal).sum(axis=1))
    return float(np.median(across) / 0.6745 / math.sqrt(20))
