"""The best shift and turn, against the exact optimum."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely.geometry import box

from tests.geometry.shapes import spanner
from tests.panel.pocket.errors import exact_clearance, simulated_errors
from tracer.geometry.widen import ring_samples
from tracer.panel.pocket.settling import least_clearance

CORRELATION_MM = 20.0


def test_the_quick_optimum_is_close_to_the_exact_one_and_never_below() -> None:
    errors, moves = simulated_errors(box(0, 0, 160, 30), 40, seed=3, near_mm=CORRELATION_MM)
    quick = least_clearance(errors, moves)
    exact = np.array([exact_clearance(error, moves) for error in errors])
    assert (quick >= exact - 1e-6).all()
    assert (quick - exact).mean() < 0.02


def test_settling_needs_less_room_than_being_held() -> None:
    errors, moves = simulated_errors(box(0, 0, 160, 30), 300, seed=5, near_mm=CORRELATION_MM)
    settled = np.quantile(least_clearance(errors, moves), 0.9)
    assert 0.6 < settled / np.quantile(errors.max(axis=1), 0.9) < 0.9


def test_a_common_shift_costs_nothing() -> None:
    points, normals, _ = ring_samples(spanner(), 2.0)
    shift = normals @ np.array([1.7, -0.6])
    moves = np.column_stack([normals, normals[:, 1] * points[:, 0] - normals[:, 0] * points[:, 1]])
    assert abs(least_clearance(shift, moves)[0]) < 0.03
    # a sign turned round in the errors is not a shift any more: what was room is none
    assert least_clearance(np.abs(shift), moves)[0] > 0.3


def test_normals_point_outward() -> None:
    points, normals, _ = ring_samples(spanner(), 5.0)
    step = shapely.points(points + 0.5 * normals)
    outside = ~shapely.contains(spanner(), step)
    # at the jaw's sharp tips a chord's normal may point along the metal
    assert outside.mean() > 0.97
    assert np.hypot(*normals.T) == pytest.approx(1.0)
