"""Closed rings as arrays of points: length along them, even samples, normals, smoothing.

A *ring* is an (N, 2) array of points in any unit, closed, the first point not repeated. A normal
lies to the right of the way round: outward of a counter-clockwise ring, inward of a clockwise one.
Every function is as good for a ring that begins elsewhere.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import gaussian_filter1d

__all__ = [
    "along",
    "normals",
    "places",
    "resample",
    "runs",
    "sides",
    "signed_area",
    "smoothed",
    "to_the_right",
]

Array = NDArray[np.float64]


def along(line: ArrayLike) -> Array:
    """Length along an open line (N, 2) up to each of its points, (N,)."""
    p = np.asarray(line, np.float64)
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1))])


def sides(ring: ArrayLike) -> Array:
    """Length (N,) of the side from each point of a ring (N, 2) to the next."""
    p = np.asarray(ring, np.float64)
    return np.asarray(np.linalg.norm(np.roll(p, -1, axis=0) - p, axis=1), np.float64)


def runs(ring: ArrayLike) -> Array:
    """Length along a ring (N, 2) up to each point and round to the first, (N + 1,)."""
    return np.concatenate([[0.0], np.cumsum(sides(ring))])


def places(ring: ArrayLike, at: ArrayLike, *carried: ArrayLike) -> tuple[Array, ...]:
    """Points at lengths along a ring, any number of times round, with carried values.

    Parameters
    ----------
    ring
        (N, 2) points.
    at
        (M,) lengths from its first point; those below 0 or beyond its length go on round it.
    carried
        (N,) each, one value per point, linear between points.

    Returns
    -------
    tuple of ndarray
        (M, 2) points, then one (M,) array per carried one.
    """
    p, s = np.asarray(ring, np.float64), runs(ring)
    where = np.asarray(at, np.float64) % s[-1]
    values = (p[:, 0], p[:, 1], *(np.asarray(v, np.float64) for v in carried))
    x, y, *rest = (np.interp(where, s, np.append(v, v[0])) for v in values)
    return (np.column_stack([x, y]), *rest)


def resample(
    ring: ArrayLike, spacing: float, *carried: ArrayLike, least: int = 8
) -> tuple[Array, ...]:
    """Even samples along a ring from its first point on, with carried values.

    Parameters
    ----------
    ring
        (N, 2) points.
    spacing
        Wanted distance between samples; ``least`` of them are made at least.
    carried
        (N,) each, one value per point.

    Returns
    -------
    tuple of ndarray
        As `places`.
    """
    length = float(runs(ring)[-1])
    count = max(least, round(length / spacing))
    return places(ring, np.arange(count) * length / count, *carried)


def to_the_right(directions: Array) -> Array:
    """Unit vectors (N, 2) to the right of directions (N, 2); zero where there is no direction."""
    length = np.linalg.norm(directions, axis=1, keepdims=True)
    unit = directions / np.maximum(length, 1e-12)
    return np.column_stack([unit[:, 1], -unit[:, 0]])


def normals(ring: ArrayLike, smooth: float = 0.0) -> Array:
    """Unit normals (N, 2) of an even ring, from the chord between each point's neighbours.

    ``smooth`` is the standard deviation, in points, of a Gaussian along the ring that evens out
    the directions first.
    """
    p = np.asarray(ring, np.float64)
    chord = np.roll(p, -1, axis=0) - np.roll(p, 1, axis=0)
    return to_the_right(smoothed(chord, smooth) if smooth else chord)


def smoothed(values: ArrayLike, width: float) -> Array:
    """Values (N,) or (N, M) of an even ring, evened out by a Gaussian of that width in points."""
    v = np.asarray(values, np.float64)
    return np.asarray(gaussian_filter1d(v, width, axis=0, mode="wrap"), np.float64)


def signed_area(ring: ArrayLike) -> float:
    """Area of a ring (N, 2), positive where it runs counter-clockwise (y up)."""
    x, y = np.asarray(ring, np.float64).T
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
