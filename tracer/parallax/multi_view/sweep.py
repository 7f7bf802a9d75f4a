"""At which height each stretch of an edge is seen: a first guess, before anything is solved.

The photo that looks most steeply fixes a ray per edge sample. Along it heights are tried: at each,
the other photos should show the edge at a certain place, and either do or do not. The best heights
along the ring, not too different from one sample to the next, come from dynamic programming. A
tool whose foot is flat and whose body is tall thus starts with both right.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tracer.geometry.closed_rings import normals, resample
from tracer.parallax.multi_view.contours import NORMAL_SMOOTH, Contour
from tracer.parallax.multi_view.edges import Camera

__all__ = ["sweep_ring"]

Array = NDArray[np.float64]

SPACING_MM = 3.0
#: how far from its predicted place an edge is looked for, and the distance that counts half
REACH_MM, HALF_MM = 5.0, 1.5
#: price of a height step of 10 mm or more between samples, and of being far from the one height
STEP_PRICE, PRIOR_PRICE = 0.35, 0.12
#: multiple of the one height from which a stretch is taken for taller than the rest; below it the
#: one height is as good a start, since an edge is seen at two heights anyway
TALL = 1.5
#: least cosine between the normals of prediction and contour
FACING = np.cos(np.radians(35.0))


def heights_to_try(start_mm: float, limit_mm: float) -> Array:
    """Fine steps where edges are expected, coarse ones above, mm."""
    usual = max(2.4 * start_mm, 3.0)
    fine = np.linspace(0.0, usual, 13)
    above = np.arange(usual + 6.0, start_mm + 75.0, 6.0)
    heights = np.concatenate([fine, above])
    return np.asarray(heights[heights <= max(limit_mm, fine[1])], np.float64)


def sweep_ring(
    ring: Array,
    start_mm: float,
    limit_mm: float,
    own: Camera,
    cameras: Sequence[Camera],
    contours: Sequence[Contour],
) -> tuple[Array, Array]:
    """Move a ring, given at one height, to the best height of each of its samples.

    Parameters
    ----------
    ring
        (N, 2) ring as the steepest photo shows it, carried to ``start_mm``.
    start_mm, limit_mm
        The one height that fits best, and the highest allowed.
    own
        The steepest photo's camera.
    cameras, contours
        All other photos.

    Returns
    -------
    points, heights
        (M, 2) and (M,).
    """
    (points,) = resample(ring, SPACING_MM)
    normal = normals(points, NORMAL_SMOOTH)
    heights = heights_to_try(start_mm, limit_mm)
    foot = own.nadir_mm + (points - own.nadir_mm) * own.height_mm / (own.height_mm - start_mm)
    cost = np.zeros((len(points), len(heights)))
    for k, z in enumerate(heights):
        place = own.nadir_mm + (foot - own.nadir_mm) * (own.height_mm - z) / own.height_mm
        for camera, contour in zip(cameras, contours, strict=True):
            shown = place + z / (camera.height_mm - z) * (place - camera.nadir_mm)
            cost[:, k] += misfit(shown, normal, contour) / len(cameras)
    away = (heights - start_mm) / (start_mm + 5.0)
    cost += PRIOR_PRICE * away**2 / (1 + (away / 3) ** 2)
    best = heights[closed_path(cost, heights)]
    best = smoothed(best)
    best = np.where(best > TALL * start_mm + 2.0, best, start_mm)
    scale = ((own.height_mm - best) / own.height_mm)[:, None]
    return own.nadir_mm + (foot - own.nadir_mm) * scale, best


def misfit(shown: Array, normal: Array, contour: Contour) -> Array:
    """0 (N,) where the contour lies at the predicted place, towards 1 where it does not."""
    hit = contour.crossings(shown, normal, REACH_MM)
    facing = np.sum(contour.normal[hit.segment] * normal[hit.sample], axis=1) >= FACING
    distance = np.full(len(shown), np.inf)
    np.minimum.at(distance, hit.sample[facing], np.abs(hit.offset_mm[facing]))
    with np.errstate(invalid="ignore"):
        share = distance**2 / (distance**2 + HALF_MM**2)
    return np.where(np.isfinite(distance), share, 1.0)


def closed_path(cost: Array, heights: Array) -> NDArray[np.intp]:
    """Cheapest state per sample round a ring (Viterbi; the seam is run over twice)."""
    count = len(cost)
    step = STEP_PRICE * np.minimum(np.abs(heights[:, None] - heights[None, :]) / 10.0, 1.0)
    twice = np.vstack([cost, cost])
    total = twice[0].copy()
    back = np.zeros(twice.shape, np.intp)
    for j in range(1, len(twice)):
        sums = total[:, None] + step
        back[j] = np.argmin(sums, axis=0)
        total = sums[back[j], np.arange(len(heights))] + twice[j]
    path = np.empty(len(twice), np.intp)
    path[-1] = int(np.argmin(total))
    for j in range(len(twice) - 1, 0, -1):
        path[j - 1] = back[j, path[j]]
    half = count // 2
    return np.concatenate([path[count : count + half], path[half:count]])


def smoothed(heights: Array) -> Array:
    """Heights with the steps of the grid rounded off, jumps kept."""
    before, after = np.roll(heights, 1), np.roll(heights, -1)
    return np.asarray(np.median([before, heights, after], axis=0), np.float64)
