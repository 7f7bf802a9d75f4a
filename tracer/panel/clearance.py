"""How much wider than the estimate a pocket must be for the tool to fit with a given probability.

The true outline differs from the estimate by an error e(s) along its normal, s the distance
along the outline. The tool fits a pocket of clearance c when some small shift and turn of it
brings every e(s) below c: placement does not count, since tool and pocket settle against each
other. The distribution of the least such c is found by simulation on the tool's own outline: e is
a Gaussian process of the outline's standard deviation, correlated over ``correlation_mm`` (white
noise smoothed by a Gaussian of that sigma), and the best motion is found for all draws at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree
from scipy.special import ndtr
from shapely.geometry import Polygon

from tracer.errors import UsageError
from tracer.model.outline import Outline

__all__ = [
    "Errors",
    "clearance_for",
    "edge_samples",
    "held_probability",
    "least_clearance",
    "margin_for",
]

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Errors:
    """What to expect of an outline's errors.

    Attributes
    ----------
    correlation_mm
        Length over which the error stays alike.
    cut_sigma_mm
        Standard deviation of the cut, added in squares.
    draws, seed
        Of the simulation; equal seeds give equal margins.
    """

    correlation_mm: float = 20.0
    cut_sigma_mm: float = 0.3
    draws: int = 400
    seed: int = 20


def edge_samples(region: Polygon, spacing_mm: float) -> tuple[Array, Array]:
    """Points (N, 2) evenly along the outer ring, and outward unit normals (N, 2) there."""
    ring = shapely.geometry.polygon.orient(region).exterior
    n = max(math.ceil(ring.length / spacing_mm), 24)
    at = np.linspace(0.0, ring.length, n, endpoint=False)
    # normals over a chord of one spacing: a corner gets the mean of its two sides
    reach = ring.length / n / 2
    points = shapely.get_coordinates(shapely.line_interpolate_point(ring, at))
    ahead = shapely.get_coordinates(
        shapely.line_interpolate_point(ring, (at + reach) % ring.length)
    )
    back = shapely.get_coordinates(shapely.line_interpolate_point(ring, (at - reach) % ring.length))
    along = ahead - back
    along /= np.maximum(np.hypot(*along.T), 1e-12)[:, None]
    return points, np.column_stack([along[:, 1], -along[:, 0]])


def _motions(points: Array, normals: Array) -> Array:
    """Outward movement (N, 3) of the edge for a shift in x, in y, and a turn of unit size."""
    arm = points - points.mean(axis=0)
    turn = normals[:, 1] * arm[:, 0] - normals[:, 0] * arm[:, 1]
    scale = max(float(np.abs(arm).max()), 1e-9)
    return np.column_stack([normals, turn / scale])


def _smooth_noise(count: int, width: float, draws: int, rng: np.random.Generator) -> Array:
    """Periodic unit-variance noise (draws, count): white, smoothed by a Gaussian, in samples."""
    spectrum = np.exp(-0.5 * (2 * math.pi * np.fft.rfftfreq(count) * width) ** 2)
    noise = np.fft.irfft(np.fft.rfft(rng.standard_normal((draws, count))) * spectrum, count)
    weights = np.fft.irfft(spectrum, count)
    return np.asarray(noise / math.sqrt(float(np.sum(weights**2))), np.float64)


def least_clearance(errors_mm: ArrayLike, motions: ArrayLike) -> Array:
    """Least clearance (D,) for each error curve (D, N): min over motions of the largest error.

    The largest error is softened to log(sum(exp(b e))) / b and minimised by Newton's method for
    growing b, all curves at once; what is returned is the true largest error at the motion found,
    hence never too small. It lies within about 1 % of the linear programme's optimum.
    """
    e = np.atleast_2d(np.asarray(errors_mm, np.float64))
    m = np.asarray(motions, np.float64)
    scale = max(float(e.std()), 1e-12)
    e = e / scale
    move = np.zeros((len(e), m.shape[1]))
    best = e.max(axis=1)
    outer = (m[:, :, None] * m[:, None, :]).reshape(len(m), -1)
    for sharpness in (3.0, 6.0, 12.0, 24.0, 48.0):
        for _ in range(5):
            left = e - move @ m.T
            weight = np.exp(sharpness * (left - left.max(axis=1, keepdims=True)))
            weight /= weight.sum(axis=1, keepdims=True)
            mean = weight @ m
            spread = (weight @ outer).reshape(-1, m.shape[1], m.shape[1])
            spread = spread - mean[:, :, None] * mean[:, None, :]
            hessian = sharpness * spread + 1e-3 * np.eye(m.shape[1])
            step = np.linalg.solve(hessian, mean[:, :, None])[..., 0]
            length = np.linalg.norm(step, axis=1, keepdims=True)
            move = move + step * np.minimum(1.0, 2.0 / sharpness**0.5 / np.maximum(length, 1e-12))
            best = np.minimum(best, (e - move @ m.T).max(axis=1))
    return np.asarray(best * scale, np.float64)


def clearance_for(
    region: Polygon, sigma_mm: ArrayLike, probability: float, errors: Errors | None = None
) -> float:
    """Clearance with which a tool of this outline fits with the given probability, in mm.

    Parameters
    ----------
    region
        The estimated outline.
    sigma_mm
        Standard deviation of its edge, one value or one per exterior vertex (N,).
    probability
        Above 0 and below 1.
    """
    if not 0 < probability < 1:
        raise UsageError(
            "fit-probability-out-of-range",
            f"The fit probability must lie between 0 and 1, not {probability:g}.",
            "For nine tools out of ten type 0.9.",
        )
    errors = errors or Errors()
    spacing = max(errors.correlation_mm / 5, region.exterior.length / 300)
    points, normals = edge_samples(region, spacing)
    sigma = _sigma_along(region, sigma_mm, points)
    total = np.hypot(sigma, errors.cut_sigma_mm)
    rng = np.random.default_rng(errors.seed)
    width = errors.correlation_mm / (region.exterior.length / len(points))
    noise = _smooth_noise(len(points), width, errors.draws, rng)
    needed = least_clearance(noise * total, _motions(points, normals))
    return max(float(np.quantile(needed, probability)), 0.0)


def _sigma_along(region: Polygon, sigma_mm: ArrayLike, points: Array) -> Array:
    """Sigma at the sample points: that of the nearest exterior vertex."""
    sigma = np.asarray(sigma_mm, np.float64).ravel()
    corners = np.asarray(region.exterior.coords)[:-1, :2]
    if len(sigma) != len(corners):
        return np.full(len(points), float(np.median(sigma)) if len(sigma) else 0.0)
    nearest = cKDTree(corners).query(points)[1]
    return np.asarray(sigma[nearest], np.float64)


def margin_for(outline: Outline, probability: float, errors: Errors | None = None) -> float:
    """Margin of a tool's pocket in mm: for chance errors, and the one-sided bound in full."""
    sigma = outline.sigma_ring_mm if len(outline.sigma_ring_mm) else outline.sigma_mm
    return clearance_for(outline.region, sigma, probability, errors) + outline.bias_bound_mm


def held_probability(factor: float, perimeter_mm: float, correlation_mm: float) -> float:
    """Probability that a tool *held in place* fits at a clearance of ``factor`` sigma.

    The expected number of times per mm that a Gaussian process of curvature variance
    1 / (2 l^2), l the smoothing, rises through the level is
    exp(-factor^2 / 2) / (2 pi sqrt(2) l); crossings of a high level are taken as independent.

    References
    ----------
    S. O. Rice, "Mathematical analysis of random noise", Bell System Technical Journal 24 (1945),
    section 3.3.
    """
    rate = math.exp(-0.5 * factor * factor) / (2 * math.pi * math.sqrt(2) * correlation_mm)
    return float(ndtr(factor)) * math.exp(-rate * perimeter_mm)
