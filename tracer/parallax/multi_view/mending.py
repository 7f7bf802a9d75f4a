"""Rings mended between the rounds of a solve: stretches that no photo shows, spikes, loops."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from tracer.geometry.rings import largest_polygon

__all__ = ["bridged", "cleaned"]

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]


def bridged(points: Array, missing: Bool, spacing_mm: float, longest_mm: float) -> Array:
    """Points with every short stretch of missing ones replaced by a straight line."""
    if missing.all() or not missing.any():
        return points
    count = len(points)
    shift = int(np.flatnonzero(~missing)[0])
    rolled, gone = np.roll(points, -shift, axis=0), np.roll(missing, -shift)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], gone.astype(int), [0]])))
    out = rolled.copy()
    for first, last in edges.reshape(-1, 2):
        if (last - first) * spacing_mm > longest_mm:
            continue
        a, b = rolled[first - 1], rolled[last % count]
        share = np.arange(1, last - first + 1)[:, None] / (last - first + 1)
        out[first:last] = a + share * (b - a)
    return np.roll(out, shift, axis=0)


def cleaned(points: Array, hole: bool) -> Polygon:
    """The largest valid polygon of a ring, without spikes thinner than 0.6 mm."""
    shape = largest_polygon(shapely.make_valid(Polygon(points)))
    sign = -1.0 if hole else 1.0
    opened = shape.buffer(-0.3 * sign, quad_segs=4).buffer(0.6 * sign, quad_segs=4)
    return largest_polygon(opened.buffer(-0.3 * sign, quad_segs=4))
