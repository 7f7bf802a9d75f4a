"""The small parts under the solve of several photos, each against plain geometry or algebra."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon

from tests.parallax.multi_view.solids import bar, box, seen
from tracer.geometry.closed_rings import normals, resample
from tracer.geometry.rings import largest_polygon
from tracer.parallax.multi_view.contours import Contour, rings_of, turns
from tracer.parallax.multi_view.cyclic_band import CyclicBand
from tracer.parallax.multi_view.edges import Camera
from tracer.parallax.multi_view.mending import bridged
from tracer.parallax.multi_view.observation import Observation
from tracer.parallax.multi_view.oneheight import at_height, search_height
from tracer.parallax.multi_view.outliers import same_shape
from tracer.parallax.multi_view.start import back_to_sheet, majority
from tracer.parallax.multi_view.sweep import STEP_PRICE, closed_path


def circle(radius: float, count: int = 200) -> np.ndarray:
    angle = 2 * np.pi * np.arange(count) / count
    return radius * np.column_stack([np.cos(angle), np.sin(angle)])


def test_normals_point_out_of_exteriors_and_into_holes() -> None:
    region = Polygon(circle(30), [circle(10)])
    outer, hole = rings_of(region)
    assert np.allclose(normals(outer), outer / 30, atol=1e-3)
    assert np.allclose(normals(hole), -hole / 10, atol=1e-2)


def test_resample_keeps_length_and_carries_values() -> None:
    ring = circle(20)
    points, angle = resample(ring, 1.0, np.arange(200) / 200)
    step = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    assert np.ptp(step) < 1e-3
    assert Polygon(points).length == pytest.approx(2 * np.pi * 20, rel=1e-3)
    inner = slice(2, -2)  # the value jumps where the ring closes
    true = np.arctan2(points[:, 1], points[:, 0]) / (2 * np.pi) % 1
    assert np.allclose(angle[inner], true[inner], atol=5e-3)


def test_turns_of_a_square_are_right_angles() -> None:
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1.0]])
    sides = np.roll(square, -1, axis=0) - square
    assert turns(sides) == pytest.approx(np.full(4, np.pi / 2))


@given(st.floats(0, 2 * np.pi), st.floats(-20, 20), st.floats(-20, 20))
@settings(max_examples=40, deadline=None)
def test_crossings_are_those_of_a_geometry_library(angle: float, x: float, y: float) -> None:
    """shapely's intersection of the same line with the same ring."""
    ring = circle(15) * [1.0, 0.6]
    contour = Contour([ring], [np.full(len(ring), 0.1)])
    n = np.array([[np.cos(angle), np.sin(angle)]])
    hit = contour.crossings(np.array([[x, y]]), n, 12.0)
    line = LineString([(x - 12 * n[0, 0], y - 12 * n[0, 1]), (x + 12 * n[0, 0], y + 12 * n[0, 1])])
    segments = shapely.linestrings(np.stack([contour.start_mm, contour.end_mm], axis=1))
    met = shapely.get_coordinates(shapely.intersection(segments, line))
    expected = np.sort((met - [x, y]) @ n[0])
    found = np.sort(hit.offset_mm)
    # a line through a joint of two segments may count once or twice
    assert np.allclose(np.unique(found.round(5)), np.unique(expected.round(5)), atol=2e-5)


def test_what_the_frame_cuts_is_no_contour() -> None:
    ring = circle(15)
    whole = Contour([ring], [np.full(200, 0.1)])
    half = Contour([ring], [np.full(200, 0.1)], keep=shapely.box(-50, 0, 50, 50))
    assert len(half) == pytest.approx(len(whole) / 2, abs=2)
    assert half.start_mm[:, 1].min() > -1


@pytest.mark.parametrize("count", [8, 9, 40])
def test_banded_solve_of_a_ring_is_the_dense_one(count: int) -> None:
    """numpy's dense solver on the same normal equations."""
    rng = np.random.default_rng(count)
    diagonal = np.einsum("nij,nkj->nik", *(rng.normal(size=(1, count, 3, 3)).repeat(2, axis=0)))
    diagonal += 40 * np.eye(3)
    one, two = rng.normal(size=(count, 3)), rng.normal(size=count)
    rhs = rng.normal(size=(count, 3))
    dense = np.zeros((3 * count, 3 * count))
    for j in range(count):
        a, b, c = 3 * j, 3 * ((j + 1) % count), 3 * ((j + 2) % count)
        dense[a : a + 3, a : a + 3] += diagonal[j]
        for k in range(3):
            dense[a + k, b + k] += one[j, k]
            dense[b + k, a + k] += one[j, k]
        dense[a, c] += two[j]
        dense[c, a] += two[j]
    found = CyclicBand(count).solve(diagonal, one[:, 0], one[:, 1:], two, rhs)
    assert np.allclose(found.ravel(), np.linalg.solve(dense, rhs.ravel()), atol=1e-9)


