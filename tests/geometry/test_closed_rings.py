"""The toolkit of closed rings against shapely, and against shapes whose figures are known."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import LinearRing, LineString, Polygon

from tracer.geometry.closed_rings import (
    along,
    normals,
    places,
    resample,
    runs,
    sides,
    signed_area,
    smoothed,
    to_the_right,
)

Array = np.ndarray


def star(seed: int) -> Array:
    """A ring of 5 to 30 points about a middle, not convex, either way round, not at the origin."""
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, rng.integers(5, 31)))
    radius = rng.uniform(10, 60, len(angle))
    ring = np.column_stack([np.cos(angle), np.sin(angle)]) * radius[:, None] + rng.uniform(
        -99, 99, 2
    )
    return ring[::-1] if rng.random() < 0.5 else ring


def circle(count: int) -> Array:
    angle = 2 * np.pi * np.arange(count) / count
    return np.column_stack([np.cos(angle), np.sin(angle)])


seeds = st.integers(0, 2**32 - 1)


@given(seeds)
def test_length_and_area_are_shapelys(seed: int) -> None:
    ring = star(seed)
    there = LinearRing(ring)
    assert runs(ring)[-1] == pytest.approx(there.length)
    assert sides(ring).sum() == pytest.approx(there.length)
    assert along(ring)[-1] == pytest.approx(LineString(ring).length)
    wanted = Polygon(ring).area if Polygon(ring).is_valid else signed_area(ring)
    assert abs(signed_area(ring)) == pytest.approx(abs(wanted))
    assert signed_area(ring[::-1]) == pytest.approx(-signed_area(ring))
    if Polygon(ring).is_valid:
        assert (signed_area(ring) > 0) is there.is_ccw


@given(seeds)
def test_runs_are_where_shapely_projects_the_points(seed: int) -> None:
    ring = star(seed)
    back = shapely.line_locate_point(LinearRing(ring), shapely.points(ring))
    assert runs(ring)[:-1] == pytest.approx(back, abs=1e-6)


@given(seeds)
def test_places_are_shapelys_any_number_of_times_round(seed: int) -> None:
    ring, rng = star(seed), np.random.default_rng(seed)
    length = LinearRing(ring).length
    at = rng.uniform(0, length, 20)
    wanted = shapely.get_coordinates(shapely.line_interpolate_point(LinearRing(ring), at))
    for turns in (-2, 0, 3):
        assert places(ring, at + turns * length)[0] == pytest.approx(wanted, abs=1e-6)


@given(seeds, st.floats(0.3, 20.0), st.integers(3, 12))
def test_samples_are_even_and_begin_with_the_ring(seed: int, spacing: float, least: int) -> None:
    ring = star(seed)
    (found,) = resample(ring, spacing, least=least)
    length = LinearRing(ring).length
    assert len(found) == max(least, round(length / spacing))
    at = np.arange(len(found)) * length / len(found)
    wanted = shapely.get_coordinates(shapely.line_interpolate_point(LinearRing(ring), at))
    assert found == pytest.approx(wanted, abs=1e-6)
    assert found[0] == pytest.approx(ring[0])


@given(seeds)
def test_carried_values_go_straight_from_point_to_point(seed: int) -> None:
    """A linear function of the place is carried as itself, over the closing side, too."""
    ring = star(seed)
    points, one, other = resample(ring, 1.0, ring @ [2.0, -1.0], ring @ [0.5, 3.0])
    assert one == pytest.approx(points @ [2.0, -1.0])
    assert other == pytest.approx(points @ [0.5, 3.0])
    assert np.isnan(places(ring, [1.0], np.full(len(ring), np.nan))[1]).all()


@given(seeds, st.floats(-3.1, 3.1), st.floats(0.2, 5.0), st.integers(0, 30))
def test_nothing_depends_on_frame_scale_or_where_a_ring_begins(seed, angle, scale, first) -> None:
    ring = star(seed)
    line = LinearRing(ring)
    turned = affinity.scale(
        affinity.rotate(line, angle, origin=(0, 0), use_radians=True), scale, scale, origin=(0, 0)
    )
    there = shapely.get_coordinates(turned)[:-1]
    assert runs(there) == pytest.approx(scale * runs(ring))
    assert signed_area(there) == pytest.approx(scale**2 * signed_area(ring))
    c, s = np.cos(angle), np.sin(angle)
    wanted = normals(ring) @ np.array([[c, s], [-s, c]])
    assert normals(there) == pytest.approx(wanted, abs=1e-6)
    rolled = np.roll(ring, first, axis=0)
    assert normals(rolled) == pytest.approx(np.roll(normals(ring), first, axis=0))
    assert signed_area(rolled) == pytest.approx(signed_area(ring))


@pytest.mark.parametrize("smooth", [0.0, 1.5])
@pytest.mark.parametrize("way", [1, -1])
def test_normals_lie_to_the_right_of_the_way_round(smooth: float, way: int) -> None:
    ring = circle(72)[::way]
    assert normals(40 * ring + 7, smooth) == pytest.approx(way * ring, abs=1e-12)
    assert to_the_right(np.array([[3.0, 0], [0, 2], [-1, 0], [0, 0]])).tolist() == [
        [0, -1], [1, 0], [0, 1], [0, 0],
    ]  # fmt: skip


def test_normals_of_a_shape_point_out_of_it() -> None:
    shape = shapely.orient_polygons(
        Polygon([(0, 0), (90, 0), (90, 30), (40, 30), (40, 70), (0, 70)])
    )
    (ring,) = resample(shapely.get_coordinates(shape.exterior)[:-1], 1.0)
    out = normals(ring, 1.5)
    assert np.hypot(*out.T) == pytest.approx(1.0)
    # at the inner corner a normal is the mean of two sides'
    far = np.linalg.norm(ring - (40, 30), axis=1) > 4
    assert not shapely.contains_xy(shape, *(ring + 0.5 * out)[far].T).any()
    assert shapely.contains_xy(shape, *(ring - 0.5 * out)[far].T).all()


def test_smoothing_takes_waves_down_by_a_gaussians_spectrum() -> None:
    """A wave of k per turn is left with exp(-(2 pi k w / N)^2 / 2) of its height; means stay."""
    count, width = 240, 4.0
    at = 2 * np.pi * np.arange(count) / count
    for k in (0, 3, 12, 20):
        left = np.exp(-0.5 * (2 * np.pi * k * width / count) ** 2)
        assert smoothed(np.cos(k * at), width) == pytest.approx(left * np.cos(k * at), abs=2e-4)
    both = smoothed(np.column_stack([np.cos(3 * at), np.ones(count)]), width)
    assert both[:, 1] == pytest.approx(1.0)
    assert both[:, 0] == pytest.approx(smoothed(np.cos(3 * at), width))
