"""Between which bounds the photos leave an edge, against profiles whose edge is known.

A profile cut across an edge is a set of points at x (outward) and height z. A ray that leans by t
(rho over the height of the camera above the point) shows on the sheet at x + t z; of all points the
outermost is the one that is seen, and straight down, t = 0, that is the true edge.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracer.model.outline import Cause
from tracer.parallax.multi_view.bounds import (
    convex_bounds,
    edge_quality,
    grain_of,
    residual_of,
)
from tracer.parallax.multi_view.edges import Camera, Sighting

H = 1000.0


def sighting(
    t: np.ndarray, shown: np.ndarray, z: np.ndarray, *, grain: float = 0.0, seen=None
) -> Sighting:
    """(V, N) leans, seen places relative to the solved edge, and heights that were supposed."""
    zero = np.zeros_like(t)
    return Sighting(
        rho_mm=t * (H - z),
        z_mm=z,
        seen=np.ones(t.shape, bool) if seen is None else seen,
        residual_mm=shown - t * z,
        sigma_mm=zero + 0.1,
        grain_mm=zero + grain,
        share=zero + np.nan,
        share_sigma=zero + np.nan,
        slope=zero,
        side=zero,
    )


def bounds(s: Sighting, height: float, agrees=None) -> tuple[np.ndarray, np.ndarray]:
    agrees = s.seen if agrees is None else agrees
    return convex_bounds(SimpleNamespace(sighting=s), agrees, np.full((len(s.z_mm), 1), H), height)  # type: ignore[arg-type]


@given(st.integers(0, 2**32 - 1), st.integers(1, 5))
@settings(max_examples=80, deadline=None)
def test_the_true_edge_of_any_profile_lies_within_the_bounds(seed: int, views: int) -> None:
    rng = np.random.default_rng(seed)
    height, count = 40.0, 60
    x, z = rng.uniform(-6, 3, (count, 5)), rng.uniform(0, height, (count, 5))
    z[:, 0] = 0.0  # it stands on the sheet
    t = rng.uniform(-0.5, 0.5, (views, count))
    shown = (x + t[:, :, None] * z).max(axis=2)
    true = x.max(axis=1)
    solved = true + rng.uniform(-1, 1, count)
    supposed = rng.uniform(0, height, (views, count))
    low, high = bounds(sighting(t, shown - solved, supposed), height)
    assert (low <= true - solved + 1e-9).all() and (true - solved <= high + 1e-9).all()
    assert (low <= 0).all() and (high >= 0).all()


def test_two_photos_from_both_sides_know_an_edge_that_is_one_point() -> None:
    """Their chord goes through it: what is left is the noise of both, weighed by their shares."""
    t = np.array([[0.3], [-0.1]])
    shown = 2.0 + t * 15.0
    low, high = bounds(sighting(t, shown, np.full((2, 1), 7.0), grain=0.17), 40.0)
    assert high == pytest.approx(2.0 + np.hypot(0.25 * 0.2, 0.75 * 0.2))
    assert low == pytest.approx(0.0)
    # the edge lies 3 mm inside: no lower than as if it were seen at full height
    _, low_side = bounds(sighting(t, shown - 5.0, np.full((2, 1), 7.0)), 40.0)
    assert low_side == pytest.approx(0.0)


def test_two_photos_from_one_side_bound_it_by_the_line_through_them() -> None:
    t = np.array([[0.4], [0.2]])
    shown = -2.0 + t * 15.0  # a point at 15 mm, 2 mm inside of what was solved
    low, high = bounds(sighting(t, shown, np.zeros((2, 1)), grain=0.07), 40.0)
    assert low == pytest.approx(-2.0 - np.hypot(1 * 0.1, 2 * 0.1))
    # outward it is as far as the steeper one sees it
    assert high == pytest.approx(-2.0 + 0.2 * 15.0 + 0.1)


@pytest.mark.parametrize("t", [0.25, -0.25])
def test_one_photo_bounds_it_by_its_own_ray(t: float) -> None:
    """Behind the edge it sees it no further in than it is; in front of it no further out."""
    low, high = bounds(sighting(np.array([[t]]), np.array([[0.0]]), np.zeros((1, 1))), 40.0)
    far = 0.25 * 40.0 + 0.03
    assert (low[0], high[0]) == pytest.approx((-far, 0.03) if t > 0 else (-0.03, far))


def test_an_edge_that_no_photo_shows_may_lie_as_far_as_the_steepest_would_hide_it() -> None:
    t = np.array([[0.4, 0.4], [-0.1, -0.1]])
    s = sighting(t, np.zeros((2, 2)), np.zeros((2, 2)))
    low, high = bounds(s, 40.0, np.array([[False, True], [False, True]]))
    assert (low[0], high[0]) == pytest.approx((-4.0, 4.0))
    assert high[1] < 1.0


def test_noise_of_what_is_seen() -> None:
    s = sighting(np.zeros((3, 4)), np.zeros((3, 4)), np.zeros((3, 4)))
    s.grain_mm[:] = [[0.2, 0.2, 0.9, 0.4], [0.4, 0.4, 0.3, 0.4], [0.6, 0.6, 0.5, 0.4]]
    agrees = np.array([[1, 0, 1, 0], [1, 1, 0, 0], [1, 1, 1, 0]], bool)
    wanted = np.array([0.2 / 3**0.5, 0.4 / 2**0.5, 0.5 / 2**0.5, 0.0])
    assert grain_of(s, agrees) == pytest.approx(wanted)
    s.residual_mm[:] = [[3.0, 1.0, 9.0, 9.0], [-4.0, -1.0, 9.0, 9.0], [9.0, 1.0, 2.0, 9.0]]
    s.seen[:] = [[1, 1, 0, 0], [1, 1, 0, 0], [0, 1, 1, 0]]
    assert residual_of(s) == pytest.approx([12.5**0.5, 1.0, 2.0, 0.0])


CAMERAS = [Camera(np.zeros(2), H), Camera(np.zeros(2), H)]


def quality_of(rho: np.ndarray, residual: np.ndarray, *, start=20.0, middle=20.0, seen=None):
    """Two photos, deviations of 0.1 mm."""
    zero = np.zeros_like(rho)
    s = Sighting(
        rho, zero + 20.0, np.ones(rho.shape, bool) if seen is None else seen, residual,
        zero + 0.1, zero + 0.05, zero + np.nan, zero + np.nan, zero, zero,
    )  # fmt: skip
    count = rho.shape[1]
    ring = SimpleNamespace(middle_mm=np.full(count, middle))
    return edge_quality(SimpleNamespace(sighting=s, ring=ring), CAMERAS, start, 40.0)  # type: ignore[arg-type]


def test_photos_agree_within_four_deviations() -> None:
    rho = np.array([[300.0, 300, 300, 300], [200.0, 200, 200, 200]])
    residual = np.array([[0.0, 0.39, 0.41, -0.41], [0.0, 0.0, 0.0, 0.41]])
    found = quality_of(rho, residual)
    assert found.view_count.tolist() == [2, 2, 1, 0]
    # the steeper of those that agree leaves least; where none does, the steepest of all
    assert found.left_mm == pytest.approx([4.0, 4.0, 4.0, 4.0])
    only_far = quality_of(rho, residual[::-1])
    assert only_far.left_mm == pytest.approx([4.0, 4.0, 6.0, 4.0])


def test_the_left_parallax_goes_with_the_height_at_least_half_the_one_height() -> None:
    rho = np.array([[300.0], [-200.0]])
    none = np.zeros((2, 1))
    assert quality_of(rho, none, middle=30.0).left_mm == pytest.approx(6.0)
    assert quality_of(rho, none, middle=0.0, start=20.0).left_mm == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("first", "second", "one_sided"),
    [
        (300.0, 200.0, True),
        (-300.0, -200.0, True),
        (300.0, -200.0, False),
        (300.0, 9.0, False),  # edge-on is as good as from both sides
        (300.0, 11.0, True),
        (-300.0, -9.0, False),
        (-300.0, -11.0, True),
    ],
)
def test_edges_seen_from_one_side(first: float, second: float, one_sided: bool) -> None:
    rho = np.array([[first], [second]])
    assert quality_of(rho, np.zeros((2, 1))).one_sided.tolist() == [one_sided]
    assert quality_of(rho[::-1], np.zeros((2, 1))).one_sided.tolist() == [one_sided]


def test_the_deviation_is_made_of_its_parts_in_quadrature() -> None:
    rho = np.array([[300.0, 300.0], [200.0, 200.0]])
    residual = np.array([[0.3, 0.5], [-0.1, 0.0]])
    found = quality_of(rho, residual)
    assert sorted(found.parts_mm) == sorted(
        [Cause.SILHOUETTE, Cause.PARALLAX, Cause.AGREEMENT, Cause.FEW]
    )
    squares = sum(np.square(v) for v in found.parts_mm.values())
    assert found.sigma_mm == pytest.approx(np.sqrt(squares))
    assert found.parts_mm[Cause.SILHOUETTE] == pytest.approx([1.2 * 0.05 / 2**0.5, 1.2 * 0.05])
    assert found.parts_mm[Cause.PARALLAX] == pytest.approx([0.28 * 4, 0.28 * 4])
    assert found.parts_mm[Cause.AGREEMENT] == pytest.approx([0.83 * 0.05**0.5, 0.83 * 0.125**0.5])
    assert found.parts_mm[Cause.FEW] == pytest.approx([0.0, 3.6])