def test_short_gaps_are_bridged_straight_and_long_ones_left() -> None:
    points = np.column_stack([np.arange(40.0), np.zeros(40)])
    points[3:6, 1], points[20:35, 1] = 5.0, 5.0
    missing = points[:, 1] > 0
    out = bridged(points, missing, 1.0, 12.0)
    assert np.allclose(out[:20, 1], 0.0)
    assert np.allclose(out[20:35, 1], 5.0)


def test_one_height_of_a_bar_is_its_axis() -> None:
    """A round bar's seen edges lie near the height of its axis, from wherever it is seen."""
    cameras = [
        Camera(np.array(c), 1500.0) for c in ([0.0, -100.0], [-300.0, 200.0], [300.0, 250.0])
    ]
    pieces = [bar(-60, 60, 0, 18, 18)]
    shapes = [seen(pieces, np.append(c.nadir_mm, c.height_mm)) for c in cameras]
    found = search_height(shapes, cameras)
    assert found.z_mm == pytest.approx(18.0, abs=4.0)
    # a plate: its own height, or lower where its foot is seen
    plate = [box(-60, -20, 60, 20, 0, 3)]
    shapes = [seen(plate, np.append(c.nadir_mm, c.height_mm)) for c in cameras]
    assert 0 <= search_height(shapes, cameras).z_mm < 4


def test_carrying_up_and_back_is_nothing() -> None:
    camera = Camera(np.array([120.0, -80.0]), 1400.0)
    observation = Observation(0, camera, (), Polygon(), True)
    region = Point(30, 40).buffer(25)
    there = at_height(region, camera, 37.0)
    assert there.area == pytest.approx(region.area * (1 - 37 / 1400) ** 2)
    assert back_to_sheet(there, observation, 37.0).symmetric_difference(region).area < 1e-6


def test_majority_of_three_is_what_two_cover() -> None:
    a, b, c = shapely.box(0, 0, 10, 10), shapely.box(5, 0, 15, 10), shapely.box(0, 5, 15, 15)
    two = shapely.union_all([a & b, b & c, a & c])
    assert majority([a, b, c]).symmetric_difference(two).area < 1e-9
    assert majority([a, b]).equals(a & b)
    assert majority([a, a, a, b]).equals(a)


def test_majority_of_mended_regions_is_area_alone() -> None:
    """Mending a ring with a spike leaves a polygon and a line in one collection."""
    spiked = Polygon([(0, 0), (10, 0), (10, 10), (5, 10), (5, 14), (5, 10), (0, 10)])
    mixed = shapely.make_valid(spiked)
    assert mixed.geom_type == "GeometryCollection"
    crossing = shapely.affinity.translate(mixed, 4, 2)
    for regions in ([mixed, crossing], [mixed, crossing, mixed], [crossing, mixed, crossing]):
        vote = majority(regions)
        assert vote.geom_type in ("Polygon", "MultiPolygon")
    assert majority([mixed, crossing]).area == pytest.approx(6 * 8)
    assert majority([mixed, mixed, crossing]).area == pytest.approx(100)


def test_same_shape_knows_a_turned_tool_and_no_other() -> None:
    hook = largest_polygon(
        shapely.union_all([shapely.box(0, 0, 100, 12), shapely.box(0, 0, 12, 45)])
    )
    turned = shapely.affinity.rotate(hook, 131, origin=(0, 0))
    assert same_shape(hook, shapely.affinity.translate(turned, 300, -50)) > 0.9
    mirrored = shapely.affinity.scale(hook, -1, 1)
    assert same_shape(hook, mirrored) < 0.72
    assert same_shape(hook, shapely.box(0, 0, 100, 12)) < 0.72


def test_closed_path_is_the_cheapest_of_all() -> None:
    """Against trying every path of a ring of six samples and three heights."""
    rng = np.random.default_rng(5)
    heights = np.array([0.0, 4.0, 30.0])
    agree = 0
    for _ in range(20):
        cost = rng.uniform(size=(6, 3))
        step = STEP_PRICE * np.minimum(np.abs(heights[:, None] - heights) / 10, 1)

        def price(path, cost=cost, step=step) -> float:
            ahead = np.roll(path, -1)
            return float(cost[np.arange(6), path].sum() + step[path, ahead].sum())

        best = min(price(np.array(p)) for p in product(range(3), repeat=6))
        agree += price(closed_path(cost, heights)) < best + 1e-9
    assert agree >= 18  # the seam is run over twice, not closed exactly
