"""Laying outlines over one another.

Second moments are checked against the closed forms of the rectangle (a b^3 / 12; any handbook of
mechanics) and against a raster sum; alignment against motions that were put in.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from tracer.geometry.compare import Motion, boundary_distance
from tracer.geometry.register import (
    ends_of,
    hanging_point,
    long_axis,
    mirrored_region,
    point_motion,
    register,
)

#: a driver: grip 30 wide on the left, shank 6 wide; an offset flat makes it one-handed
DRIVER = box(-50, -15, 30, 15).union(box(29, -3, 150, 3)).union(box(140, -3, 150, 8))
SPANNER = (
    box(0, -5, 160, 5).union(Point(0, 0).buffer(12)).union(Point(160, 3).buffer(15))
).difference(Point(0, 0).buffer(7))
ROD = box(0, 0, 160, 30)


def noisy(region: Polygon, sigma_mm: float, seed: int) -> Polygon:
    """Push the boundary in and out by smooth noise, as two photos of one tool would differ."""
    rng = np.random.default_rng(seed)
    dense = region.segmentize(1.0)

    def ring(coords: np.ndarray) -> np.ndarray:
        push = np.convolve(rng.normal(0, 1, len(coords) + 8), np.ones(9) / 3, "valid")
        return coords + sigma_mm * push[:, None] * rng.choice([-1, 1]) / 1.0

    outer = ring(np.asarray(dense.exterior.coords)[:-1])
    return Polygon(outer, [np.asarray(h.coords)[:-1] for h in dense.interiors]).buffer(0)


def test_moments_of_a_rectangle() -> None:
    centre, angle, elongation = long_axis(affinity.rotate(ROD, 25, origin=(0, 0)))
    expected = Motion(np.radians(25)).points([[80, 15]])[0]
    assert centre == pytest.approx(expected, abs=1e-9)
    assert np.degrees(angle) == pytest.approx(25)
    assert elongation == pytest.approx(1 - (30 / 160) ** 2)


def test_moments_of_a_region_with_a_hole_against_a_raster() -> None:
    step = 0.1
    x, y = np.meshgrid(np.arange(-19.95, 180, step), np.arange(-19.95, 25, step))
    from shapely import contains_xy

    inside = contains_xy(SPANNER, x, y)
    points = np.column_stack([x[inside], y[inside]])
    values, vectors = np.linalg.eigh(np.cov(points.T))
    centre, angle, elongation = long_axis(SPANNER)
    assert centre == pytest.approx(points.mean(axis=0), abs=0.02)  # raster of 0.1 mm
    direction = vectors[:, 1] * np.sign(vectors[0, 1])
    assert angle == pytest.approx(np.arctan2(direction[1], direction[0]), abs=1e-3)
    assert elongation == pytest.approx(1 - values[0] / values[1], abs=1e-3)


@pytest.mark.parametrize("turn", [0, 50, 130, 180, 300])
def test_the_handle_end_is_the_wide_one(turn: float) -> None:
    ends = ends_of(affinity.rotate(DRIVER, turn, origin=(0, 0)))
    assert ends.has_handle
    handle = Motion(-np.radians(turn)).points([ends.handle_mm])[0]
    assert handle == pytest.approx([-50, 0], abs=2)  # the flat turns the axis a little
    difference = ends.angle_rad - np.radians(turn)
    assert np.cos(difference) > 0.99


def test_a_rod_has_no_handle() -> None:
    assert not ends_of(ROD).has_handle


@settings(max_examples=15, deadline=None)
@given(st.floats(-np.pi, np.pi), st.floats(-200, 200), st.floats(-200, 200), st.booleans())
def test_a_motion_is_found_again(angle: float, dx: float, dy: float, mirror: bool) -> None:
    moved = Motion(angle, (dx, dy)).region(mirrored_region(DRIVER) if mirror else DRIVER)
    found = register(moved, DRIVER)
    assert found.mirrored == mirror
    assert found.mean_mm < 0.01
    assert found.turn_is_clear
    back = found.motion.region(mirrored_region(moved) if mirror else moved)
    assert boundary_distance(back, DRIVER).max_mm < 0.05


def test_noise_is_not_taken_for_another_face() -> None:
    # a rod is its own mirror image: nothing may be claimed from noise
    found = register(Motion(1.0, (5, 7)).region(noisy(ROD, 0.1, 3)), ROD)
    assert not found.mirrored
    assert found.turned_ratio > 0.6
    assert not found.turn_is_clear
    assert found.mean_mm < 0.3


def test_the_same_tool_with_noise_is_placed_well() -> None:
    found = register(Motion(2.0, (30, -40)).region(noisy(SPANNER, 0.12, 1)), SPANNER)
    placed = found.motion.region(Motion(2.0, (30, -40)).region(SPANNER))
    # 0.12 mm of smooth contour noise, averaged over some 40 independent stretches
    assert boundary_distance(placed, SPANNER).mean_mm < 0.12
    assert not found.mirrored


def test_point_and_direction() -> None:
    motion = point_motion((10, 5), 0.3, (-4, 8), 1.5)
    assert motion.points([(10, 5)])[0] == pytest.approx((-4, 8))
    assert motion.angle_rad == pytest.approx(1.2)


def test_hanging_point() -> None:
    point = hanging_point(SPANNER)
    assert point is not None
    assert point.distance(Point(0, 0)) < 0.01
    assert hanging_point(ROD) is None
