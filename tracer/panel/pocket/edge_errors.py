"""How a traced outline errs: one probabilistic model, fitted on rendered lays with exact truth.

Along the edge, s the distance on it, the true outline lies outside the estimate by

    e(s) = k sigma(s)^p (sqrt(1 - r) z(s) + sqrt(r) y(s))

sigma(s)
    what tracing states for this stretch, in mm, evened out over `EVEN_MM`: doubt spreads to its
    sides;
p
    ``power``: below 1 where stated deviations differ more from stretch to stretch than errors do;
z(s), y(s)
    Gaussian noise of unit variance that is alike over ``near_mm`` (a dent, a rounded corner) and
    over ``far_mm`` (a side that faces away, a height, a threshold): correlations exp(-d / near)
    and exp(-d / far) at distance d along the edge;
k
    one factor per tool, log-normal with median ``factor`` and standard deviation ``spread`` of its
    logarithm: some tools are traced far better than stated and some worse.

To this comes ``corner_mm``: where the estimate turns sharply outward, the tool's own corner stands
farther out, since tracing and evening out round it off. And with probability ``missing`` the
outline lacks a part, or has one too many: no margin covers that, so no wall is widened for it, but
it is part of what a pocket promises.

Several photos also bound the edge from outside. The bound comes of silhouettes that err themselves:
tools stand beyond it by a common length whose mean and deviation are `BEYOND_MM` and
`BEYOND_SPREAD_MM`.

The figures are fitted by kind of evidence, apart for outlines that tracing names as in doubt
(``python -m tests.benchmarks.edge_fit``). docs/explanation/clearance.md has the lays, the way of
fitting, and how the model did on lays left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.special import ndtri

from tracer.errors import TracerError
from tracer.geometry.closed_rings import smoothed
from tracer.geometry.rings import nearest_points
from tracer.model.outline import EdgeModel, HeightSource, Outline

__all__ = [
    "EVIDENCE",
    "IN_DOUBT",
    "EdgeErrors",
    "Evidence",
    "beyond_bound",
    "drawn_errors",
    "errors_of",
    "evidence_of",
    "most_beyond_mm",
    "ring_sigma",
    "sigma_along",
]

Array = NDArray[np.float64]

#: doubt about a stretch of edge spreads this far to both sides, mm (standard deviation)
EVEN_MM = 4.0
_LEAST_MM = 0.1
#: turn within 5 mm where a corner of the tool begins to tell, and where it tells fully
_CORNER_FROM, _CORNER_FULL = math.radians(10.0), math.radians(30.0)
#: how far tools stand beyond an outer bound, mean and standard deviation, mm: the likeliest on
#: scenes left out of those that leave the walls of their pockets close
BEYOND_MM, BEYOND_SPREAD_MM = 0.4, 0.4


@dataclass(frozen=True)
class EdgeErrors:
    """The figures of the model for one kind of evidence."""

    factor: float
    spread: float
    power: float = 1.0
    missing: float = 0.0
    far_share: float = 0.45
    near_mm: float = 9.0
    far_mm: float = 80.0
    corner_mm: float = 0.0

    def deviation_mm(self, sigma_mm: Array) -> Array:
        """Deviation (N,) of a tool whose factor is the median one, from what tracing states."""
        return np.asarray(self.factor * sigma_mm**self.power, np.float64)

    def stated_mm(self, deviation_mm: Array) -> Array:
        """What tracing would state (N,) for such deviations: the inverse of `deviation_mm`."""
        return np.asarray((deviation_mm / self.factor) ** (1 / self.power), np.float64)

    def rounded_off_mm(self, turn_rad: Array) -> Array:
        """How far (N,) the tool stands outside where its outline turns so much, convex above 0."""
        sharp = (turn_rad - _CORNER_FROM) / (_CORNER_FULL - _CORNER_FROM)
        return np.asarray(self.corner_mm * np.clip(sharp, 0.0, 1.0), np.float64)

    def alike(self, apart_mm: Array) -> Array:
        """Correlation of errors at distances along the edge, any shape."""
        near, far = np.exp(-apart_mm / self.near_mm), np.exp(-apart_mm / self.far_mm)
        return np.asarray((1 - self.far_share) * near + self.far_share * far, np.float64)


class Evidence:
    """Kinds of evidence an outline may rest on."""

    ONE_TYPED = "one photo, height typed"
    ONE_OPEN = "one photo, height not typed"
    SEVERAL = "several photos"


#: median over corners that turn by 25 degrees and more, of outlines from several photos; from one
#: photo corners stand in and out alike
CORNER_MM = 0.25
#: fitted on lays with exact truth, by kind of evidence; missing parts of several photos a little
#: likelier than fitted, since few of them lacked one
EVIDENCE: dict[str, EdgeErrors] = {
    Evidence.ONE_TYPED: EdgeErrors(factor=0.84, spread=0.28, missing=0.012),
    Evidence.ONE_OPEN: EdgeErrors(
        factor=0.43, spread=0.38, power=0.75, missing=0.012, far_share=0.6, far_mm=150.0
    ),
    Evidence.SEVERAL: EdgeErrors(
        factor=0.94, spread=0.43, power=0.7, missing=0.02, corner_mm=CORNER_MM
    ),
}
#: the same for outlines that tracing names as in doubt
IN_DOUBT: dict[str, EdgeErrors] = {
    Evidence.ONE_TYPED: EdgeErrors(factor=0.76, spread=0.44, missing=0.051),
    Evidence.ONE_OPEN: EdgeErrors(
        factor=0.50, spread=1.15, power=0.75, missing=0.004, far_share=0.6, far_mm=150.0
    ),
    Evidence.SEVERAL: EdgeErrors(
        factor=1.0, spread=0.51, power=0.7, missing=0.03, corner_mm=CORNER_MM
    ),
}


def beyond_bound(draws: int, rng: np.random.Generator) -> Array:
    """How far (draws, 1) a tool stands beyond an outer bound, mm, evenly spaced quantiles."""
    return BEYOND_MM + BEYOND_SPREAD_MM * _even_normal(draws, rng)


def most_beyond_mm(share: float) -> float:
    """How far beyond its outer bound a tool stands at most in a share of the cases."""
    return BEYOND_MM + BEYOND_SPREAD_MM * float(ndtri(share))


def _even_normal(draws: int, rng: np.random.Generator) -> Array:
    # in random order: the tail is the same in every set of draws
    return np.asarray(rng.permutation(ndtri((np.arange(draws) + 0.5) / draws))[:, None])


def evidence_of(outline: Outline) -> str:
    """What kind of evidence an outline rests on."""
    if outline.method is EdgeModel.VIEWS or len(outline.photo_ids) > 1:
        return Evidence.SEVERAL
    if outline.height_source in (HeightSource.TYPED, HeightSource.MEASURED):
        return Evidence.ONE_TYPED
    return Evidence.ONE_OPEN


def errors_of(outline: Outline) -> EdgeErrors:
    """The figures that hold for an outline."""
    kind = evidence_of(outline)
    return (IN_DOUBT if outline.in_doubt else EVIDENCE)[kind]


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
    """Errors (draws, N) of the edge along its normal at N even places, positive outward.

    The noise is drawn by the discrete Fourier transform of its correlation round the ring (C. R.
    Dietrich, G. N. Newsam, "Fast and exact simulation of stationary Gaussian processes through
    circulant embedding of the covariance matrix", SIAM J. Sci. Comput. 18 (1997), 1088-1107).
    """
    count = len(sigma_mm)
    steps = np.minimum(np.arange(count), count - np.arange(count))
    # a correlation that is cut off at half a ring has a few slightly negative terms
    power = np.maximum(np.fft.rfft(errors.alike(steps * (length_mm / count))).real, 0.0)
    power /= np.fft.irfft(power, count)[0]
    white = np.fft.rfft(rng.standard_normal((draws, count)))
    noise = np.fft.irfft(white * np.sqrt(power), count)
    even = _even_normal(draws, rng)
    return np.asarray(np.exp(errors.spread * even) * errors.deviation_mm(sigma_mm) * noise)
