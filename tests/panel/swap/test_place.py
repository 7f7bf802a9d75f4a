"""Laying a new tool into an old one's place."""

from __future__ import annotations

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from tracer.errors import UsageError
from tracer.geometry.compare import Motion, boundary_distance
from tracer.geometry.register import ends_of, hanging_point, mirrored_region
from tracer.panel.swap.place import Rule, place_new, same_tool

#: a driver with a flat on one side, so that neither a turn nor a mirror image leaves it unchanged
DRIVER = box(-50, -15, 30, 15).union(box(29, -3, 150, 3)).union(box(120, -3, 150, 8))
LONGER = box(-70, -16, 30, 16).union(box(29, -4, 170, 4)).union(box(140, -4, 170, 9))
HUNG = DRIVER.difference(Point(-40, 0).buffer(4))
MOVED = Motion(2.2, (300.0, -120.0))


def test_the_same_kind_of_tool_is_overlaid() -> None:
    placed = place_new(MOVED.region(DRIVER), DRIVER)
    assert placed.rule is Rule.OVERLAY
    assert boundary_distance(placed.region, DRIVER).max_mm < 0.05
    assert not placed.mirrored


def test_a_picture_of_the_other_face_is_recognised() -> None:
    placed = place_new(MOVED.region(mirrored_region(DRIVER)), DRIVER)
    assert placed.mirrored
    assert boundary_distance(placed.region, DRIVER).max_mm < 0.05


def test_handle_over_handle() -> None:
    placed = place_new(MOVED.region(LONGER), DRIVER, rule=Rule.HANDLE)
    mine, theirs = ends_of(placed.region), ends_of(DRIVER)
    assert mine.handle_mm == pytest.approx(theirs.handle_mm, abs=0.1)
    assert np.cos(mine.angle_rad - theirs.angle_rad) > 0.9999


def test_centre_over_centre() -> None:
    placed = place_new(MOVED.region(LONGER), DRIVER, rule=Rule.CENTRE)
    assert placed.region.centroid.distance(DRIVER.centroid) < 1e-6
    assert np.cos(ends_of(placed.region).angle_rad - ends_of(DRIVER).angle_rad) > 0.9999


def test_hanging_hole_over_hanging_hole() -> None:
    placed = place_new(MOVED.region(HUNG), HUNG, rule=Rule.HANG)
    holes = hanging_point(placed.region), hanging_point(HUNG)
    assert holes[0] is not None and holes[1] is not None
    assert holes[0].distance(holes[1]) < 1e-6
    with pytest.raises(UsageError) as caught:
        place_new(DRIVER, HUNG, rule=Rule.HANG)
    assert caught.value.slug == "swap-rule-impossible"


def test_as_laid_needs_the_old_cards() -> None:
    lying = affinity.translate(LONGER, 3, 2)
    assert place_new(lying, DRIVER, same_frame=True).region.equals(lying)
    with pytest.raises(UsageError):
        place_new(lying, DRIVER, rule=Rule.AS_LAID)


def test_typed_shift_and_turn_come_last() -> None:
    plain = place_new(MOVED.region(DRIVER), DRIVER)
    typed = place_new(MOVED.region(DRIVER), DRIVER, shift_mm=(4.0, -3.0), turn_rad=np.pi)
    expected = affinity.translate(affinity.rotate(plain.region, 180, origin="centroid"), 4, -3)
    assert boundary_distance(typed.region, expected).max_mm < 1e-6
    again = typed.motion.region(MOVED.region(DRIVER))
    assert boundary_distance(again, typed.region).max_mm < 1e-6


def test_a_socket_for_a_socket() -> None:
    placed = place_new(Point(500, 80).buffer(17), Point(10, 20).buffer(16))
    assert placed.region.centroid.distance(Point(10, 20)) < 0.2
    assert not placed.mirrored


def test_same_tool_within_its_uncertainty() -> None:
    other: Polygon = DRIVER.buffer(0.15)
    assert same_tool(other, DRIVER, 0.15)[0]
    assert not same_tool(DRIVER.buffer(0.5), DRIVER, 0.15)[0]
    bump = DRIVER.union(Point(0, 15).buffer(2))  # a small clip: most of the edge agrees
    same, largest = same_tool(bump, DRIVER, 0.15)
    assert not same
    assert largest == pytest.approx(2.0, abs=0.05)
