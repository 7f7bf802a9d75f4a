"""Propagated standard deviations against simulated draws."""

from __future__ import annotations

import numpy as np
import pytest

from tracer.parallax.shared.uncertainty import (
    class_sigma_mm,
    height_sigma_edge_mm,
    pose_sigma_mm,
    typical_sigma_mm,
)

DRAWS = 40_000
RELATIVE = 0.03  # four standard errors of a standard deviation from so many draws


def test_pose_and_height_against_draws() -> None:
    rng = np.random.default_rng(1)
    q, n = np.array([420.0, -130.0]), np.array([0.8, 0.6])
    nadir, H, z, f, sigma_h = np.array([30.0, 20.0]), 1200.0, 18.0, 0.6, 2.0
    root = np.array([[6.0, 0, 0], [1.0, 4.0, 0], [0.5, -2.0, 9.0]])
    cov = root @ root.T
    draw = rng.normal(size=(DRAWS, 3)) @ root.T
    zs = z + f * sigma_h * rng.normal(size=DRAWS)
    p = q - (q - (nadir + draw[:, :2])) * (zs / (H + draw[:, 2]))[:, None]
    rho = np.array([(q - nadir) @ n])
    predicted = np.hypot(
        pose_sigma_mm(rho, n[None], [z], H, cov), height_sigma_edge_mm(rho, H, f, sigma_h)
    )
    assert np.std(p @ n) == pytest.approx(predicted[0], rel=RELATIVE)
    # each term matters here: leaving one out must show
    assert pose_sigma_mm(rho, n[None], [z], H, cov)[0] < 0.95 * predicted[0]


def test_worked_example() -> None:
    # edge at full height, 300 from the nadir, 1500 up: typed 2 too low moves it by 0.40 mm;
    # nadir off by 28 mm with h 30: 0.56 mm along the edge's normal
    assert height_sigma_edge_mm([300.0], 1500.0, 1.0, 2.0)[0] == pytest.approx(0.40)
    cov = np.diag([28.0**2, 0, 0])
    assert pose_sigma_mm([300.0], [[1.0, 0.0]], [30.0], 1500.0, cov)[0] == pytest.approx(0.56)


def test_class_scatter_is_even_on_both_sides() -> None:
    assert class_sigma_mm([-300.0, 300.0], 1500.0, 30.0, 0.2) == pytest.approx([1.2, 1.2])


def test_no_covariance_adds_nothing() -> None:
    assert pose_sigma_mm([100.0, 200.0], np.eye(2), [5.0, 5.0], 1000.0, None).tolist() == [0, 0]


def test_typical_sigma_weighs_by_length() -> None:
    # a ring with one long side: three quarters of the length belong to the first two vertices
    ring = np.array([[0, 0], [100, 0], [100, 1], [0, 1.0]])
    assert typical_sigma_mm([0.3, 0.3, 0.3, 0.3], ring) == pytest.approx(0.3)
    dense = np.vstack([np.column_stack([np.linspace(0, 1, 200), np.zeros(200)]), [[100, 0]]])
    sigma = np.r_[np.full(200, 9.0), 1.0]
    assert typical_sigma_mm(sigma, dense) < 7  # the unweighted figure would be 8.98
