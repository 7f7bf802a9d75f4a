"""Fitting lines and arcs: tolerance, few pieces, corners, noise."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from scipy.ndimage import gaussian_filter1d
from shapely.geometry import LinearRing, Point, Polygon, box

from tests.geometry.shapes import outlines, ring_points, spanner
from tracer.export.wall_error import kinks
from tracer.geometry.arcs import fit_arcs
from tracer.geometry.loops import flatten, polygon_of, signed_area
from tracer.geometry.tangent_arcs import TANGENT_SLACK


def circle(radius: float, count: int) -> np.ndarray:
    t = np.linspace(0, 2 * math.pi, count, endpoint=False)
    return radius * np.column_stack([np.cos(t), np.sin(t)])


def both_ways(loop: object, ring: Polygon) -> float:
    drawn = LinearRing(flatten(loop, 0.005))  # type: ignore[arg-type]
    return float(shapely.hausdorff_distance(drawn, ring.exterior, densify=0.05))


def test_a_circle_is_a_circle() -> None:
    vertices = fit_arcs(circle(14, 180)).loop.vertices
    assert len(vertices) <= 3
    radius = np.hypot(*(vertices[0, :2] - vertices[1, :2])) / 2
    # the points lie on the circle: only the least-squares fit of 180 chords stands between
    assert radius == pytest.approx(14, abs=0.01)


def test_sense_of_rotation_is_kept() -> None:
    assert signed_area(fit_arcs(circle(9, 90)).loop) > 0
    assert signed_area(fit_arcs(circle(9, 90)[::-1]).loop) < 0
    square = np.array([(0, 0), (30, 0), (30, 30), (0, 30)], float)
    assert signed_area(fit_arcs(square[::-1]).loop) == pytest.approx(-900, abs=0.1)


def test_a_polygon_stays_the_polygon() -> None:
    corners = np.array([(0, 0), (80, 0), (80, 30), (35, 30), (35, 50), (0, 50)], float)
    vertices = fit_arcs(corners, 0.1).loop.vertices
    assert len(vertices) == 6
    assert not vertices[:, 2].any()
    assert {tuple(v) for v in vertices[:, :2].round(6)} == {tuple(c) for c in corners}


def test_a_rounded_box_gets_four_lines_and_four_arcs() -> None:
    ring = box(0, 0, 90, 40).buffer(8, 64)
    vertices = fit_arcs(ring_points(ring, 0.7), 0.05).loop.vertices
    bulges = vertices[:, 2]
    # each quarter circle may come as two arcs where no node lies at its very end
    assert 8 <= len(vertices) <= 12
    assert 4 <= np.count_nonzero(bulges) <= 8
    assert (bulges >= 0).all()


def test_a_spanner_needs_about_twenty_pieces() -> None:
    ring = spanner()
    fit = fit_arcs(ring_points(ring, 1.0), 0.1)
    assert 10 <= len(fit.loop.vertices) <= 26
    assert fit.max_distance_mm <= 0.1
    # samples 1 mm apart cut up to 1^2 / (8 R) off a fillet of R 3 before the fit sees it
    assert both_ways(fit.loop, ring) <= 0.1 + 1 / 24 + 0.01


def test_noise_within_the_tolerance_does_not_shatter_the_fit() -> None:
    ring = spanner()
    clean = ring_points(ring, 1.0)
    rng = np.random.default_rng(5)
    # an edge found in a photo: noise of 0.1 mm, correlated over a few points
    noise = gaussian_filter1d(rng.standard_normal(clean.shape), 2, axis=0, mode="wrap")
    rough = clean + 0.1 * noise / noise.std()
    pieces = len(fit_arcs(rough, 0.3).loop.vertices)
    assert pieces < 45
    # and below the noise it must shatter: the tolerance does mean something
    assert len(fit_arcs(rough, 0.03).loop.vertices) > 3 * pieces


def test_tangent_pieces_follow_a_traced_edge_without_kinks() -> None:
    ring = spanner().buffer(1.5)  # as a pocket's wall: no inside corner is left sharp
    clean = ring_points(ring, 1.0)
    rng = np.random.default_rng(7)
    noise = gaussian_filter1d(rng.standard_normal(clean.shape), 8, axis=0, mode="wrap")
    rough = clean + 0.15 * noise / noise.std()
    usual, smooth = fit_arcs(rough, 0.1), fit_arcs(rough, 0.1, tangent=True)
    assert both_ways(smooth.loop, Polygon(rough)) <= TANGENT_SLACK * 0.1 + 0.01
    # joints beyond 3 degrees look traced (own choice): nearly all of a plain fit's, few of these
    assert kinks(usual.loop) > 0.25 * len(usual.loop.vertices)
    assert kinks(smooth.loop) <= 0.1 * len(smooth.loop.vertices)
    # and they cost no more than half as many again
    assert len(smooth.loop.vertices) <= 1.5 * len(usual.loop.vertices)


@settings(deadline=None, max_examples=40)
@given(outlines())
def test_every_point_lies_within_the_tolerance(region: Polygon) -> None:
    points = np.asarray(region.exterior.coords)[:-1]
    fit = fit_arcs(points, 0.1)
    drawn = polygon_of(fit.loop, 0.002)
    assert drawn.is_valid
    away = shapely.distance(shapely.points(points), drawn.exterior)
    assert float(np.max(away)) <= 0.1 + 0.005
    # the other way round too: no arc may stand out where the ring has no point
    assert both_ways(fit.loop, region) <= 0.1 + 0.03


def test_a_thin_slit_does_not_make_the_loop_cross_itself() -> None:
    plate = box(0, 0, 60, 30).difference(box(20, -1, 20.15, 22))
    drawn = polygon_of(fit_arcs(np.asarray(plate.exterior.coords)[:-1], 0.2).loop, 0.01)
    assert drawn.is_valid
    assert drawn.area == pytest.approx(plate.area, rel=0.01)


def test_a_tiny_ring_survives() -> None:
    ring = Point(0, 0).buffer(0.6, 3)
    drawn = polygon_of(fit_arcs(np.asarray(ring.exterior.coords)[:-1], 0.1).loop)
    assert drawn.area == pytest.approx(ring.area, rel=0.3)
