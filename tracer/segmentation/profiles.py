"""Brightness profiles across an edge, from the photo's own pixels in linear light."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import correlate1d, maximum_filter1d

from tracer.segmentation.raster import LINEAR

__all__ = ["Profiles", "contrast_signal", "sample_profiles", "track_edge"]

Array = NDArray[np.float64]

STEP_PX = 0.5
FAINTEST_SLOPE = 0.06  # log light per px: steeper than soft shadows at usual scales
# Of two clear edges a search range apart the outer one is preferred: less so where the ring knows
# how sure it is, since such a ring holds the edge near itself, the more the surer it is
OUTWARD, OUTWARD_HELD = 0.35, 0.25
HOLD_DOUBTED, HOLD_SURE = 0.3, 1.5
BLOCK = 4000  # profiles per call: keeps maps below the 32 767 rows that cv2.remap takes


@dataclass(frozen=True, eq=False)
class Profiles:
    """Profiles of M edge points.

    Attributes
    ----------
    offset_px
        (K,) place along the normal, outward positive.
    light
        (M, K, 3) linear light.
    """

    offset_px: Array
    light: Array


def sample_profiles(
    pixels: NDArray[np.uint8],
    points_px: Array,
    normals_px: Array,
    reach_px: float,
    along_px: float = 2.0,
) -> Profiles:
    """Sample along the normals (M, 2) through points (M, 2), averaged along the edge.

    ``reach_px`` is the half length; ``along_px`` the half width of the average. Places outside
    the photo repeat its rim.
    """
    k = int(np.ceil(reach_px / STEP_PX))
    s = np.arange(-k, k + 1) * STEP_PX
    margin = reach_px + along_px + 2
    h, w = pixels.shape[:2]
    x0, y0 = np.clip((points_px.min(axis=0) - margin).astype(int), 0, (w - 2, h - 2))
    x1, y1 = np.clip((points_px.max(axis=0) + margin).astype(int) + 2, (x0 + 2, y0 + 2), (w, h))
    crop = cv2.LUT(np.ascontiguousarray(pixels[y0:y1, x0:x1]), LINEAR)
    tangents = np.column_stack([-normals_px[:, 1], normals_px[:, 0]])
    shifts = np.arange(-along_px, along_px + 0.5)
    light = np.zeros((len(points_px), len(s), 3))
    for start in range(0, len(points_px), BLOCK):
        part = np.s_[start : start + BLOCK]
        base = points_px[part, None, :] + s[None, :, None] * normals_px[part, None, :]
        base = base - (x0, y0)
        for t in shifts:
            at = (base + t * tangents[part, None, :]).astype(np.float32)
            light[part] += cv2.remap(
                crop, at[..., 0], at[..., 1], cv2.INTER_LINEAR, None, cv2.BORDER_REPLICATE
            )
    return Profiles(s.astype(np.float64), light / len(shifts))


def contrast_signal(profiles: Profiles, inner_px: float, outer_px: float) -> Array:
    """Project (M, K, 3) on each profile's own contrast between inside and outside: (M, K).

    The projection keeps the shape of a blurred edge, and of a shadow, since both are linear in
    light.
    """
    s = profiles.offset_px
    inside = (s >= inner_px - 2.5) & (s <= inner_px)
    outside = (s >= outer_px) & (s <= outer_px + 2.5)
    step = profiles.light[:, outside].mean(axis=1) - profiles.light[:, inside].mean(axis=1) + 1e-4
    axis: Array = step / np.linalg.norm(step, axis=1, keepdims=True)
    return np.asarray(np.einsum("mkc,mc->mk", profiles.light, axis), np.float64)


def track_edge(
    profiles: Profiles, range_px: float, sigma_px: float, sure: Array | None = None
) -> tuple[Array, Array]:
    """Offsets (M,) of the edge near the ring, and its strength (M,), following the ring round.

    The outermost clear edge in any channel of log light within ``range_px``, found for all points
    at once so that neighbours agree (dynamic programming on the closed ring). ``sure`` (M,), 0 to
    1, says how far the ring itself is to be trusted; None where that is unknown.
    """
    s = profiles.offset_px
    log = np.log(profiles.light + 0.003)
    width = max(0.8, sigma_px) / STEP_PX
    radius = int(np.ceil(3 * width))
    u = np.arange(-radius, radius + 1.0)
    kernel = -u * np.exp(-0.5 * (u / width) ** 2)
    kernel /= np.sum(-u * kernel)
    signed = correlate1d(log, kernel, axis=1, mode="nearest") / STEP_PX
    rise, fall = np.maximum(signed, 0).max(axis=2), np.maximum(-signed, 0).max(axis=2)
    slope = np.maximum(rise, fall)
    near = np.flatnonzero(np.abs(s) <= range_px)
    strength = slope[:, near]
    at = s[near]
    # the outermost clear edge is the tool's: rims and highlights inside may be stronger. Clear is
    # what stands out from the ground's own grain, along this ring and about this point
    outside = slope[:, s > range_px + 1]
    grain = np.percentile(outside, 90, axis=1)
    peak = strength.max(axis=1)
    clear = np.maximum(2.5 * np.maximum(grain, np.median(grain)), 0.2 * peak)
    clear = np.maximum(np.minimum(clear, 0.7 * peak), FAINTEST_SLOPE)
    gain = np.minimum(strength / clear[:, None], 1.0) ** 2 + 0.15 * np.minimum(
        strength / (4 * clear[:, None]), 1.0
    )
    # only the crest of a slope is an edge: its outer flank must not pass for one. Rises and
    # falls have crests of their own, or a highlight would swallow the dark rim beside it
    crest = np.zeros(slope.shape, np.bool_)
    for part in (rise, fall):
        top = part >= maximum_filter1d(part, 5, axis=1, mode="nearest")
        crest |= top & (part > 0.5 * FAINTEST_SLOPE)
    gain = np.where(maximum_filter1d(crest, 3, axis=1)[:, near], gain, 0.3 * gain)
    away = at[None, :] / range_px
    if sure is None:
        gain += OUTWARD * away
    else:
        hold = HOLD_DOUBTED + (HOLD_SURE - HOLD_DOUBTED) * sure
        gain += OUTWARD_HELD * away - hold[:, None] * away**2
    path = _closed_path(gain, stiffness=0.5)
    best = path
    rows = np.arange(len(best))
    # parabola through the three samples round the best one
    full = near[best]
    a, b, c = (slope[rows, np.clip(full + d, 0, len(s) - 1)] for d in (-1, 0, 1))
    bend = a - 2 * b + c
    fine = np.where(np.abs(bend) > 1e-9, 0.5 * (a - c) / np.where(bend == 0, 1, bend), 0)
    return at[best] + np.clip(fine, -0.5, 0.5) * STEP_PX, slope[rows, full]


def _closed_path(gain: Array, stiffness: float) -> NDArray[np.intp]:
    """Columns (M,) of the path of most gain round a closed ring (M, K), steps penalised."""
    m, k = gain.shape
    order = np.concatenate([np.arange(m), np.arange(min(m, 40))])
    jump = stiffness * (np.arange(k)[:, None] - np.arange(k)[None, :]) ** 2 * STEP_PX**2
    score = gain[order[0]].copy()
    back = np.zeros((len(order), k), np.intp)
    for i in range(1, len(order)):
        total = score[None, :] - jump
        back[i] = np.argmax(total, axis=1)
        score = total[np.arange(k), back[i]] + gain[order[i]]
    path = np.zeros(len(order), np.intp)
    path[-1] = int(np.argmax(score))
    for i in range(len(order) - 1, 0, -1):
        path[i - 1] = back[i, path[i]]
    out = path[:m].copy()
    out[: len(order) - m] = path[m:]
    return out
