"""The edge itself: from a ring on the working picture to points measured in the photo.

Two steps. The ring of a mask is a millimetre off here and there, so the edge is *tracked* round
the ring first, all points together (`tracer.segmentation.edge.tracking`). Then the
shaded-edge model is *fitted* to fresh profiles through that place, which takes out the contact
shadow's pull (see `tracer.segmentation.edge.edges`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from tracer.geometry.closed_rings import resample, signed_area
from tracer.model.view import PlaneMap
from tracer.segmentation.edge.contours import ring_normals
from tracer.segmentation.edge.edges import EdgeFit, blur_deviation, fit_shaded
from tracer.segmentation.edge.profiles import contrast_signal, sample_profiles
from tracer.segmentation.edge.tracking import track_edge

__all__ = ["MeasuredRing", "measure_ring"]

Array = NDArray[np.float64]

TRACKED_MM_PER_PX, FITTED_MM_PER_PX = 0.25, 0.12  # finer photos are averaged down to these
LEAST_SEARCH_MM = 2.0  # an outline decided on fine cells may still follow a rim within the edge
GROUND_MM = 2.5  # of ground beyond the search, from which the ground's look is learned
# a border of likelihood is more smeared than its place is unsure: measured on scenes
DOUBT_SHARE, LEAST_DOUBT_MM = 0.65, 0.15
INNER_PX, OUTER_PX = 1.8, 10.0  # profile used by the fit: a tool is rarely plain for longer
# a fit that is worse, or wants to go farther, has found a rim of the tool or a neighbour
MOST_MISFIT, MOST_SHIFT_PX = 0.1, 1.8
# yet a clean edge that fits this neatly is no other edge: the logarithm that the tracker reads
# moves a blurred one to its darker side, by up to one and a half deviations
NEAT_MISFIT, NEAT_SHIFT_PX = 0.02, 3.0
LOST_SHADE, LOST_LEVEL = 0.7, 0.3  # a shadow this deep beside a tool this bright hides the edge
# The deviation's parts, fitted to 22 000 edge points of lays that the training renderer drew (rings
# disturbed by 0.15 to 1 mm), so that 68 % of errors lie within one and 95 % within two of them as
# nearly as their long tails allow: 78 % and 93 %, there and on 74 000 points of other scenes. The
# fit's own deviation tells little of a wrong edge; how widely the choice was spread tells most.
# Errors along one tool go together, so all of it is raised by a fifth: with that the mean error of
# two tools in three, through the whole way, lies within what is stated.
FIT_SHARE, FLOOR_MM, SPREAD_SHARE, BLUR_SHARE = 0.58, 0.11, 1.9, 0.14
AWAY_SHARE, FAINT_MM = 0.43, 0.43
USUAL_SPREAD_MM = 0.14  # of a clear edge, from the spacing of the candidates
SURE_MM, DOUBTED_MM = 0.6, 1.5  # blur of a decision's border
# of a decision that does not tell: on twelve grounds and seven lays, 0.7 holds edges back on plain
# sheets, 1.5 lets go of those on foam under a lamp
UNKNOWN_DOUBT_MM = 1.0
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
    (ring,) = resample(ring_mm, step_mm)
    px = plane.to_photo(ring)
    scale = _scale(ring, px)
    normals = _outward(px, ring)
    doubt_mm, sure = _doubt(ring, doubt)
    coarse = max(1, int(TRACKED_MM_PER_PX / scale))
    cell_mm, blur_px = scale * coarse, max(sigma_px / coarse, 0.8)
    search = max(LEAST_SEARCH_MM, search_mm)
    wide = sample_profiles(pixels, px, normals, (search + GROUND_MM) / cell_mm, shrink=coarse)
    track = track_edge(
        wide.light,
        wide.offset_px * cell_mm,
        search_mm=search,
        blur_mm=blur_px * cell_mm,
        doubt_mm=np.clip(DOUBT_SHARE * doubt_mm, LEAST_DOUBT_MM, None),
        spacing_mm=step_mm,
    )
    fine = max(1, int(FITTED_MM_PER_PX / scale))
    cell_mm, blur_px = scale * fine, sigma_px / fine
    tracked = track.offset_mm / scale
    start = px + _without_outliers(tracked)[:, None] * normals
    normals = _outward(start, ring)
    near = sample_profiles(pixels, start, normals, OUTER_PX, shrink=fine)
    deviation = blur_deviation(blur_px)
    inner = max(INNER_PX, 3.0 * deviation)
    use = near.offset_px >= -inner - 2.0
    signal = contrast_signal(near, -deviation, 4.0)[:, use]
    fit = fit_shaded(near.offset_px[use], signal, np.zeros(len(start)), blur_px, inner)
    shift, trusted = _accepted(fit, (tracked - _without_outliers(tracked)) / fine)
    shift = _without_outliers(shift)
    points = plane.to_sheet(start + fine * shift[:, None] * normals)
    contrast = np.abs(fit.ground - fit.tool) / np.maximum(
        np.maximum(np.abs(fit.ground), np.abs(fit.tool)), 0.01
    )
    rough = np.abs(shift - median_filter(shift, 9, mode="wrap"))
    sigma = np.hypot(np.where(trusted, fit.sigma, 1.0), rough)
    confidence = np.clip(contrast / (3 * LEAST_CONTRAST), 0, 1) * np.clip(
        track.strength / 0.3, 0, 1
    )
    lost = (fit.shade > LOST_SHADE) & (fit.tool > LOST_LEVEL * fit.ground)
    confidence = np.where(trusted, 1.0, 0.6) * np.where(lost, 0.4, 1.0) * confidence
    if doubt is not None:
        confidence = confidence * (0.5 + 0.5 * sure)
    away_mm = np.linalg.norm(points - ring, axis=1)
    parts = (
        FIT_SHARE * np.maximum(sigma, 0.05) * cell_mm,
        BLUR_SHARE * doubt_mm,
        SPREAD_SHARE * np.sqrt(np.maximum(track.spread_mm**2 - USUAL_SPREAD_MM**2, 0)),
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


def _without_outliers(offset: Array) -> Array:
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
        (fit.misfit < MOST_MISFIT)
        & (np.abs(fit.x0) < np.where(fit.misfit < NEAT_MISFIT, NEAT_SHIFT_PX, MOST_SHIFT_PX))
        & (fit.sigma < 1.0)
        & (contrast > LEAST_CONTRAST * level)
    )
    return np.where(good, fit.x0, fallback), good
