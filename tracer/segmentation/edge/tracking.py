"""Which of several edges near a ring is the tool's: all points of the ring decided together.

Every point has candidates along its normal. A candidate's *score* is a weighted sum of what it
looks like; the ring's own place is a prior, as narrow as the decision was sure; neighbours change
their offset little. That is a hidden Markov chain closed to a ring, so the forward-backward
algorithm (L. R. Rabiner, "A tutorial on hidden Markov models", Proc. IEEE 77, 1989) gives the
posterior marginal of every candidate. The best one is the edge; how widely the marginal is spread
says how far the choice can be trusted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import correlate1d, median_filter

__all__ = ["Tracked", "marginals", "scores", "track_edge"]

Array = NDArray[np.float64]

FLOOR = 0.003  # linear light below which logarithms tell noise
GROUND_GAP_MM = 0.3  # ground is learned from this far beyond the search
NEIGHBOURS = 41  # points whose ground is taken together
# The weights of what a candidate looks like: softmax regression on 66 000 edge points of 35 lays
# that the training renderer drew, rings disturbed by 0.15 to 1.1 mm. On scenes of other makers
# they do as well as weights fitted to those scenes themselves.
SHARE_OF_STRONGEST = 2.23  # strength over the strongest within the search
GROUND_OUTSIDE = 0.76  # of an edge that stands out of the grain
SHADOW_INSIDE = 0.80
COLOUR_STEP = 1.86
CLEAR_OUTSIDE = 1.73  # a clear edge at this place or farther out: the edge is not beyond the last
LEFT_OUT_MM = -0.79  # per mm of clear edges farther out
NEAR_RING = 0.55  # of the Gaussian prior
WEIGHT = 0.6  # neighbours see the same light, so what they tell is not independent
PRIOR_REACH = 4.0  # deviations beyond which farther is no less likely: decisions fail at times
SLOPE, JUMP = 0.2, 5e-4  # typical change of offset per mm of ring; marginal of a jump
WARM_UP = 40  # points that the chain runs ahead to forget where it was cut open


@dataclass(frozen=True, eq=False)
class Tracked:
    """The edge along a ring of M points.

    Attributes
    ----------
    offset_mm
        (M,) along the normal, outward positive.
    spread_mm
        (M,) standard deviation of the marginal about that offset.
    strength
        (M,) step of log light there.
    """

    offset_mm: Array
    spread_mm: Array
    strength: Array


def track_edge(
    light: Array,
    offset_mm: Array,
    *,
    search_mm: float,
    blur_mm: float,
    doubt_mm: Array,
    spacing_mm: float,
) -> Tracked:
    """Follow the edge round a ring.

    Parameters
    ----------
    light
        (M, K, 3) linear light along the normals.
    offset_mm
        (K,) evenly spaced, outward positive; reaching 1 mm or more beyond the search.
    search_mm
        How far the edge may lie from the ring.
    blur_mm
        Deviation of the edge filter: the picture's blur.
    doubt_mm
        (M,) standard deviation of the ring's own place.
    spacing_mm
        Between points of the ring.
    """
    score, strength = scores(light, offset_mm, search_mm, blur_mm)
    at = offset_mm[np.abs(offset_mm) <= search_mm]
    away = np.minimum(np.abs(at) / doubt_mm[:, None], PRIOR_REACH)
    marginal = marginals(WEIGHT * (score - NEAR_RING * away**2 / 2), at, spacing_mm)
    best = np.argmax(marginal, axis=1)
    # centre of the marginal's own peak, between the samples
    peak = np.where(np.abs(np.arange(len(at)) - best[:, None]) <= 1, marginal, 0)
    place = peak @ at / peak.sum(axis=1)
    spread = np.sqrt(np.sum(marginal * (at - place[:, None]) ** 2, axis=1))
    return Tracked(place, spread, strength[np.arange(len(best)), best])


def scores(light: Array, offset_mm: Array, search_mm: float, blur_mm: float) -> tuple[Array, Array]:
    """Score (M, J) of the J candidates within the search, and their step of log light (M, J)."""
    step = float(offset_mm[1] - offset_mm[0])
    near = np.flatnonzero(np.abs(offset_mm) <= search_mm)
    outside = offset_mm > search_mm + GROUND_GAP_MM
    log = np.log(np.asarray(light, np.float32) + np.float32(FLOOR))
    width = blur_mm / step
    edge = _steps(log, width)
    grain = np.percentile(edge[:, outside], 90, axis=1)
    usual = np.median(grain)
    grain = np.clip(grain, usual, 3 * usual) + 0.02
    ground, shadow, colour = _likeness(log, outside)
    gap, far = round(1.5 * width), round(1.5 * width) + max(1, round(2 * width))
    colours = _means(colour, near, gap, far) - _means(colour, near, -far, -gap)
    strength = edge[:, near]
    clear = np.minimum(strength / (3 * grain[:, None]), 1)
    # an edge's own outer flank counts as outside it
    outer = np.pad(clear, ((0, 0), (0, gap)))[:, gap:][:, ::-1]
    score = (
        SHARE_OF_STRONGEST * strength / (strength.max(axis=1, keepdims=True) + 1e-3)
        + GROUND_OUTSIDE * clear * _means(ground, near, gap, far)
        + SHADOW_INSIDE * _means(shadow, near, -far, -gap)
        + COLOUR_STEP * np.minimum(np.linalg.norm(colours, axis=2) / 0.3, 1)
        + CLEAR_OUTSIDE * np.maximum.accumulate(outer, axis=1)[:, ::-1]
        + LEFT_OUT_MM * step * np.cumsum(outer, axis=1)[:, ::-1]
    )
    return np.asarray(score, np.float64), np.asarray(strength, np.float64)


def _steps(log: NDArray[np.float32], width: float) -> NDArray[np.float32]:
    """(M, K) step of log light, largest channel, of an edge as blurred as the filter is wide."""
    radius = int(np.ceil(3 * width))
    u = np.arange(-radius, radius + 1.0)
    kernel = -u * np.exp(-0.5 * (u / width) ** 2)
    kernel *= width * np.sqrt(4 * np.pi) / np.sum(-u * kernel)
    return np.asarray(
        np.abs(correlate1d(log, kernel, axis=1, mode="nearest")).max(axis=2), np.float32
    )


def _likeness(
    log: NDArray[np.float32], outside: NDArray[np.bool_]
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """How much each sample looks like ground, like shaded ground, 0 to 1; its colour (M, K, 3)."""
    level = np.median(log[:, outside], axis=1)
    size = min(NEIGHBOURS, (len(level) - 1) // 2 * 2 + 1)
    level = median_filter(level, (size, 1), mode="wrap")
    rest = log - level[:, None, :]
    light = rest.mean(axis=2)
    colour = rest - light[..., None]
    tint = np.sqrt(np.sum(colour**2, axis=2))
    light_scale = np.clip(1.4826 * np.median(np.abs(light[:, outside])), 0.04, 0.4)
    tint_scale = np.clip(1.2 * np.median(tint[:, outside]), 0.02, 0.2)
    ground = np.exp(-((light / light_scale) ** 2 + (tint / tint_scale) ** 2) / 8)
    # shade keeps the colour, the less exactly the darker it is
    same = np.exp(-((tint / (tint_scale + 0.1 * np.abs(light))) ** 2) / 4)
    shadow = np.where((light < 0) & (light > -2.5), same, 0) * (1 - ground)
    return ground, shadow, colour


def _means(
    values: NDArray[np.float32], near: NDArray[np.intp], first: int, last: int
) -> NDArray[np.float32]:
    """Mean of (M, K, ...) over samples ``first`` to ``last`` from each sample ``near``."""
    pad = max(abs(first), abs(last)) + 1
    wide = np.pad(values, [(0, 0), (pad, pad), *[(0, 0)] * (values.ndim - 2)], mode="edge")
    total = np.cumsum(wide, axis=1, dtype=np.float64)
    at = near + pad
    return np.asarray(
        (total[:, at + last] - total[:, at + first - 1]) / (last - first + 1), np.float32
    )


def marginals(score: Array, offset_mm: Array, spacing_mm: float) -> Array:
    """Posterior marginal (M, J) of each offset (J,) at each point of a ring; rows sum to 1."""
    change = np.abs(offset_mm[:, None] - offset_mm[None, :]) / spacing_mm
    step = np.exp(-change / SLOPE) + JUMP * np.exp(-change)
    own = np.exp(score - score.max(axis=1, keepdims=True))
    m = len(own)
    ahead = min(m, WARM_UP)
    before, after = np.zeros_like(own), np.zeros_like(own)
    row = np.ones(own.shape[1])
    for i in [*range(m - ahead, m), *range(m)]:
        row = (step @ row) * own[i]
        row /= row.sum()
        before[i] = row
    row = np.ones(own.shape[1])
    for i in [*range(ahead - 1, -1, -1), *range(m - 1, -1, -1)]:
        after[i] = row
        row = step @ (row * own[i])
        row /= row.sum()
    both = before * after
    return np.asarray(both / both.sum(axis=1, keepdims=True), np.float64)
