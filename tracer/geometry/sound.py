"""Shapes that come from outside, checked once before any other geometry meets them.

A shape that passes is finite, bounded, not too intricate, and valid, so that the operations that
follow neither fail nor run for ever.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.geometry import LinearRing, MultiPolygon, Polygon

from tracer.geometry.rings import polygons_in
from tracer.geometry.sweep import edge_pairs

__all__ = [
    "FARTHEST_MM",
    "MOST_CORNERS",
    "UnsoundShape",
    "sound_area",
    "sound_polygon",
    "sound_ring",
]

#: a kilometre: outlines, panels and drawings for a machine lie well within
FARTHEST_MM = 1_000_000.0
#: corners of one ring; an outline traced at 0.2 mm over 4 m has as many
MOST_CORNERS = 50_000
MOST_HOLES = 2_000
MOST_PIECES = 500
#: rounding to a micrometre can make two neighbouring edges touch; that moves no more area
_TRACE = 1e-3
#: edges that may cross where a shape is mended to see how much it is wrong: each takes memory
_MOST_PAIRS = 2_000_000


class UnsoundShape(ValueError):
    """A shape that cannot be used; the text completes "the shape ..."."""


def sound_ring(
    points: ArrayLike, *, farthest: float = FARTHEST_MM, least: int = 3, most: int = MOST_CORNERS
) -> NDArray[np.float64]:
    """Corners (N, 2) of a ring, or of a line where ``least`` is less than 3.

    Raises
    ------
    UnsoundShape
        Too few or too many corners, a corner that is not two finite numbers, or one farther from
        the origin than ``farthest``.
    """
    try:
        ring = np.asarray(points, np.float64)
    except (TypeError, ValueError, OverflowError):
        raise UnsoundShape("has a corner that is not two numbers") from None
    if ring.size == 0 and least == 0:
        return np.empty((0, 2))
    if ring.ndim != 2 or ring.shape[1] not in (2, 3):
        raise UnsoundShape("has a corner that is not two numbers")
    ring = ring[:, :2]
    if not np.isfinite(ring).all():
        raise UnsoundShape("has a corner that is not finite")
    if np.abs(ring).max() > farthest:
        raise UnsoundShape(f"reaches {np.abs(ring).max():.3g} from the origin")
    if len(ring) > most:
        raise UnsoundShape(f"has {len(ring)} corners, more than {most}")
    if len(ring) < least:
        raise UnsoundShape(f"has {len(ring)} corners, and needs {least}")
    return ring


def sound_polygon(
    exterior: ArrayLike, holes: Sequence[ArrayLike] = (), *, farthest: float = FARTHEST_MM
) -> Polygon:
    """A polygon of these rings, their corners as given.

    It is valid, but for edges that touch by rounding and enclose no more than a trace of area:
    other corners would make the file another when it is written again.

    Raises
    ------
    UnsoundShape
        As `sound_ring`, without area, or with edges that cross.
    """
    if len(holes) > MOST_HOLES:
        raise UnsoundShape(f"has {len(holes)} holes, more than {MOST_HOLES}")
    rings = [sound_ring(ring, farthest=farthest) for ring in (exterior, *holes)]
    if sum(map(len, rings)) > 2 * MOST_CORNERS:
        raise UnsoundShape(f"has more than {2 * MOST_CORNERS} corners")
    polygon = Polygon(rings[0], rings[1:])
    holes_area = sum(Polygon(hole).area for hole in polygon.interiors)
    _refuse_crossing(polygon, Polygon(polygon.exterior).area - holes_area)
    if not polygon.area > 0:
        raise UnsoundShape("has no area")
    return polygon


def _refuse_crossing(shape: Polygon | MultiPolygon, meant: float) -> None:
    """Stop where making the shape valid would move more than a trace of its area."""
    if not shape.is_valid:
        lines = [np.asarray(line.coords) for line in _rings_of(shape)]
        starts = np.concatenate([line[:-1] for line in lines])
        ends = np.concatenate([line[1:] for line in lines])
        if edge_pairs(starts, ends) > _MOST_PAIRS:
            raise UnsoundShape("crosses itself")
        found = sum(p.area for p in polygons_in(shapely.make_valid(shape)))
        if abs(meant - found) > _TRACE * max(found, 1e-9):
            raise UnsoundShape("crosses itself")


def _rings_of(shape: Polygon | MultiPolygon) -> Iterator[LinearRing]:
    for polygon in polygons_in(shape):
        yield from (polygon.exterior, *polygon.interiors)


def sound_area(value: Any, *, farthest: float = FARTHEST_MM) -> Polygon | MultiPolygon:
    """A valid area from its GeoJSON form (RFC 7946, ``Polygon`` or ``MultiPolygon``).

    Raises
    ------
    UnsoundShape
        As `sound_polygon`, or where the form is another.
    """
    if not isinstance(value, Mapping) or "coordinates" not in value:
        raise UnsoundShape("is not given by its corners")
    kind, rings = value.get("type"), value["coordinates"]
    if not isinstance(rings, list | tuple):
        raise UnsoundShape("is not given by its corners")
    if kind == "Polygon":
        return _of_rings(rings, farthest)
    if kind == "MultiPolygon":
        if not 1 <= len(rings) <= MOST_PIECES:
            raise UnsoundShape(f"has {len(rings)} pieces")
        whole = MultiPolygon([_of_rings(piece, farthest) for piece in rings])
        _refuse_crossing(whole, sum(piece.area for piece in whole.geoms))
        return whole
    raise UnsoundShape("is no area")


def _of_rings(rings: Any, farthest: float) -> Polygon:
    if not isinstance(rings, list | tuple) or not rings:
        raise UnsoundShape("has no corners")
    return sound_polygon(rings[0], rings[1:], farthest=farthest)
