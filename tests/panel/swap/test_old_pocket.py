"""Plans for a replaced tool's pocket, and the promises every plan keeps.

Widths of slivers and rims are common practice, no source; what is checked here is geometry, with
shapely's own predicates as the reference.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from tracer.panel.swap.old_pocket import PatchRules, Remedy, plan_patch, void_width_mm

RULES = PatchRules()
OLD = box(0, 0, 160, 40).buffer(4)


def test_same_pocket_asks_for_nothing() -> None:
    plan = plan_patch(OLD, OLD, [], "T01")
    assert plan.remedy is Remedy.NOTHING
    assert plan.opening.is_empty and plan.recut.is_empty and not plan.pieces


def test_a_larger_tool_only_enlarges() -> None:
    new = OLD.buffer(3)
    plan = plan_patch(OLD, new, [], "T01")
    assert plan.remedy is Remedy.ENLARGE
    assert plan.recut.area == pytest.approx(new.area - OLD.area, rel=1e-6)


def test_a_hair_of_a_void_stays() -> None:
    plan = plan_patch(OLD, affinity.translate(OLD, 1.0, 0), [], "T01")
    assert plan.remedy is Remedy.LEAVE
    assert plan.void_width_mm == pytest.approx(1.0, abs=0.05)


def test_a_narrow_void_is_filled_with_a_strip() -> None:
    plan = plan_patch(OLD, affinity.translate(OLD, 5.0, 0), [], "T01")
    assert plan.remedy is Remedy.STRIP
    (strip,) = plan.pieces
    assert strip.buffer(0.01).contains(plan.void.buffer(-RULES.leave_mm / 2))
    assert strip.area < 1.4 * plan.void.area


def test_another_shape_needs_a_plug() -> None:
    new = Point(80, 20).buffer(30)
    plan = plan_patch(OLD, new, [], "T01")
    assert plan.remedy is Remedy.PLUG
    assert plan.opening.covers(OLD.buffer(-0.05))
    assert plan.recut.equals(new)
    (plug,) = plan.pieces
    # a press fit all round: the plug's wall stands off the opening's by the stated amount
    assert plug.exterior.distance(Point(plan.opening.exterior.coords[0])) == pytest.approx(
        RULES.press_mm, abs=0.02
    )
    assert plug.contains(plan.opening)


def test_a_plug_keeps_off_the_neighbour() -> None:
    neighbour = box(0, 52, 160, 90)  # 8 mm of foam above the old pocket's rounded edge
    plan = plan_patch(OLD, Point(80, 20).buffer(21), [neighbour], "T01")
    assert plan.remedy is Remedy.PLUG
    beyond = plan.opening.difference(OLD.buffer(0.6))
    assert beyond.distance(neighbour) > RULES.web_mm - 0.6  # corners rounded within half a mm
    assert [c.slug for c in plan.checks if c.slug == "patch-web-thin"] == ["patch-web-thin"]


def test_a_joint_along_the_new_wall_grows_the_plug() -> None:
    new = OLD.buffer(4).difference(box(70, -20, 100, 60))  # wall 1 mm inside a 5 mm rim
    grown = plan_patch(OLD, Polygon(new.convex_hull.exterior).difference(box(60, 20, 100, 60)),
                       [], "T01")  # fmt: skip
    assert grown.remedy is Remedy.PLUG
    assert grown.opening.area > OLD.buffer(RULES.rim_mm + 3).area
    assert not [c for c in grown.checks if c.slug == "patch-joint-near-wall"]


def test_width_of_a_void() -> None:
    # a right triangle of legs 30 and 40: the inscribed circle has radius (a + b - c) / 2 = 10
    assert void_width_mm(Polygon([(0, 0), (40, 0), (0, 30)])) == pytest.approx(20, abs=0.05)


@settings(max_examples=40, deadline=None)
@given(
    st.floats(-25, 25),
    st.floats(-25, 25),
    st.floats(-90, 90),
    st.floats(0.6, 1.4),
    st.floats(0.5, 1.6),
)
def test_every_plan_leaves_the_new_pocket_and_no_gaping_hole(
    dx: float, dy: float, turn: float, sx: float, sy: float
) -> None:
    """Carry each plan out on an endless sheet and look at what is left."""
    new = affinity.rotate(affinity.translate(affinity.scale(OLD, sx, sy), dx, dy), turn)
    plan = plan_patch(OLD, new, [], "T01")
    holes = OLD
    if plan.remedy is Remedy.PLUG:
        assert plan.opening.covers(OLD.buffer(-0.51))
        holes = holes.union(plan.opening)
    for piece in plan.pieces:
        holes = holes.difference(piece)
    holes = holes.union(plan.recut)
    if plan.remedy is not Remedy.NOTHING:
        assert new.difference(holes).area < 12  # specks under the stated size, a few at most
    allowed = {Remedy.LEAVE: RULES.leave_mm, Remedy.STRIP: RULES.leave_mm + 0.1}
    gap = holes.difference(new)
    assert void_width_mm(gap) <= allowed.get(plan.remedy, 0.3) + 0.05
