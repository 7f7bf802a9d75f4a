"""Tidying: gaps, angles, centring, pairs, limits."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import Polygon, box

from tests.panel.bench import bar, degrees, spanner
from tracer.model.panel import Placement
from tracer.panel.layout.axis import axis_rad
from tracer.panel.layout.placement import Item
from tracer.panel.layout.rows import same_shape, tidy


def items_at(shapes: list[Polygon], places: list[tuple[float, float, float]]) -> list[Item]:
    return [
        Item(f"T{i:02d}", shape, Placement(x, y, math.radians(deg)))
        for i, (shape, (x, y, deg)) in enumerate(zip(shapes, places, strict=True), 1)
    ]


def gaps(items: list[Item]) -> list[float]:
    boxes = sorted(i.placed.bounds for i in items)
    return [b[0] - a[2] for a, b in pairwise(boxes)]


def test_a_row_gets_equal_gaps_and_one_centre_line() -> None:
    widths = [20, 60, 35, 50, 28]
    shapes = [bar(w, 150 + 10 * i) for i, w in enumerate(widths)]
    places = [(0, 0, 0), (70, 6, 0), (160, -8, 0), (245, 3, 0), (310, 0, 0)]
    done = tidy(
        items_at(shapes, places), room_mm=(600, 400), gap_mm=20, max_shift_mm=40, max_turn_deg=10
    )
    found = gaps(list(done.items))
    # boxes are exact: equal gaps are equal to rounding
    assert max(found) - min(found) < 0.05
    assert min(found) >= 20
    middles = [(i.placed.bounds[1] + i.placed.bounds[3]) / 2 for i in done.items]
    assert np.ptp(middles) < 1e-6
    assert done.rows == (("T01", "T02", "T03", "T04", "T05"),)


@pytest.mark.parametrize("turn", [-11.0, -4.3, -0.3, 0.7, 5.0, 10.9])
def test_small_turns_are_taken_out_and_large_ones_kept(turn: float) -> None:
    for shape in (bar(), spanner()):
        (item,) = items_at([shape], [(0, 0, turn)])
        done = tidy([item], room_mm=(500, 500), gap_mm=20, max_shift_mm=40, max_turn_deg=12)
        axis = axis_rad(done.items[0].placed)
        # symmetric shapes: the border's mean direction is the axis to rounding
        assert axis is not None and abs(abs(degrees(axis)) - 90) < 0.01
        assert done.changes[0].turn_deg == pytest.approx(-turn, abs=0.01)
        kept = tidy([item], room_mm=(500, 500), gap_mm=20, max_shift_mm=40, max_turn_deg=0.1)
        assert kept.changes == ()


def test_a_taper_does_not_lean_the_axis() -> None:
    # a wedge is symmetric about x = 0, so its axis is upright, whatever its least rectangle says
    wedge = Polygon([(-30, 0), (30, 0), (8, 200), (-8, 200)])
    axis = axis_rad(wedge)
    assert axis is not None and degrees(axis) == pytest.approx(90, abs=0.01)


def test_a_row_past_its_limit_stays_and_says_so() -> None:
    shapes = [bar(30, 150)] * 4
    places = [(0, 0, 0), (40, 0, 0), (80, 0, 0), (140, 0, 0)]
    done = tidy(
        items_at(shapes, places), room_mm=(600, 400), gap_mm=20, max_shift_mm=5, max_turn_deg=10
    )
    assert gaps(list(done.items)) == pytest.approx([10, 10, 30])
    assert done.changes == ()
    assert done.refused[0][0] == ("T01", "T02", "T03", "T04")
    assert done.refused[0][1] > 5


def test_groups_far_apart_stay_groups() -> None:
    shapes = [bar(30, 150)] * 5
    places = [(0, 0, 0), (52, 0, 0), (100, 0, 0), (320, 0, 0), (372, 0, 0)]
    done = tidy(
        items_at(shapes, places), room_mm=(700, 400), gap_mm=15, max_shift_mm=20, max_turn_deg=10
    )
    found = gaps(list(done.items))
    assert found[0] == pytest.approx(found[1], abs=0.05)
    assert found[2] > 150


def test_a_pair_is_set_symmetrically_about_the_row() -> None:
    left = spanner(180, 40)
    right = affinity.scale(left, -1, 1, origin=(0, 0))
    shapes = [left, bar(30, 150), bar(34, 150), right]
    places = [(0, 0, 0), (70, 0, 0), (130, 0, 0), (200, 0, 0)]
    done = tidy(
        items_at(shapes, places), room_mm=(600, 400), gap_mm=20, max_shift_mm=40, max_turn_deg=10
    )
    boxes = [i.placed.bounds for i in done.items]
    x = [(b[0] + b[2]) / 2 for b in boxes]
    assert x[0] + x[3] == pytest.approx(x[1] + x[2], abs=1e-6)


def test_same_and_mirrored_shapes_are_told_from_others() -> None:
    hook = Polygon([(0, 0), (20, 0), (20, 150), (60, 150), (60, 170), (0, 170)])
    turned = affinity.rotate(affinity.translate(hook, 300, 40), 73)
    mirrored = affinity.rotate(affinity.scale(hook, -1, 1), -21)
    assert same_shape(hook, turned) == "same"
    assert same_shape(hook, mirrored) == "mirrored"
    assert same_shape(hook, affinity.scale(hook, 1.05, 1.05)) is None
    assert same_shape(bar(), bar(28, 160)) is None


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0, 700), st.floats(0, 500), st.floats(10, 60), st.floats(40, 160)),
        min_size=2,
        max_size=10,
    )
)
def test_tidying_never_makes_boxes_overlap(cells: list[tuple[float, ...]]) -> None:
    shapes, kept = [], []
    for x, y, w, h in cells:
        here = box(x, y, x + w, y + h)
        if all(not here.intersects(k) for k in kept):
            kept.append(here)
            shapes.append(here)
    items = [Item(f"T{i}", s, Placement(0, 0)) for i, s in enumerate(shapes)]
    done = tidy(items, room_mm=(900, 700), gap_mm=20, max_shift_mm=1e9, max_turn_deg=5)
    after = [i.placed for i in done.items]
    for i, a in enumerate(after):
        for b in after[i + 1 :]:
            assert a.intersection(b).area < 1e-6
