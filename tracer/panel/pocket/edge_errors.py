"""How a traced outline errs: one probabilistic model, fitted on rendered lays with exact truth.

Along the edge, s the distance on it, the true outline lies outside the estimate by

    e(s) = k sigma(s) (sqrt(1 - r) z(s) + sqrt(r) u)

sigma(s)
    what tracing states for this stretch, evened out over `even_mm`: doubt spreads to its sides;
z(s)
    unit Gaussian noise, alike over ``correlation_mm``;
u
    unit Gaussian, one for the whole edge: what all of it shares (edge threshold, height, scale);
k
    one factor per tool, log-normal with median ``factor`` and standard deviation ``spread`` of its
    logarithm: stated sigmas are honest in the mean, but some tools are traced far better than
    stated and some far worse.

The four figures are fitted by kind of evidence. See docs/explanation/clearance.md for the lays,
the way of fitting, and how the model did on lays left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.special import ndtri

from tracer.errors import TracerError
from tracer.geometry.closed_rings import smoothed
from tracer.geometry.rings import nearest_points
from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.panel.pocket.settling import smooth_noise

__all__ = [
    "EVIDENCE",
    "EdgeErrors",
    "Evidence",
    "drawn_errors",
    "evidence_of",
    "ring_sigma",
    "sigma_along",
]

Array = NDArray[np.float64]

#: doubt about a stretch of edge spreads this far to both sides, mm (standard deviation)
EVEN_MM = 4.0
_LEAST_MM = 0.1


@dataclass(frozen=True)
class EdgeErrors:
    """The figures of the model for one kind of evidence."""

    factor: float
    spread: float
    common: float = 0.0
    correlation_mm: float = 10.0


class Evidence:
    """Kinds of evidence an outline may rest on."""

    ONE_TYPED = "one photo, height typed"
    ONE_OPEN = "one photo, height not typed"
    SEVERAL = "several photos"


#: fitted on lays with exact truth, by kind of evidence
EVIDENCE: dict[str, EdgeErrors] = {
    Evidence.ONE_TYPED: EdgeErrors(factor=1.03, spread=0.56),
    Evidence.ONE_OPEN: EdgeErrors(factor=0.34, spread=1.23),
    Evidence.SEVERAL: EdgeErrors(factor=1.31, spread=0.54),
}


def evidence_of(outline: Outline) -> str:
    """What kind of evidence an outline rests on."""
    if outline.method is EdgeModel.VIEWS or len(outline.photo_ids) > 1:
        return Evidence.SEVERAL
    if outline.height_source in (HeightSource.TYPED, HeightSource.MEASURED):
        return Evidence.ONE_TYPED
    return Evidence.ONE_OPEN


def ring_sigma(outline: Outline) -> Array:
    """Stated standard deviation (N,) per corner of the outer ring.

    Raises
    ------
    TracerError
        ``outline-sigma-count`` where the outline has not one value per corner.
    """
    count = len(outline.region.exterior.coords) - 1
    ring = np.asarray(outline.sigma_ring_mm, np.float64)
    if not len(ring):
        ring = np.full(count, outline.sigma_mm)
    if len(ring) != count:
        raise TracerError(
            "outline-sigma-count",
            f"{outline.outline_id}: its edge has {count} corners, but {len(ring)} standard "
            "deviations.",
            "Trace the photos again; the job's outlines were changed by something else.",
        )
    return np.where(np.isfinite(ring), ring, outline.sigma_mm)


def sigma_along(outline: Outline, points_mm: Array, spacing_mm: float) -> Array:
    """Stated standard deviation (N,) at points evenly along the outer ring, evened out.

    Raises
    ------
    TracerError
        As `ring_sigma`.
    """
    corners = shapely.get_coordinates(outline.region.exterior)[:-1]
    sigma = ring_sigma(outline)[nearest_points(corners, points_mm)]
    if not sigma.any():
        return np.zeros(len(points_mm))  # a typed size: nothing was traced
    width = EVEN_MM / spacing_mm
    even = np.sqrt(smoothed(sigma**2, width))
    return np.asarray(np.maximum(even, _LEAST_MM), np.float64)


def drawn_errors(
    sigma_mm: Array, length_mm: float, errors: EdgeErrors, draws: int, rng: np.random.Generator
) -> Array:
    """Errors (draws, N) of the edge along its normal, positive outward."""
    count = len(sigma_mm)
    width = errors.correlation_mm / (length_mm / count)
    noise = smooth_noise(count, width, draws, rng)
    shared = rng.standard_normal((draws, 1))
    # evenly spaced quantiles in random order: the tail is the same in every set of draws
    even = rng.permutation(ndtri((np.arange(draws) + 0.5) / draws))[:, None]
    factor = errors.factor * np.exp(errors.spread * even)
    mixed = np.sqrt(1 - errors.common) * noise + np.sqrt(errors.common) * shared
    return np.asarray(factor * sigma_mm * mixed, np.float64)
