"""Rings and contours against closed forms: circles, straight lines, and shapely's own measures."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import LinearRing, Polygon, box

from tests.parallax.multi_view.solids import ring as circle
from tracer.geometry.closed_rings import normals, resample
from tracer.parallax.multi_view.contours import Contour, rings_of, turns

MIDDLE = np.array([130.0, -70.0])
RADIUS = 20.0


def contour(points: np.ndarray, **options: object) -> Contour:
    return Contour([points], [np.full(len(points), 0.1)], **options)  # type: ignore[arg-type]


def test_lines_through_a_circle_cut_it_where_the_formula_says() -> None:
    """Of a chord at distance b from the middle half is sqrt(r^2 - b^2) long (Euclid III, 3)."""
    rng = np.random.default_rng(1)
    found = contour(MIDDLE + circle(RADIUS, 2000), spacing_mm=0.05)
    angle = rng.uniform(0, 2 * np.pi, 40)
    direction = np.column_stack([np.cos(angle), np.sin(angle)])
    across = np.column_stack([-direction[:, 1], direction[:, 0]])
    beside, along = rng.uniform(-0.9, 0.9, 40) * RADIUS, rng.uniform(-8, 8, 40)
    start = MIDDLE + beside[:, None] * across + along[:, None] * direction
    half = np.sqrt(RADIUS**2 - beside**2)
    for reach in (12.0, 40.0):
        hit = found.crossings(start, direction, reach)
        for k in range(40):
            wanted = [v for v in (-half[k] - along[k], half[k] - along[k]) if abs(v) <= reach]
            mine = np.sort(hit.offset_mm[hit.sample == k])
            assert mine == pytest.approx(wanted, abs=0.01)
    # each crossing lies on the segment that it names
    hit = found.crossings(start, direction, 40.0)
    at = start[hit.sample] + hit.offset_mm[:, None] * direction[hit.sample]
    ends = found.start_mm[hit.segment], found.end_mm[hit.segment]
    detour = sum(np.linalg.norm(at - end, axis=1) for end in ends)
    assert detour == pytest.approx(np.linalg.norm(ends[1] - ends[0], axis=1), abs=1e-9)


def test_a_line_beside_a_segment_does_not_cut_it() -> None:
    """Negative control: lines are cut with segments, not with the lines these lie on."""
    found = contour(np.array([[0.0, 0], [40, 0], [40, 40], [0, 40]]), spacing_mm=2.0)
    up = np.array([[0.0, 1.0]])
    assert sorted(found.crossings(np.array([[7.0, 3.0]]), up, 60.0).offset_mm) == [-3.0, 37.0]
    for x in (-0.5, 40.5):
        assert not len(found.crossings(np.array([[x, 3.0]]), up, 60.0).offset_mm)
    # a reach that just falls short, and one that just suffices
    assert not len(found.crossings(np.array([[7.0, 3.0]]), up, 2.99).offset_mm)
    assert len(found.crossings(np.array([[7.0, 3.0]]), up, 3.01).offset_mm) == 1


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=30, deadline=None)
def test_only_segments_whose_middle_is_kept_belong_to_the_contour(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(-15, 15, 2)
    keep = affinity.translate(box(x, y, x + 25, y + 30), *MIDDLE)
    points = MIDDLE + circle(RADIUS, 200) * rng.uniform(0.5, 1.0, 2)
    whole, part = contour(points), contour(points, keep=keep)
    middles = shapely.points((whole.start_mm + whole.end_mm) / 2)
    inside = shapely.within(middles, keep)
    assert np.array_equal(part.start_mm, whole.start_mm[inside])
    assert np.array_equal(part.end_mm, whole.end_mm[inside])
    assert np.array_equal(part.normal, whole.normal[inside])
    assert len(part.sigma_mm) == len(part) == inside.sum()


@pytest.mark.parametrize("spacing", [0.9, 3.0])
def test_samples_are_even_and_lie_on_the_ring(spacing: float) -> None:
    """Reference: `shapely.line_interpolate_point` on the same ring."""
    corners = MIDDLE + np.array([[0.0, 0], [50, 0], [50, 20], [30, 20], [30, 45], [0, 45]])
    ring = LinearRing(corners)
    (found,) = resample(corners, spacing)
    step = ring.length / len(found)
    assert step == pytest.approx(spacing, rel=0.5 / len(found) + 1e-9)
    wanted = shapely.line_interpolate_point(ring, step * np.arange(len(found)))
    assert found == pytest.approx(shapely.get_coordinates(wanted))


def test_what_is_carried_along_goes_straight_from_point_to_point_and_closes() -> None:
    corners = np.array([[0.0, 0], [40, 0], [40, 40], [0, 40]])
    points, carried = resample(corners, 1.0, np.array([0.0, 40.0, 80.0, 40.0]))
    # on this square the carried value is x + y, everywhere
    assert carried == pytest.approx(points.sum(axis=1))
    assert len(resample(corners / 100, 1.0)[0]) == 8


@pytest.mark.parametrize("clockwise", [False, True])
def test_normals_of_a_circle_are_its_radii(clockwise: bool) -> None:
    radii = circle(1.0, 90)
    ring, out = (radii[::-1], -radii[::-1]) if clockwise else (radii, radii)
    assert normals(MIDDLE + RADIUS * ring) == pytest.approx(out, abs=1e-12)
    assert turns(normals(ring)) == pytest.approx(np.full(90, 2 * np.pi / 90))


def test_turns_are_angles_between_neighbours_even_the_blunt_ones() -> None:
    angle = np.radians([0.0, 10, 40, 190, 350])
    found = turns(np.column_stack([np.cos(angle), np.sin(angle)]))
    assert np.degrees(found) == pytest.approx([10, 30, 150, 160, 10])


def test_a_segment_is_as_doubtful_as_the_worse_of_its_ends() -> None:
    corners = np.array([[0.0, 0], [40, 0], [40, 40], [0, 40]])
    found = Contour([corners], [np.array([0.1, 0.1, 0.5, 0.1])], spacing_mm=40.0 / 3)
    ends = np.stack([found.start_mm, found.end_mm])
    to_corner = shapely.distance(shapely.points(ends), shapely.points(40.0, 40.0))
    along = 0.5 - 0.4 * to_corner / 40.0  # falls off evenly to its neighbours
    along = np.where((ends > 1e-9).all(axis=2) | (ends == 40.0).any(axis=2), along, 0.1)
    assert found.sigma_mm == pytest.approx(np.maximum(along, 0.1).max(axis=0))


def test_rings_of_a_region_have_the_tool_on_their_left() -> None:
    region = Polygon(
        MIDDLE + circle(RADIUS)[::-1],
        [MIDDLE + circle(5.0), MIDDLE + circle(2.0) + np.array([0.0, 10.0])],
    )
    outer, *holes = rings_of(region)
    assert LinearRing(outer).is_ccw and len(holes) == 2
    assert not any(LinearRing(h).is_ccw for h in holes)
    for ring in (outer, *holes):
        even = resample(ring, 0.5)[0]
        beyond = shapely.points(even + 0.3 * normals(even))
        assert not region.intersects(shapely.MultiPoint(list(beyond)))
