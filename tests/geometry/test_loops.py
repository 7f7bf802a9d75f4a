"""Loops of lines and arcs against the DXF reference's definition and ezdxf's own formulas."""

from __future__ import annotations

import math

import numpy as np
import pytest
from ezdxf.math import bulge_to_arc
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import Polygon

from tracer.geometry.loops import (
    bounds,
    drawn_size,
    flatten,
    length,
    mirrored,
    moved,
    parallel,
    polygon_of,
    reversed_loop,
    signed_area,
)
from tracer.model.drawing import CutPath, Drawing, Layer, Loop, Operation

MIXED = Loop(np.array([(0, 0, 0.5), (10, 0, -0.3), (12, 9, 0), (1, 8, 0.1)]))


def test_bulge_sign_and_size_follow_the_reference() -> None:
    # DXF reference, LWPOLYLINE group 42: tangent of a fourth of the included angle, negative when
    # clockwise; from (0,0) to (10,0) a bulge of 0.5 has its top 0.5 * 10 / 2 right of the chord
    points = flatten(Loop(np.array([(0, 0, 0.5), (10, 0, 0), (5, 20, 0)])), 0.001)
    assert points[:, 1].min() == pytest.approx(-2.5, abs=0.001)
    # a semicircle has bulge 1, a quarter circle tan(22.5 deg) = 0.414214 (same reference)
    quarter = Loop(np.array([(10, 0, math.tan(math.pi / 8)), (0, 10, 0), (0, 0, 0)]))
    assert signed_area(quarter) == pytest.approx(25 * math.pi, rel=1e-12)
    assert length(Loop.circle(0, 0, 7)) == pytest.approx(14 * math.pi, rel=1e-12)


@given(st.floats(-3, 3), st.floats(1, 50), st.floats(-30, 30))
def test_arcs_lie_on_the_circle_that_ezdxf_gives(bulge: float, x: float, y: float) -> None:
    if abs(bulge) < 1e-3:
        return
    centre, _, _, radius = bulge_to_arc((0, 0), (x, y), bulge)
    loop = Loop(np.array([(0, 0, bulge), (x, y, 0), (-y, x, 0)]))
    n = len(flatten(loop, 0.01)) - 2
    on_arc = flatten(loop, 0.01)[: n + 1]
    away = np.hypot(on_arc[:, 0] - centre.x, on_arc[:, 1] - centre.y) - radius
    assert np.abs(away).max() < 1e-9 * max(radius, 1)


def test_flattening_keeps_its_tolerance() -> None:
    circle = Loop.circle(3, -2, 40)
    for tolerance in (0.5, 0.05, 0.005):
        points = flatten(circle, tolerance)
        middle = (points + np.roll(points, -1, axis=0)) / 2
        short = 40 - np.hypot(*(middle - [3, -2]).T)
        # not only within the tolerance, but using it: half of it at least
        assert 0.5 * tolerance < short.max() <= tolerance * 1.0001


def test_area_length_and_box_agree_with_fine_chords() -> None:
    fine = Polygon(flatten(MIXED, 1e-6))
    assert signed_area(MIXED) == pytest.approx(fine.area, rel=1e-6)
    assert length(MIXED) == pytest.approx(fine.length, rel=1e-6)
    assert bounds(MIXED) == pytest.approx(fine.bounds, abs=1e-5)


def test_flat_arcs_keep_their_area() -> None:
    # chord 100, sagitta 0.01: segment area 2/3 chord sagitta (parabola's limit)
    sagitta = 0.01
    loop = Loop(np.array([(0, 0, 2 * sagitta / 100), (100, 0, 0), (50, 50, 0)]))
    assert signed_area(loop) - 2500 == pytest.approx(2 / 3 * 100 * sagitta, rel=1e-6)


def test_mirroring_twice_is_the_identity() -> None:
    twice = mirrored(mirrored(MIXED, 321.5), 321.5)
    assert np.abs(twice.vertices - MIXED.vertices).max() < 1e-9
    assert signed_area(mirrored(MIXED, 321.5)) == pytest.approx(signed_area(MIXED))


def test_reversing_changes_only_the_sense() -> None:
    back = reversed_loop(MIXED)
    assert signed_area(back) == pytest.approx(-signed_area(MIXED))
    same = polygon_of(back, 1e-4).symmetric_difference(polygon_of(MIXED, 1e-4))
    assert same.area < 1e-6
    assert moved(MIXED, 3, 4).vertices[0].tolist() == [3, 4, 0.5]


def test_drawn_size_holds_what_lies_beside_the_sheet() -> None:
    path = CutPath(Loop.circle(150, 20, 10), Layer(Operation.CHECK_CIRCLE))
    assert drawn_size(Drawing("", (100, 80), (path,))) == (160, 80)


@pytest.mark.parametrize("vertices", [[(0, 0, 0), (1, 0, 0)], [(0, 0, 0)], [(0, 0, math.nan)] * 3])
def test_what_does_not_close_is_refused(vertices: list[tuple[float, float, float]]) -> None:
    with pytest.raises(ValueError, match=r"loop|finite"):
        Loop(np.array(vertices, float))


@pytest.mark.parametrize("name", ["pocket-12.0", "through", "back-cavity-40.0", "sheet-edge"])
def test_layer_names_read_back(name: str) -> None:
    assert Layer.parse(name).name == name


def test_layers_need_their_depth() -> None:
    with pytest.raises(ValueError, match="depth"):
        Layer(Operation.POCKET)
    with pytest.raises(ValueError, match="depth"):
        Layer(Operation.THROUGH, 3.0)


def test_a_parallel_of_lines_and_arcs_is_exact() -> None:
    """A stadium 60 x 20, worked by hand: moved in by 2 it is 56 x 16, with arcs of radius 8."""
    stadium = Loop(np.array([(10, 0, 0), (50, 0, 1), (50, 20, 0), (10, 20, 1)], float))
    inner = parallel(stadium, 2.0)
    assert inner is not None
    assert signed_area(inner) == pytest.approx(40 * 16 + math.pi * 64)
    outer = parallel(stadium, -2.0)
    assert outer is not None
    assert signed_area(outer) == pytest.approx(40 * 24 + math.pi * 144)
    # arcs of radius 10 vanish at 10
    assert parallel(stadium, 10.0) is None


def test_a_corner_that_opens_gets_an_arc_about_its_old_place() -> None:
    """An L worked by hand: moved in by 1 its reflex corner becomes a quarter circle of radius 1."""
    ell = Loop.polygon([(0, 0), (20, 0), (20, 10), (10, 10), (10, 20), (0, 20)])
    inner = parallel(ell, 1.0)
    assert inner is not None
    # the two arms without the square at the corner, and what the quarter circle gives back
    wanted = polygon_of(ell).buffer(-1.0, quad_segs=256).area
    assert signed_area(inner) == pytest.approx(wanted, abs=1e-3)
    assert len(inner.vertices) == 7
