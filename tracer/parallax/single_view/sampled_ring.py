"""A ring of a silhouette, sampled finely enough to be moved point by point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tracer.geometry.closed_rings import places, runs, to_the_right

__all__ = ["SampledRing", "sampled"]

Array = NDArray[np.float64]

SPACING_MM = 1.0  # longest straight step along a ring while it is moved
NORMAL_REACH_MM = 2.0  # half length of the chord that gives an edge's direction: past pixel noise


@dataclass(frozen=True)
class SampledRing:
    """A ring while it is moved.

    Attributes
    ----------
    points_mm, normals
        (N, 2) points without the repeated last one, and outward unit normals there.
    sigma_mm, fraction, fraction_sigma
        (N,) what was known per vertex, interpolated along the ring: standard deviation along the
        normal, height of the seen edge over the tool's height and its standard deviation (NaN
        where unknown).
    """

    points_mm: Array
    normals: Array
    sigma_mm: Array
    fraction: Array
    fraction_sigma: Array

    def rho_mm(self, nadir: Array) -> Array:
        """Signed distance (N,) of each point's edge line from the nadir (2,)."""
        return np.asarray(np.sum((self.points_mm - nadir) * self.normals, axis=1))


def sampled(
    coords: Array,
    sigma_mm: ArrayLike = 0.0,
    fraction: ArrayLike = np.nan,
    fraction_sigma: ArrayLike = np.nan,
) -> SampledRing:
    """Densify a closed ring (first point repeated) and give it normals by chords.

    The figures are one per vertex, the repeated one left out, or one for all.
    """
    ring = np.asarray(coords, np.float64)[:-1]
    arc = runs(ring)
    length = float(arc[-1])
    steps = np.maximum(np.ceil(np.diff(arc) / SPACING_MM).astype(int), 1)
    start = np.repeat(arc[:-1], steps)
    within = np.arange(steps.sum()) - np.repeat(np.cumsum(steps) - steps, steps)
    where = start + within * np.repeat(np.diff(arc) / steps, steps)
    reach = min(NORMAL_REACH_MM, length / 12)  # a small hole keeps its shape
    (ahead,), (back,) = (places(ring, where + d) for d in (reach, -reach))
    known = [
        np.broadcast_to(np.asarray(v, np.float64), (len(ring),))
        for v in (sigma_mm, fraction, fraction_sigma)
    ]
    points, *figures = places(ring, where, *known)
    return SampledRing(points, to_the_right(ahead - back), *figures)
