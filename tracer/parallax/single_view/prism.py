"""The footprint of a tool with upright sides, exactly, and how to know some such tools."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import ArrayLike
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.geometry.compare import width_mm

__all__ = ["prism", "stands_round"]

SLIVER_MM = 0.05  # half width of the hairline spikes that the sweep leaves; opened away
FLAT_CROSS_MM2 = 1e-9  # cross product under which an edge lies on a ray and sweeps no area
SIMPLIFY_MM = 0.02  # before sweeping: the union's cost grows with the edges
ROUND_SHARE = 0.88
"""Share of its smallest enclosing circle that a round footprint fills at least. On rendered tools
standing sockets, tubs and rolls fill 0.93 to 0.97, all others 0.82 at most."""
COARSE_MM = 0.1  # simplification for that test
LONG_RATIO = 1.25  # silhouettes longer than this times width plus displacement cannot be round


def prism(
    region: Polygon, nadir_mm: ArrayLike, camera_height_mm: float, height_mm: float
) -> BaseGeometry:
    """Footprint of a tool with upright sides whose silhouette on the sheet is ``region``.

    What is seen is the union of the footprint P scaled about the nadir by 1 .. H / (H - h).
    ``F = {p : the whole stretch from p to p H / (H - h) is seen}`` contains P, and equals it but
    for gaps narrower along the ray than that stretch, which no photo from there can show. F is
    the region less the area that its boundary sweeps while it shrinks by (H - h) / H about the
    nadir (an erosion along the rays). It holds for tools over the nadir too.
    """
    nadir = np.asarray(nadir_mm, np.float64)
    shrink = (camera_height_mm - height_mm) / camera_height_mm
    ringed = _simple(region, SIMPLIFY_MM)
    rings = [shapely.get_coordinates(ring) - nadir for ring in (ringed.exterior, *ringed.interiors)]
    a = np.concatenate([ring[:-1] for ring in rings])
    b = np.concatenate([ring[1:] for ring in rings])
    sweeps = np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]) > FLAT_CROSS_MM2
    a, b = a[sweeps], b[sweeps]
    quads = shapely.polygons(np.stack([a, b, b * shrink, a * shrink], axis=1) + nadir)
    swept = shapely.union_all(np.asarray(quads, object))
    return (
        region.difference(swept)
        .buffer(-SLIVER_MM, join_style="mitre")
        .buffer(SLIVER_MM, join_style="mitre")
    )


def stands_round(
    region: Polygon, nadir_mm: ArrayLike, camera_height_mm: float, height_mm: float
) -> bool:
    """Whether a silhouette is that of a round body on its end: a socket, a tub, a roll, a disc.

    Its sides are then upright, whatever the default edge model says: with upright sides its
    footprint comes out as a circle, which would be a strange chance for any other body.
    """
    outer = Polygon(region.exterior)
    middle = np.array(outer.centroid.coords[0])
    away = float(np.linalg.norm(middle - np.asarray(nadir_mm, np.float64)))
    shift = away * height_mm / camera_height_mm
    long_mm, short_mm = width_mm(outer)
    if long_mm > LONG_RATIO * (short_mm + shift):
        return False
    footprint = prism(_simple(outer, COARSE_MM), nadir_mm, camera_height_mm, height_mm)
    if footprint.is_empty:
        return False
    circle = shapely.minimum_bounding_circle(footprint)
    return bool(footprint.area > ROUND_SHARE * circle.area)


def _simple(region: Polygon, tolerance_mm: float) -> Polygon:
    simple = region.simplify(tolerance_mm)
    return simple if isinstance(simple, Polygon) and not simple.is_empty else region
