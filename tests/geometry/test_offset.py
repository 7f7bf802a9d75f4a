"""Offsets and cutter radius against the geometry of buffers and corners."""

from __future__ import annotations

import math

import pytest
import shapely
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from tracer.geometry.offset import cut_relief, grown, opened, shortfall, thin_gaps


def wedge(angle_deg: float, leg: float = 60.0) -> Polygon:
    """A triangle with its tip at the origin."""
    half = math.radians(angle_deg) / 2
    return Polygon(
        [
            (0, 0),
            (leg * math.cos(half), -leg * math.sin(half)),
            (leg * math.cos(half), leg * math.sin(half)),
        ]
    )


def test_growing_outside_never_falls_short() -> None:
    corner = Point(0, 0)
    true = math.pi * 100
    assert grown(corner, 10).area < true < grown(corner, 10, outside=True).area
    # chords of 32 to the quarter stand off by r (1 - cos(pi / 128)): 0.003 mm at 10 mm
    assert grown(corner, 10, outside=True).area == pytest.approx(true, rel=1e-3)


@pytest.mark.parametrize("angle_deg", [40.0, 60.0, 90.0, 120.0])
@pytest.mark.parametrize("radius", [1.5, 3.0, 6.0])
def test_a_round_cutter_leaves_what_the_corner_formula_says(
    angle_deg: float, radius: float
) -> None:
    # the circle that touches both sides has its rim r (1 / sin(a / 2) - 1) from the tip (geometry)
    expected = radius * (1 / math.sin(math.radians(angle_deg) / 2) - 1)
    distance = opened(wedge(angle_deg), radius).distance(Point(0, 0))
    assert distance == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(("clearance", "inside"), [(0.87, False), (0.89, True)])
def test_a_right_angle_fits_from_the_known_clearance_on(clearance: float, inside: bool) -> None:
    # c >= r (1 - sin(a / 2)): 3 (1 - 0.70711) = 0.8787
    square = box(0, 0, 60, 40)
    pocket = opened(grown(square, clearance), 3.0)
    assert (shortfall(square, pocket)[0] < 0.004) is inside


@pytest.mark.parametrize("angle_deg", [35.0, 60.0, 90.0])
def test_relief_holds_the_tip_and_is_reachable(angle_deg: float) -> None:
    region = affinity.rotate(wedge(angle_deg), 33, origin=(0, 0))
    radius = 3.0
    reach = opened(region, radius)
    enlarged, parts = cut_relief(region, reach, grown(region, -radius), radius)
    assert len(parts) == 3
    assert region.difference(enlarged).area < 1e-3
    # opening what the cutter made by the cutter (a hair smaller, for its chords) changes nothing
    assert enlarged.difference(opened(enlarged, radius - 0.02)).area < 0.02


def test_a_bar_thinner_than_the_cutter_gets_a_lane() -> None:
    bar = box(0, 0, 80, 3)
    enlarged, _ = cut_relief(bar, opened(bar, 3.0), grown(bar, -3.0), 3.0)
    assert bar.difference(enlarged).area < 1e-3
    assert enlarged.difference(opened(enlarged, 2.98)).area < 0.05
    # the lane is the cutter's width, not much more
    assert 6.0 <= enlarged.bounds[3] - enlarged.bounds[1] <= 7.5


def test_shortfall_is_a_distance_with_its_place() -> None:
    value, place = shortfall(box(0, 0, 10, 10), box(-1, -1, 8, 11))
    assert value == pytest.approx(2.0)
    assert place[0] == pytest.approx(10.0)
    assert shortfall(box(1, 1, 2, 2), box(0, 0, 3, 3))[0] == 0.0


def test_tongues_are_found_and_corners_are_not() -> None:
    fork = box(0, 0, 60, 30).difference(box(20, 12, 61, 16))
    gaps = thin_gaps(fork, 5.0)
    assert len(gaps) == 1
    assert gaps[0].area == pytest.approx(160, rel=0.05)
    assert thin_gaps(fork, 3.5) == []
    corner = box(0, 0, 60, 30).difference(box(30, 15, 61, 31))
    assert thin_gaps(corner, 5.0) == []


def test_a_distance_of_next_to_nothing_changes_nothing() -> None:
    assert shapely.equals(grown(box(0, 0, 30, 4), 2e-311, outside=True), box(0, 0, 30, 4))


def test_opening_nothing_is_nothing() -> None:
    assert opened(box(0, 0, 2, 50), 3.0).is_empty
    assert shapely.equals(opened(box(0, 0, 2, 50), 0.0), box(0, 0, 2, 50))
