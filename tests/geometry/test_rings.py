"""Corners, density and roughness of rings."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree
from shapely.geometry import Point, box

from tests.geometry.shapes import ring_points, spanner
from tracer.geometry.rings import dense_ring, find_corners, nearest_points, roughness_mm


def test_a_square_has_four_corners_and_a_circle_none() -> None:
    square = dense_ring(np.asarray(box(0, 0, 40, 30).exterior.coords)[:-1], 0.1)
    corners = square[find_corners(square)]
    assert sorted(map(tuple, corners.round(6).tolist())) == [(0, 0), (0, 30), (40, 0), (40, 30)]
    disc = dense_ring(np.asarray(Point(0, 0).buffer(12, 64).exterior.coords)[:-1], 0.1)
    assert len(find_corners(disc)) == 0


def test_fillets_are_no_corners() -> None:
    rounded = box(0, 0, 40, 30).buffer(3, 64)
    ring = dense_ring(np.asarray(rounded.exterior.coords)[:-1], 0.1)
    assert len(find_corners(ring)) == 0


def test_no_gap_is_wider_than_half_a_millimetre() -> None:
    ring = dense_ring(np.asarray(spanner().exterior.coords)[:-1], 0.1)
    step = np.hypot(*np.diff(ring, axis=0, append=ring[:1]).T)
    assert step.max() < 0.7


@pytest.mark.parametrize("sigma", [0.05, 0.2])
def test_roughness_is_the_noise_put_in(sigma: float) -> None:
    points = ring_points(spanner(), 1.0)
    rng = np.random.default_rng(3)
    noisy = points + rng.normal(0, sigma, points.shape)
    # noise along the ring turns the normals and shows a little too: a tenth is allowed for it
    assert roughness_mm(noisy) == pytest.approx(sigma, rel=0.15)
    assert roughness_mm(points) < 0.01


def test_nearest_points_are_those_of_a_k_d_tree() -> None:
    random = np.random.default_rng(3)
    points, places = random.normal(size=(400, 2)), random.normal(size=(900, 2))
    assert np.array_equal(nearest_points(points, places), cKDTree(points).query(places)[1])
