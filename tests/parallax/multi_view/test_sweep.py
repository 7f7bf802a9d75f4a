"""The first guess of edge heights: discs at known heights, seen by known cameras."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.parallax.multi_view.solids import ring as circle
from tracer.parallax.multi_view.contours import Contour
from tracer.parallax.multi_view.edges import Camera
from tracer.parallax.multi_view.sweep import (
    closed_path,
    heights_to_try,
    misfit,
    smoothed,
    sweep_ring,
)

DISC = np.array([60.0, 25.0]) + circle(30.0, 240)
OWN = Camera(np.array([35.0, -40.0]), 900.0)
OTHERS = [Camera(np.array([-250.0, 100.0]), 1000.0), Camera(np.array([300.0, 180.0]), 1100.0)]


def shown(points: np.ndarray, z_mm: float, camera: Camera) -> np.ndarray:
    """Points at a height, cut with the sheet along the rays from the camera: similar triangles."""
    return camera.nadir_mm + (points - camera.nadir_mm) * camera.height_mm / (
        camera.height_mm - z_mm
    )


def placed(z_mm: float, start_mm: float) -> np.ndarray:
    """The disc's edge as the own photo shows it, carried to the height of the start."""
    foot = shown(DISC, z_mm, OWN)
    return OWN.nadir_mm + (foot - OWN.nadir_mm) * (OWN.height_mm - start_mm) / OWN.height_mm


def contours(z_mm: float) -> list[Contour]:
    rings = [shown(DISC, z_mm, c) for c in OTHERS]
    return [Contour([r], [np.full(len(r), 0.1)]) for r in rings]


@pytest.mark.parametrize("z_mm", [44.0, 62.0])
def test_a_disc_far_above_the_guess_is_found_at_its_height(z_mm: float) -> None:
    start = 10.0
    points, height = sweep_ring(placed(z_mm, start), start, 90.0, OWN, OTHERS, contours(z_mm))
    ends = np.roll(points, -1, axis=0)
    assert np.median(np.linalg.norm(ends - points, axis=1)) == pytest.approx(3.0, rel=0.1)
    assert np.abs(height - z_mm).max() <= 6.0  # the step of the heights that are tried
    radius = np.linalg.norm(points - DISC.mean(axis=0), axis=1)
    off = np.abs(height - z_mm).max() / 900.0 * 130.0  # what is left of the own photo's parallax
    assert np.abs(radius - 30.0).max() <= off + 0.1


def test_a_disc_near_the_guess_is_left_at_it() -> None:
    """Below one and a half times the one height (and 2 mm) that height is as good a start."""
    points, height = sweep_ring(placed(22.0, 20.0), 20.0, 90.0, OWN, OTHERS, contours(22.0))
    assert (height == 20.0).all()
    assert np.linalg.norm(points - DISC.mean(axis=0), axis=1) == pytest.approx(30.0, abs=0.5)


def test_nothing_is_sought_above_the_limit() -> None:
    _, height = sweep_ring(placed(62.0, 10.0), 10.0, 40.0, OWN, OTHERS, contours(62.0))
    assert height.max() <= 40.0


def test_fine_steps_where_edges_are_expected_coarse_ones_above() -> None:
    found = heights_to_try(10.0, 200.0)
    low, high = found[found <= 24.0], found[found > 24.0]
    assert low == pytest.approx(np.linspace(0.0, 24.0, 13))  # to 2.4 times the one height
    assert np.diff(high) == pytest.approx(6.0) and high[0] == pytest.approx(30.0)
    assert 79.0 <= high[-1] < 85.0  # 75 mm above it
    assert heights_to_try(0.5, 200.0)[12] == 3.0  # a flat tool has some room, too
    assert heights_to_try(10.0, 17.0).max() == 16.0
    assert len(heights_to_try(10.0, 0.1)) == 2  # there is always something to choose from


@given(st.integers(3, 12), st.integers(2, 5), st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_where_one_height_is_plainly_best_it_is_taken(count: int, states: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    best = rng.integers(0, states, count)
    cost = np.full((count, states), 5.0)
    cost[np.arange(count), best] = 0.0
    assert closed_path(cost, 10.0 * np.arange(states)).tolist() == best.tolist()


@pytest.mark.parametrize(("gain", "followed"), [(0.68, False), (0.72, True)])
def test_a_stretch_leaves_its_neighbours_where_that_pays_for_two_steps(gain, followed) -> None:
    """There and back, at 0.35 a step of 10 mm or more."""
    cost = np.zeros((24, 2))
    cost[:, 1] = 5.0
    cost[12] = gain, 0.0
    assert closed_path(cost, np.array([0.0, 30.0]))[12] == followed
    # half a step of height is half the price
    assert closed_path(cost / 2, np.array([0.0, 5.0]))[12] == followed


def test_a_median_of_three_takes_out_one_and_keeps_a_jump() -> None:
    heights = np.array([5.0, 5, 9, 5, 5, 30, 30, 30])
    assert smoothed(heights).tolist() == [5, 5, 5, 5, 5, 30, 30, 30]


def test_misfit_is_half_at_its_distance_and_one_where_nothing_faces() -> None:
    points = np.array([[0.0, 0], [100, 0], [100, 100], [0, 100]])
    edge = Contour([points], [np.full(4, 0.1)])
    at = np.array([[50.0, 0.0], [50.0, 1.5], [50.0, -1.5], [50.0, 40.0]])
    down = np.tile([0.0, -1.0], (4, 1))
    assert misfit(at, down, edge) == pytest.approx([0, 0.5, 0.5, 1])
    assert misfit(at, -down, edge) == pytest.approx([1, 1, 1, 1])  # an edge of the other side
    lean = np.radians([34.0, 36.0])  # an edge that faces by 35 degrees counts, just
    aslant = np.column_stack([np.sin(lean), -np.cos(lean)])
    assert misfit(at[:2] * [1, 0], aslant, edge) == pytest.approx([0, 1], abs=1e-6)
