"""A ring made as even as its uncertainty allows: straight where straight, round where round.

Tools are made things; a traced edge wanders about theirs. The ring is replaced by the one that
bends most evenly (least sum of squared third differences: straight lines are free, arcs nearly
so) among those that stay within the stated uncertainty of the ring given. At corners it
may break.

References
----------
E. T. Whittaker, "On a new method of graduation", Proc. Edinburgh Math. Soc. 41 (1923); P. H. C.
Eilers, "A perfect smoother", Analytical Chemistry 75 (2003), for the sparse form.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import csc_matrix, diags
from scipy.sparse.linalg import factorized
from shapely.geometry import Polygon

from tracer.geometry.closed_rings import runs
from tracer.geometry.rings import find_corners
from tracer.geometry.widen import ring_samples

__all__ = ["faired"]

Array = NDArray[np.float64]

SPACING_MM = 1.0
#: strengths tried, from none to far beyond any tool's curves
_STRENGTHS = 10.0 ** np.arange(0.0, 7.1, 0.5)


def faired(
    region: Polygon, sigma_mm: Array, *, share: float = 0.1, most: float = 1.0
) -> tuple[Polygon, float]:
    """Even out the outer ring of a region.

    Parameters
    ----------
    region
        Its holes are kept.
    sigma_mm
        (N,) standard deviation per corner of the outer ring.
    share
        Mean of the squared movement over sigma squared that is allowed.
    most
        Largest movement over sigma that is allowed, at any point.

    Returns
    -------
    (region, chi)
        The evened region, and the root mean square movement over sigma that it took; the region
        itself and 0 where nothing can be moved.
    """
    corners_in = shapely.get_coordinates(region.exterior)
    run = runs(corners_in[:-1])
    points, normals, at = ring_samples(region, SPACING_MM)
    if len(points) < 40:
        return region, 0.0
    sigma = np.maximum(np.interp(at, run[:-1], sigma_mm, period=run[-1]), 1e-3)
    third = _third_differences(len(points), find_corners(points))
    bending = third.T @ third
    best, chi = points, 0.0
    for strength in _STRENGTHS:
        moved = _smoothed(points, sigma, bending, strength)
        off = np.abs(((moved - points) * normals).sum(axis=1)) / sigma
        if np.mean(off**2) > share or off.max() > most:
            break
        best, chi = moved, float(np.sqrt(np.mean(off**2)))
    ring = Polygon(best)
    if chi == 0 or not ring.is_valid:
        return region, 0.0
    return Polygon(best, [h.coords for h in region.interiors if ring.contains(Polygon(h))]), chi


def _third_differences(count: int, corners: NDArray[np.int64]) -> Any:
    """Periodic third differences (M, count), without those that run across a corner."""
    across = np.zeros(count, bool)
    for corner in corners:
        # differences whose middle samples have the corner between or at them
        across[[(corner - k) % count for k in (1, 2)]] = True
    rows = np.flatnonzero(~across)
    weights = np.array([-1.0, 3.0, -3.0, 1.0])
    columns = (rows[:, None] + np.arange(4)) % count
    places = (np.repeat(np.arange(len(rows)), 4), columns.ravel())
    return csc_matrix((np.tile(weights, len(rows)), places), shape=(len(rows), count))


def _smoothed(points: Array, sigma: Array, bending: Any, strength: float) -> Array:
    """The ring of least bending, by strength against nearness; one sparse solution for x and y."""
    weight = (np.median(sigma) / sigma) ** 2
    solve = factorized(csc_matrix(diags(weight) + strength * bending))
    return np.column_stack([solve(weight * c) for c in points.T])
