"""Sizes of plain shapes from their outlines: what a calliper would read."""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

__all__ = ["diameter_mm", "sides_mm"]

#: sides are read off this middle part of a shape, so that round corners do not count
_MIDDLE = 0.7
_CHORDS = 61


def diameter_mm(region: Polygon) -> float:
    """Diameter of the circle of the same area, holes not counted.

    Examples
    --------
    >>> from shapely.geometry import Point
    >>> round(diameter_mm(Point(5, 5).buffer(11.625, quad_segs=256)), 2)
    23.25
    """
    return 2.0 * math.sqrt(Polygon(region.exterior).area / math.pi)


def sides_mm(region: Polygon) -> tuple[float, float]:
    """Long and short side of a rectangle, rounded corners allowed, holes not counted.

    Each side is the median of chords across the middle of the shape, along the axes of its
    smallest box: single bumps do not count as they would in the box itself.

    Examples
    --------
    >>> from shapely.affinity import rotate
    >>> from shapely.geometry import box
    >>> block = rotate(box(0, 0, 60, 20).buffer(2).buffer(-2), 33)
    >>> [round(side, 3) for side in sides_mm(block)]
    [60.0, 20.0]
    """
    whole = Polygon(region.exterior)
    frame = np.asarray(shapely.get_coordinates(whole.minimum_rotated_rectangle))
    edges = np.diff(frame, axis=0)[:2]
    lengths = np.hypot(*edges.T)
    middle = frame[:4].mean(axis=0)
    found = []
    for along, across in ((0, 1), (1, 0)):
        step = edges[across] / 2 * _MIDDLE
        reach = edges[along] * 0.6
        chords = []
        for part in np.linspace(-1.0, 1.0, _CHORDS):
            here = middle + part * step
            line = LineString([here - reach, here + reach])
            chords.append(whole.intersection(line).length)
        found.append(float(np.median(chords)))
    order = int(np.argmax(lengths))
    return found[order], found[1 - order]
