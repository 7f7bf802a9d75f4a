"""Comparing outlines: against closed forms and shapely."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import MultiPolygon, Point, Polygon, box

from tracer.geometry.compare import (
    Motion,
    align,
    boundary_distance,
    filled,
    hausdorff_mm,
    iou,
    sample_boundary,
    scale_between,
    width_mm,
)

SPANNER = Polygon(
    [(0, 0), (150, -4), (160, -14), (185, -10), (178, 0), (186, 10), (160, 14), (150, 6), (0, 9)]
)
LAY = [
    SPANNER,
    affinity.translate(SPANNER, 20, 70),
    affinity.translate(box(0, 0, 60, 35), 300, 40),
    Point(330, -50).buffer(25),
]


def test_concentric_circles_are_their_radii_apart() -> None:
    small, large = Point(3, 4).buffer(20, 256), Point(3, 4).buffer(21.5, 256)
    d = boundary_distance(small, large)
    # a 1024-gon lies within r (1 - cos(pi/1024)) = 1e-4 mm of its circle
    assert (d.mean_mm, d.p95_mm, d.max_mm) == pytest.approx((1.5, 1.5, 1.5), abs=3e-4)
    assert d.signed_mm == pytest.approx(-1.5, abs=3e-4)
    assert boundary_distance(large, small).signed_mm == pytest.approx(1.5, abs=3e-4)


def test_mean_is_the_mean_of_both_directions() -> None:
    plain, finned = box(0, 0, 100, 10), box(0, 0, 100, 10).union(box(49, 10, 51, 40))
    d, back = boundary_distance(plain, finned), boundary_distance(finned, plain)
    assert d.mean_mm == pytest.approx(back.mean_mm)
    # from the fin: two sides of 30 mm, on average 15 away, and its top of 2 mm at 30 away, over
    # 280 mm of boundary; from the plain side: 2 mm at most 1 away
    assert d.mean_mm == pytest.approx((960 / 280 + 1 / 220) / 2, rel=0.02)
    assert d.max_mm == pytest.approx(30, abs=0.26)  # half the spacing


def test_hausdorff_agrees_with_shapely() -> None:
    other = affinity.rotate(SPANNER, 3)
    expected = shapely.hausdorff_distance(SPANNER.exterior, other.exterior, densify=0.001)
    assert hausdorff_mm(SPANNER, other) == pytest.approx(expected, abs=0.25)


def test_overlap_agrees_with_areas_by_hand() -> None:
    assert iou(box(0, 0, 2, 1), box(1, 0, 3, 1)) == pytest.approx(1 / 3)
    assert iou(Polygon(), Polygon()) == 0


def test_width_of_an_id1_card() -> None:
    # ISO/IEC 7810 ID-1: 85.60 x 53.98 mm
    card = affinity.rotate(box(0, 0, 85.60, 53.98), 21.3)
    assert width_mm(card) == pytest.approx((85.60, 53.98))


def test_filled_takes_the_largest_part_without_holes() -> None:
    ring = box(0, 0, 10, 10).difference(box(4, 4, 6, 6))
    assert filled(MultiPolygon([ring, box(20, 20, 21, 21)])).area == pytest.approx(100)
    assert filled(Polygon()).is_empty


def test_samples_are_equally_spaced_on_every_ring() -> None:
    ring = box(0, 0, 10, 10).difference(box(4, 4, 6, 6))
    points = sample_boundary(ring, 0.5)
    assert len(points) == 80 + 16
    assert shapely.distance(shapely.points(points), ring.boundary).max() < 1e-12


def test_empty_region_is_refused() -> None:
    with pytest.raises(ValueError, match="empty"):
        boundary_distance(Polygon(), box(0, 0, 1, 1))
    with pytest.raises(ValueError, match="nothing"):
        align([])


@settings(max_examples=15, deadline=None)
@given(
    angle=st.floats(-0.05, 0.05),
    x=st.floats(-8, 8),
    y=st.floats(-8, 8),
)
def test_alignment_finds_a_known_motion(angle: float, x: float, y: float) -> None:
    motion = Motion(angle, (x, y))
    found = align([(tool, motion.region(tool)) for tool in LAY])
    # the stopping step is 1e-6 at the rim; the start lies within half of a tool's width
    assert found.angle_rad == pytest.approx(angle, abs=1e-7)
    assert found.shift_mm == pytest.approx((x, y), abs=1e-4)
    assert found.scale == 1


def test_alignment_is_not_pulled_by_a_wrong_tool() -> None:
    motion = Motion(0.02, (3.0, -2.0))
    pairs = [(tool, motion.region(tool)) for tool in LAY]
    pairs[2] = (pairs[2][0].buffer(4), affinity.translate(pairs[2][1], 5, 0))
    found = align(pairs)
    corner = np.array([[180.0, 20.0]])
    assert np.abs(found.points(corner) - motion.points(corner)).max() < 0.05


def test_alignment_keeps_the_scale_and_the_similarity_finds_it() -> None:
    pairs = [(affinity.scale(t, 1.003, 1.003, origin=(0, 0)), t) for t in LAY]
    assert align(pairs).scale == 1
    assert scale_between(pairs) == pytest.approx(1 / 1.003, abs=1e-6)


def test_alignment_never_mirrors() -> None:
    pairs = [(t, affinity.scale(t, 1, -1, origin=(0, 0))) for t in LAY[:2]]
    assert np.linalg.det(align(pairs).matrix) == pytest.approx(1)


def test_motions_chain() -> None:
    first, second = Motion(0.3, (1, 2), 1.1), Motion(-1.2, (-4, 0.5), 0.9)
    points = np.array([[3.0, -7.0], [0.0, 1.0]])
    chained = first.then(second).points(points)
    assert chained == pytest.approx(second.points(first.points(points)))
