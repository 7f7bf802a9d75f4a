"""The edge itself: from a ring on the working picture to points measured in the photo.

Two steps. The ring of a mask is a millimetre off here and there, so the steepest place near by is
*tracked* round the ring first. Then the shaded-edge model is *fitted* to fresh profiles through
that place, which takes out the contact shadow's pull (see `tracer.segmentation.edges`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from tracer.model.view import PlaneMap
from tracer.segmentation.contours import resample, ring_normals, signed_area
from tracer.segmentation.edges import EdgeFit, blur_deviation, fit_shaded
from tracer.segmentation.profiles import contrast_signal, sample_profiles, track_edge

__all__ = ["MeasuredRing", "measure_ring"]

Array = NDArray[np.float64]

INNER_PX, OUTER_PX = 1.8, 10.0  # profile used by the fit: a tool is rarely plain for longer
LOST_SHADE, LOST_LEVEL = 0.7, 0.3  # a shadow this deep beside a tool this bright hides the edge
# The deviation's parts, fitted to 25 000 edge points of rendered scenes with exact truth, so that
# 68 % of them lie within it. The fit's own deviation tells little of a wrong edge: that the
# decision was blurred, that the edge lies off it and that it is faint tell more.
FIT_SHARE, FLOOR_MM, DOUBT_SHARE, AWAY_SHARE, FAINT_MM = 0.6, 0.06, 0.24, 0.48, 1.44
SURE_MM, DOUBTED_MM = 0.6, 1.5  # blur of a decision's border
UNKNOWN_DOUBT_MM = 1.0  # of a decision that does not tell
MOST_DOUBT_MM = 4.0
LEAST_CONTRAST = 0.12  # relative step below which noise places the edge


@dataclass(frozen=True, eq=False)
class MeasuredRing:
    """A measured ring: points (N, 2) mm, deviation (N,) mm, confidence (N,) 0 to 1."""

    points_mm: Array
    sigma_mm: Array
    confidence: Array


def measure_ring(
    pixels: NDArray[np.uint8],
    plane: PlaneMap,
    ring_mm: Array,
    *,
    step_mm: float,
    search_mm: float,
    sigma_px: float,
    doubt: Callable[[Array], Array] | None = None,
) -> MeasuredRing:
    """Measure the edge along a ring (outer ring counter-clockwise, hole clockwise).

    Parameters
    ----------
    ring_mm
        (N, 2) closed ring on the sheet, mm.
    step_mm
        Spacing of the measured points.
    search_mm
        How far the edge may lie from the ring.
    sigma_px
        The picture's blur, px.
    doubt
        How blurred the decision is at points (M, 2) on the sheet, in mm; None where the decision
        does not tell.
    """
    ring = resample(ring_mm, step_mm)
    px = plane.to_photo(ring)
    scale = _scale(ring, px)
    normals = _outward(px, ring)
    search = max(2.0, search_mm / scale)
    wide = sample_profiles(pixels, px, normals, search + max(4.0, 3 * sigma_px))
    doubt_mm, sure = _doubt(ring, doubt)
    tracked, strength = track_edge(wide, search, max(sigma_px, 0.8), sure if doubt else None)
    start = px + _calm(tracked)[:, None] * normals
    normals = _outward(start, ring)
    near = sample_profiles(pixels, start, normals, OUTER_PX)
    inner = max(INNER_PX, 3.0 * blur_deviation(sigma_px))
    use = near.offset_px >= -inner - 2.0
    offset = near.offset_px[use]
    signal = contrast_signal(near, -blur_deviation(sigma_px), 4.0)[:, use]
    fit = fit_shaded(offset, signal, np.zeros(len(start)), sigma_px, inner)
    shift, trusted = _accepted(fit, tracked - _calm(tracked))
    shift = _calm(shift)
    points = plane.to_sheet(start + shift[:, None] * normals)
    contrast = np.abs(fit.ground - fit.tool) / np.maximum(
        np.maximum(np.abs(fit.ground), np.abs(fit.tool)), 0.01
    )
    rough = np.abs(shift - median_filter(shift, 9, mode="wrap"))
    sigma = np.hypot(np.where(trusted, fit.sigma, 1.0), rough)
    confidence = np.clip(contrast / (3 * LEAST_CONTRAST), 0, 1) * np.clip(strength / 0.15, 0, 1)
    lost = (fit.shade > LOST_SHADE) & (fit.tool > LOST_LEVEL * fit.ground)
    confidence = np.where(trusted, 1.0, 0.6) * np.where(lost, 0.4, 1.0) * confidence
    if doubt is not None:
        confidence = confidence * (0.5 + 0.5 * sure)
    away_mm = np.linalg.norm(points - ring, axis=1)
    parts = (
        FIT_SHARE * np.maximum(sigma, 0.05) * scale,
        DOUBT_SHARE * doubt_mm,
        AWAY_SHARE * away_mm,
        FAINT_MM * (1 - confidence),
    )
    sigma_mm = np.sqrt(FLOOR_MM**2 + sum(part**2 for part in parts))
    return MeasuredRing(points, sigma_mm, confidence)


def _doubt(ring: Array, doubt: Callable[[Array], Array] | None) -> tuple[Array, Array]:
    """The decision's blur (N,) mm along a ring, and how sure (N,) it is, 0 to 1."""
    if doubt is None:
        return np.full(len(ring), UNKNOWN_DOUBT_MM), np.zeros(len(ring))
    blur = np.minimum(doubt(ring), MOST_DOUBT_MM)
    return blur, np.clip((DOUBTED_MM - blur) / (DOUBTED_MM - SURE_MM), 0, 1)


def _scale(ring: Array, px: Array) -> float:
    """Millimetres per pixel along the ring."""
    mm = np.linalg.norm(np.diff(ring, axis=0), axis=1)
    return float(np.median(mm) / max(np.median(np.linalg.norm(np.diff(px, axis=0), axis=1)), 1e-9))


def _outward(px: Array, ring: Array) -> Array:
    """Normals in the photo that point off the tool."""
    normals = ring_normals(px, smooth=2.0)
    # the photo's y axis runs down, so a ring changes its sense there
    return normals if np.sign(signed_area(px)) == np.sign(signed_area(ring)) else -normals


def _calm(offset: Array) -> Array:
    """Replace outliers along the ring: beyond 4 robust deviations of the median of 5."""
    middle = median_filter(offset, 5, mode="wrap")
    off = np.abs(offset - middle)
    limit = max(4 * 1.4826 * float(np.median(off)), 0.4)
    return np.asarray(np.where(off > limit, middle, offset), np.float64)


def _accepted(fit: EdgeFit, fallback: Array) -> tuple[Array, NDArray[np.bool_]]:
    """The fitted shift where the fit holds, the tracked place elsewhere."""
    contrast = np.abs(fit.ground - fit.tool)
    level = np.maximum(np.maximum(np.abs(fit.ground), np.abs(fit.tool)), 0.01)
    good = (
        (fit.misfit < 0.25)
        & (np.abs(fit.x0) < 1.8)
        & (fit.sigma < 1.0)
        & (contrast > LEAST_CONTRAST * level)
    )
    return np.where(good, fit.x0, fallback), good
