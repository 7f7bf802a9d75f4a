"""Finger notches as geometry: gaps worked by hand, and what stands in a hand's way."""

from __future__ import annotations

from dataclasses import replace

import pytest
from shapely import affinity
from shapely.geometry import Point, box

from tests.panel.bench import bar, drawer, panel_of, plan, row_of_bars
from tracer.model.panel import BayKind, Notch
from tracer.panel.checks.lifting import check_lifting, finger_gap_mm
from tracer.panel.rules import rules_for

RULES = rules_for(BayKind.DRAWER)


@pytest.mark.parametrize(
    ("notch", "sides", "gap"),
    [
        (box(-30, -14, 30, 14), 2, 18.0),  # 18 mm stand free on both sides of a bar 24 mm wide
        (box(-30, -14, 22, 14), 2, 10.0),  # 18 and 10: the smaller one counts
        (box(0, -14, 30, 14), 1, 18.0),
        (box(0, -14, 30, 14), 2, 0.0),  # on one side only: a thumb finds nothing
        (Point(0, 80).buffer(14, 64), 0, None),  # a recess at the end: some of it
    ],
)
def test_gaps_by_hand(notch: object, sides: int, gap: float | None) -> None:
    found = finger_gap_mm(Notch(notch, 20.0, sides), bar())  # type: ignore[arg-type]
    if gap is None:
        assert 0 < found < 28
    else:
        assert found == pytest.approx(gap, abs=0.3)


def test_a_notch_that_runs_right_round_a_small_tool_has_two_sides() -> None:
    """A socket 27 mm across in a notch 68 x 28 mm: one piece of foam is gone, round the tool."""
    socket = Point(0, 0).buffer(13.5, 64)
    slot = box(-20, -14, 20, 14).union(Point(-20, 0).buffer(14, 64)).union(Point(20, 0).buffer(14))
    # beyond the socket 34 - 13.5 mm are free on either side
    assert finger_gap_mm(Notch(slot, 20.0, 2), socket) == pytest.approx(20.5, abs=0.5)  # type: ignore[arg-type]


def test_the_least_gap_of_a_panel_is_said() -> None:
    panel = panel_of(row_of_bars(3, height_mm=20.0), plan(drawer()))
    (note,) = (c for c in check_lifting(panel, RULES) if c.slug == "finger-gap")
    assert note.value is not None and note.value == pytest.approx(20.0, abs=1.5)
    assert {c.slug for c in check_lifting(panel, RULES)} == {"finger-gap"}


def test_a_notch_above_the_widest_section_and_one_too_narrow_are_told() -> None:
    panel = panel_of(row_of_bars(1, height_mm=20.0), plan(drawer()))
    pocket = panel.pockets[0]
    deep = replace(pocket, depth_mm=25.0, height_mm=20.0)  # widest at 15 mm below the face
    shallow = replace(deep, notches=tuple(replace(n, depth_mm=10.0) for n in pocket.notches))
    told = {c.slug for c in check_lifting(replace(panel, pockets=(shallow,)), RULES)}
    assert "finger-notch-shallow" in told
    x, y = pocket.outline.centroid.coords[0]
    slim = replace(pocket, notches=(Notch(box(x - 20, y - 4, x + 20, y + 4), 20.0, 2),))
    told = {c.slug for c in check_lifting(replace(panel, pockets=(slim,)), RULES)}
    assert "finger-gap-narrow" in told


def test_a_tall_neighbour_over_the_notch_is_in_the_way() -> None:
    panel = panel_of(row_of_bars(2, height_mm=20.0), plan(drawer()))
    one, two = panel.pockets
    shift = one.notches[0].region.bounds[2] - 2 - two.outline.bounds[0]
    over = replace(two, outline=affinity.translate(two.outline, shift, 0), height_mm=60.0)
    told = [c for c in check_lifting(replace(panel, pockets=(one, over)), RULES)]
    assert any(c.slug == "lift-blocked" and c.subject_id == one.pocket_id for c in told)
    low = replace(over, height_mm=two.depth_mm + 2)
    told = [c for c in check_lifting(replace(panel, pockets=(one, low)), RULES)]
    assert not any(c.slug == "lift-blocked" for c in told)
