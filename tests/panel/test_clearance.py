"""Stated fit probabilities against simulation, the exact optimum, and Rice's formula."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray
from scipy.optimize import linprog
from shapely import affinity
from shapely.geometry import Polygon, box

from tests.geometry.shapes import spanner
from tracer.errors import UsageError
from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.panel.clearance import (
    Errors,
    clearance_for,
    edge_samples,
    held_probability,
    least_clearance,
    margin_for,
)

Array = NDArray[np.float64]
CORRELATION_MM = 20.0


def simulated_tools(region: Polygon, sigma: float, count: int, seed: int) -> tuple[Array, Array]:
    """Errors (count, N) along an outline, and its outward normals with their lever arms (N, 3).

    Written anew for the test: the noise is drawn from its covariance matrix, exp(-d^2 / 4 l^2)
    along the outline (that of white noise smoothed by a Gaussian of sigma l), not by filtering.
    """
    ring = region.exterior if region.exterior.is_ccw else region.exterior.reverse()
    n = int(ring.length / 4)
    at = np.arange(n) * ring.length / n
    points = shapely.get_coordinates(shapely.line_interpolate_point(ring, at))
    ahead = shapely.get_coordinates(shapely.line_interpolate_point(ring, (at + 0.5) % ring.length))
    back = shapely.get_coordinates(shapely.line_interpolate_point(ring, (at - 0.5) % ring.length))
    along = (ahead - back) / np.hypot(*(ahead - back).T)[:, None]
    normals = np.column_stack([along[:, 1], -along[:, 0]])
    arm = points - points.mean(axis=0)
    lever = normals[:, 1] * arm[:, 0] - normals[:, 0] * arm[:, 1]
    apart = np.abs(at[:, None] - at)
    apart = np.minimum(apart, ring.length - apart)
    covariance = sigma**2 * np.exp(-(apart**2) / (4 * CORRELATION_MM**2))
    root = np.linalg.cholesky(covariance + 1e-8 * np.eye(n))
    rng = np.random.default_rng(seed)
    errors = rng.standard_normal((count, n)) @ root.T
    return errors, np.column_stack([normals, lever / 50])


def share_that_fits(errors: Array, motions: Array, clearance: float) -> float:
    """Share of tools that fit after settling; decided by linear programming where it is close."""
    quick = least_clearance(errors, motions)
    fits = quick <= clearance
    for i in np.flatnonzero(~fits & (quick < 1.1 * clearance)):
        fits[i] = exact_clearance(errors[i], motions) <= clearance
    return float(fits.mean())


def exact_clearance(error: Array, motions: Array) -> float:
    """The linear programme: least t with error - motions x <= t."""
    constraints = np.column_stack([-motions, -np.ones(len(motions))])
    free = [(None, None)] * (motions.shape[1] + 1)
    return float(linprog([0, 0, 0, 1], A_ub=constraints, b_ub=-error, bounds=free).fun)


@pytest.mark.parametrize("probability", [0.8, 0.95])
def test_the_stated_probability_holds_over_2000_tools(probability: float) -> None:
    region = box(0, 0, 160, 30)
    clearance = clearance_for(region, 0.45, probability, Errors(cut_sigma_mm=0.0))
    errors, motions = simulated_tools(region, 0.45, 2000, seed=8)
    share = share_that_fits(errors, motions, clearance)
    # the quantile of 400 draws scatters by sqrt(p (1 - p) / 400) <= 2 points, the 2000 tools by
    # 0.9 points; 5 points is twice both together
    assert share == pytest.approx(probability, abs=0.05)
    # halve the true sigma's estimate, and the promise breaks: the test can fail
    too_small = clearance_for(region, 0.225, probability, Errors(cut_sigma_mm=0.0))
    assert share_that_fits(errors, motions, too_small) < probability - 0.2


def test_it_holds_on_a_spanner_with_more_draws() -> None:
    region = affinity.rotate(spanner(), 30)
    clearance = clearance_for(region, 0.3, 0.9, Errors(cut_sigma_mm=0.0, draws=2000))
    errors, motions = simulated_tools(region, 0.3, 2000, seed=2)
    # both sides scatter by 0.7 points with 2000 each: 2 points is twice that together
    assert share_that_fits(errors, motions, clearance) == pytest.approx(0.9, abs=0.02)


def test_the_quick_optimum_is_close_to_the_exact_one_and_never_below() -> None:
    errors, motions = simulated_tools(box(0, 0, 160, 30), 1.0, 40, seed=3)
    quick = least_clearance(errors, motions)
    exact = np.array([exact_clearance(error, motions) for error in errors])
    assert (quick >= exact - 1e-6).all()
    assert (quick - exact).mean() < 0.02


def test_a_tool_held_in_place_follows_rice() -> None:
    # Rice 1945, 3.3: crossings of a high level, taken as independent; good to 2 points from 2
    # sigma on, for 4000 simulated outlines (their own scatter is 0.7 points)
    errors, _ = simulated_tools(box(0, 0, 160, 30), 1.0, 4000, seed=4)
    for factor in (2.0, 2.5, 3.0):
        held = float((errors.max(axis=1) <= factor).mean())
        assert held == pytest.approx(held_probability(factor, 380, CORRELATION_MM), abs=0.025)


def test_settling_needs_less_room_than_being_held() -> None:
    errors, motions = simulated_tools(box(0, 0, 160, 30), 1.0, 300, seed=5)
    settled = np.quantile(least_clearance(errors, motions), 0.9)
    assert 0.6 < settled / np.quantile(errors.max(axis=1), 0.9) < 0.9


def test_sigma_may_vary_along_the_outline() -> None:
    region = box(0, 0, 160, 30)
    sigma = np.array([0.1, 0.6, 0.6, 0.1])
    corners = np.asarray(region.exterior.coords)[:-1]
    mixed = clearance_for(region, np.where(corners[:, 0] > 80, 0.6, 0.1), 0.9)
    assert clearance_for(region, 0.1, 0.9) < mixed < clearance_for(region, 0.6, 0.9)
    assert len(sigma) == len(corners)


def test_bounds_are_added_in_full() -> None:
    region = box(0, 0, 160, 30)
    ring = np.full(4, 0.3)

    def outline(bias: float) -> Outline:
        return Outline(
            "T01", "file", region, 10, HeightSource.TYPED, EdgeModel.MID, 0.3, ring, bias, 1.0,
            ("p",), (0.0, 0.0),
        )  # fmt: skip

    assert margin_for(outline(0.4), 0.9) - margin_for(outline(0.0), 0.9) == pytest.approx(0.4)


def test_normals_point_outward() -> None:
    points, normals = edge_samples(spanner(), 5.0)
    step = shapely.points(points + 0.5 * normals)
    outside = ~shapely.contains(spanner(), step)
    # at the jaw's sharp tips a chord's normal may point along the metal
    assert outside.mean() > 0.97
    assert np.hypot(*normals.T) == pytest.approx(1.0)


def test_equal_seeds_give_equal_margins() -> None:
    region = box(0, 0, 90, 20)
    assert clearance_for(region, 0.3, 0.9) == clearance_for(region, 0.3, 0.9)
    assert not math.isnan(clearance_for(region, 0.0, 0.5, Errors(cut_sigma_mm=0.0)))


@pytest.mark.parametrize("probability", [0.0, 1.0, -3.0, 90.0])
def test_a_probability_lies_between_0_and_1(probability: float) -> None:
    with pytest.raises(UsageError) as caught:
        clearance_for(box(0, 0, 9, 9), 0.1, probability)
    assert caught.value.slug == "fit-probability-out-of-range"
