"""How much work a drawing or an outline would make, told before it is done."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["MOST_PAIRS", "edge_pairs", "sweep_pairs"]

Array = NDArray[np.float64]
#: pairs of edges that may meet, beyond which a curve is a scribble
MOST_PAIRS = 100_000_000


def sweep_pairs(points: Array) -> int:
    """At most so many pairs of edges of a ring (N, 2) have boxes that overlap.

    Two edges of a plain outline rarely do; of a scribble all may.
    """
    if len(points) ** 2 < MOST_PAIRS:
        return len(points) ** 2 // 2
    return edge_pairs(points, np.roll(points, -1, axis=0))


def edge_pairs(starts: Array, ends: Array) -> int:
    """At most so many pairs of edges, from and to these points (N, 2), have boxes that overlap.

    The pairs whose shadows overlap are counted on either axis, by how many edges begin within
    each; the smaller number counts.
    """
    both = np.stack([starts, ends])
    low, high = both.min(axis=0), both.max(axis=0)
    counts = []
    for axis in (0, 1):
        first = np.sort(low[:, axis])
        # those that begin before this one ends, less those that begin before it begins
        inside = np.searchsorted(first, high[:, axis], "right") - np.searchsorted(
            first, low[:, axis], "left"
        )
        counts.append(int(inside.sum()) - len(starts))
    return min(counts)
