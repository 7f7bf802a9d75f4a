"""Outlines for tests of geometry: spanner, key, and random ones."""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import strategies as st
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.polygon import orient

from tracer.geometry.rings import largest_polygon

Array = NDArray[np.float64]


def spanner() -> Polygon:
    """A combination spanner, 369 mm long, its edges rounded to 3 mm both ways."""
    jaw = Point(0, 0).buffer(22, 128).difference(box(-40, -10, 0, 10))
    shaft = LineString([(5, 0), (330, 0)]).buffer(8, 128)
    whole = jaw.union(shaft).union(Point(330, 0).buffer(17, 128))
    return largest_polygon(whole.buffer(-3, 128).buffer(6, 128).buffer(-3, 128))


def hex_key(across_flats_mm: float = 6.0, long_mm: float = 96.0, short_mm: float = 38.0) -> Polygon:
    """An L-shaped key lying flat; sizes of the 6 mm key of JIS B 4648:2008."""
    half = across_flats_mm / 2
    bar = LineString([(half, short_mm), (half, half), (long_mm, half)])
    return largest_polygon(bar.buffer(half, cap_style="flat", join_style="round"))


def ring_points(region: Polygon, spacing_mm: float) -> Array:
    """Points counter-clockwise along the outer ring, last not repeated."""
    ring = orient(region).exterior
    at = np.arange(0, ring.length, spacing_mm)
    return shapely.get_coordinates(shapely.line_interpolate_point(ring, at))


@st.composite
def outlines(draw: st.DrawFn) -> Polygon:
    """Random tool outlines: bars and discs joined, sometimes with a hole, turned and shifted."""
    length = draw(st.floats(30, 220))
    parts = [box(0, -draw(st.floats(1.5, 15)), length, draw(st.floats(1.5, 15)))]
    for _ in range(draw(st.integers(0, 3))):
        at, radius = draw(st.floats(0, length)), draw(st.floats(4, 25))
        parts.append(Point(at, draw(st.floats(-8, 8))).buffer(radius, 24))
    for _ in range(draw(st.integers(0, 2))):
        at, reach = draw(st.floats(0, length)), draw(st.floats(10, 60))
        width = draw(st.floats(2, 8))
        parts.append(box(at, 0, at + width, reach))
    shape = largest_polygon(shapely.union_all(parts))
    if draw(st.booleans()):
        shape = largest_polygon(shape.difference(Point(length / 2, 0).buffer(3)))
    # hairs and slits are no tools: everything is at least 2 mm wide
    shape = largest_polygon(shape.buffer(-0.9, join_style="mitre").buffer(0.9, join_style="mitre"))
    if shape.is_empty:
        shape = box(0, 0, length, 5)
    turned = affinity.rotate(shape, draw(st.floats(0, 180)), origin=(0, 0))
    return affinity.translate(turned, draw(st.floats(-300, 300)), draw(st.floats(-300, 300)))
