"""From outlines and a plan to a panel: places, copies, wells, notches, labels, screws."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from tests.panel.bench import (
    bar,
    drawer,
    outline,
    panel_of,
    plan,
    row_of_bars,
    spanner,
    tool,
    wall,
)
from tracer.errors import TracerError
from tracer.model.panel import BayKind, Placement
from tracer.model.panel_plan import (
    Anchor,
    CopyPlan,
    Hand,
    MovePlan,
    NotchPlan,
    PanelPlan,
    PlacementPlan,
    PlainPocketPlan,
    ToolPlan,
    WellPlan,
)
from tracer.model.stack import Bay
from tracer.panel.fittings.labels import label_box
from tracer.panel.fittings.openings import opening
from tracer.panel.fresh.setting import wishes_of
from tracer.panel.rules import Rules, rules_for
from tracer.project.outlines_file import OutlinesFile
from tracer.workflows.arranging.panel_tools import job_tools

ANGLES = st.floats(-math.pi, math.pi)
PLACES = st.builds(Placement, st.floats(-900, 900), st.floats(-900, 900), ANGLES, st.booleans())


@given(PLACES, PLACES, st.floats(-200, 200), st.floats(-200, 200))
def test_placements_compose_and_invert(a: Placement, b: Placement, x: float, y: float) -> None:
    both = a.then(b)
    assert both.point(x, y) == pytest.approx(b.point(*a.point(x, y)), abs=1e-6)
    assert both.inverse().point(*both.point(x, y)) == pytest.approx((x, y), abs=1e-6)
    moved = both.apply_polygon(Polygon([(0, 0), (30, 0), (30, 10)]))
    assert moved.exterior.is_ccw
    assert moved.area == pytest.approx(150)


def test_the_lay_is_kept_and_centred() -> None:
    tools = [tool(bar(), 1, 500, 300), tool(bar(30), 2, 590, 320, turn_deg=7)]
    panel = panel_of(tools, plan(drawer()))
    a, b = panel.pockets
    there = np.array(b.outline.centroid.coords[0]) - np.array(a.outline.centroid.coords[0])
    # places of the whole lay are rounded to 0.1 mm together, so distances within it stay exact
    assert there == pytest.approx([90, 20], abs=1e-6)
    both = shapely.union_all([a.region, b.region]).bounds
    assert (both[0] + both[2]) / 2 == pytest.approx(210, abs=0.06)
    assert (both[1] + both[3]) / 2 == pytest.approx(130, abs=0.06)


def test_the_lay_can_be_set_by_its_margin_and_moved_by_hand() -> None:
    place = PlacementPlan(anchor=Anchor.MARGIN, edge_mm=33)
    wanted = plan(drawer(), placement=place, moves=(MovePlan("T02", x_mm=300.0, turn_deg=90),))
    panel = panel_of(row_of_bars(2), wanted)
    first, second = panel.pockets
    assert first.region.bounds[:2] == pytest.approx((33, 33), abs=0.06)
    x0, y0, x1, y1 = second.region.bounds
    assert (x0 + x1) / 2 == pytest.approx(300, abs=0.01)
    assert x1 - x0 > 150 > y1 - y0
    with pytest.raises(TracerError) as caught:
        panel_of(row_of_bars(2), plan(drawer(), moves=(MovePlan("T09", 1.0, 1.0),)))
    assert caught.value.slug == "panel-unknown-tool"


def test_without_a_bay_the_panel_fits_the_lay_in_whole_millimetres() -> None:
    panel = panel_of(row_of_bars(3), plan(None))
    assert all(v == int(v) for v in panel.size_mm)
    rims = [panel.shape.exterior.distance(p.region) for p in panel.pockets]
    assert min(rims) == pytest.approx(20, abs=0.6)


def content(*shapes: Polygon) -> OutlinesFile:
    outlines = tuple(outline(s, n) for n, s in enumerate(shapes, 1))
    return OutlinesFile(outlines, (), (), {o.outline_id: 1 for o in outlines})


def test_copies_and_plain_pockets_find_free_places() -> None:
    hook = Polygon([(0, 0), (18, 0), (18, 120), (50, 120), (50, 138), (0, 138)])
    wanted = plan(
        drawer(500, 400),
        copies=(CopyPlan("T01"), CopyPlan("T01", mirrored=True, x_mm=430.0, y_mm=300.0)),
        plain=(PlainPocketPlan("charger", 90, 60, 45.0, powered=True),),
    )
    tools, _ = job_tools(content(hook), None, wanted)
    panel = panel_of(tools, wanted)
    assert [p.pocket_id for p in panel.pockets] == ["T01", "T01-2", "T01-3", "B01"]
    for i, a in enumerate(panel.pockets):
        for b in panel.pockets[i + 1 :]:
            assert a.region.distance(b.region) >= 10
    mirrored = panel.pockets[2]
    x0, y0, x1, y1 = mirrored.region.bounds
    assert ((x0 + x1) / 2, (y0 + y1) / 2) == pytest.approx((430, 300), abs=0.01)
    # the mirror image: its heavy side lies on the other side of its box
    lean = lambda p: p.region.centroid.x - (p.region.bounds[0] + p.region.bounds[2]) / 2  # noqa: E731
    assert lean(panel.pockets[0]) == pytest.approx(-lean(mirrored), abs=0.05)
    assert lean(panel.pockets[0]) == pytest.approx(lean(panel.pockets[1]), abs=0.05)
    plain = panel.pockets[3]
    assert plain.kind == "powered" and plain.outline_id == ""
    # typed size is the pocket's own: 90 x 60 less the rounded corners, r^2 (4 - pi); lines and
    # arcs may lie 0.1 mm outside it along 300 mm
    assert plain.region.area == pytest.approx(90 * 60 - 25 * (4 - math.pi), abs=30)
    with pytest.raises(TracerError) as caught:
        too_many = replace(wanted, plain=(PlainPocketPlan("crate", 480, 380, 45.0),))
        tools, _ = job_tools(content(hook), None, too_many)
        panel_of(tools, too_many)
    assert caught.value.slug == "panel-no-room"


def test_several_lays_stand_side_by_side() -> None:
    first = row_of_bars(2)
    second = [replace(t, pocket_id=f"T1{i}", lay=2) for i, t in enumerate(row_of_bars(2))]
    panel = panel_of([*first, *second], plan(drawer(600, 300)))
    boxes = [p.region.bounds for p in panel.pockets]
    assert max(b[2] for b in boxes[:2]) + 15 < min(b[0] for b in boxes[2:])


def test_a_well_is_deeper_and_takes_thin_ledges_with_it() -> None:
    knob = WellPlan("knob", x_mm=12.0, y_mm=80.0, width_mm=20.0, reach_mm=9.0)
    wanted = plan(drawer(), tools=(ToolPlan("T01", depth_mm=12.0, wells=(knob,)),))
    panel = panel_of(row_of_bars(1), wanted)
    (pocket,) = panel.pockets
    (well,) = pocket.wells
    rules: Rules = rules_for(BayKind.DRAWER)
    assert well.depth_mm == pytest.approx(12 + 9 + rules.well_clear_mm)
    # centre: lower left corner of the tool's box plus the typed place
    x0, y0, _, _ = pocket.outline.bounds
    at = Point(x0 + 12, y0 + 80)
    assert well.region.contains(at.buffer(10 + rules.well_clear_mm - 0.1))
    # the bar is 24 wide: beside a well of 25 no ledge of less than 3 mm may stand
    ledge = pocket.region.difference(well.region)
    near = ledge.intersection(box(x0 - 5, y0 + 75, x0 + 29, y0 + 85))
    hair = near.buffer(-0.1).is_empty  # arcs and lines lie within 0.1 mm: no ledge
    assert hair or near.buffer(-rules.ledge_mm / 2 + 0.05).area > 0
    assert pocket.region.buffer(0.02).contains(well.region)


def test_packed_level_a_tool_lies_lower_in_foam_than_on_the_table() -> None:
    """30 mm above the sheet, 9 of them below its underside: 21 mm above the pocket's floor."""
    knob = WellPlan("knob", x_mm=12.0, y_mm=80.0, width_mm=20.0, reach_mm=9.0)
    wanted = plan(drawer(), tools=(ToolPlan("T01", wells=(knob,)),))
    (bar_,) = row_of_bars(1, height_mm=30.0)
    (pocket,) = panel_of([replace(bar_, packed=True)], wanted).pockets
    (as_flat,) = panel_of([row_of_bars(1, height_mm=21.0)[0]], plan(drawer())).pockets
    assert pocket.height_mm == pytest.approx(21.0)
    assert pocket.depth_mm == pytest.approx(as_flat.depth_mm)
    assert pocket.wells[0].depth_mm == pytest.approx(pocket.depth_mm + 9 + 2.5)
    (tilted,) = panel_of([bar_], wanted).pockets
    assert tilted.height_mm == pytest.approx(30.0)  # not packed: as it was typed


@pytest.mark.parametrize("hand", [Hand.BARE, Hand.GLOVED])
def test_notches_cross_the_grip_and_fit_a_finger(hand: Hand) -> None:
    panel = panel_of(row_of_bars(2, pitch=120), plan(drawer(), hand=hand))
    # handbook figures: 25-30 for bare fingers, 35 for gloves (common practice, no source)
    low, high = (25, 30) if hand is Hand.BARE else (34.9, 35.1)
    for pocket in panel.pockets:
        (notch,) = pocket.notches
        assert notch.sides == 2
        x0, y0, x1, y1 = notch.region.bounds
        px0, _, px1, _ = pocket.region.bounds
        assert low <= y1 - y0 <= high
        # index finger breadth of adults up to 23 (Pheasant, from memory); 20 on each side
        assert px0 - x0 == pytest.approx(20, abs=0.2) and x1 - px1 == pytest.approx(20, abs=0.2)
        assert abs((y0 + y1) / 2 - pocket.outline.centroid.y) < 1


def test_nothing_is_cut_below_a_tool_on_a_wall() -> None:
    level = [tool(bar(), 1, 0, 0, turn_deg=90)]
    panel = panel_of(level, plan(wall()))
    (notch,) = panel.pockets[0].notches
    assert notch.sides == 1
    assert notch.region.bounds[1] >= panel.pockets[0].region.bounds[1]
    in_drawer = panel_of(level, plan(drawer()))
    assert in_drawer.pockets[0].notches[0].sides == 2


@pytest.mark.parametrize("turn", [0.0, 90.0, 180.0])
def test_a_typed_notch_travels_with_its_tool(turn: float) -> None:
    typed = ToolPlan("T01", notches=(NotchPlan(12.0, 30.0),))
    moves = (MovePlan("T01", turn_deg=turn),)
    panel = panel_of(row_of_bars(1), plan(drawer(), tools=(typed,), moves=moves))
    pocket = panel.pockets[0]
    notch = pocket.notches[0].region.centroid
    # 30 mm from the end of the bar that lay below in the photo; 160 mm long, centred
    along = notch.y - pocket.outline.centroid.y if turn != 90 else notch.x - 210
    assert abs(along) == pytest.approx(50, abs=0.1)
    assert (along < 0) is (turn == 0)


def test_labels_stand_clear_of_openings_and_each_other() -> None:
    panel = panel_of(row_of_bars(5, pitch=62), plan(drawer(460, 260)))
    boxes = [label_box(p.label) for p in panel.pockets if p.label]
    assert len(boxes) == 5
    openings = shapely.union_all([opening(p) for p in panel.pockets])
    for i, a in enumerate(boxes):
        assert panel.shape.contains(a) and a.distance(openings) > 1
        assert all(a.distance(b) > 1 for b in boxes[i + 1 :])


def test_screws_follow_border_and_webs_and_heavy_tools() -> None:
    heavy = [tool(bar(), 1, 0, 0, mass_kg=3.0), tool(bar(), 2, 120, 0)]
    panel = panel_of(heavy, plan(wall(900, 500)))
    points = np.array([(f.x_mm, f.y_mm) for f in panel.fixings])
    rules = rules_for(BayKind.WALL)
    assert {f.reason for f in panel.fixings} == {"border", "field", "heavy"}
    for pocket in panel.pockets:
        clear = shapely.distance(shapely.points(points), opening(pocket)).min()
        assert clear >= rules.fixing_clear_mm - 1e-6
    near = shapely.distance(shapely.points(points), panel.pockets[0].region)
    assert (near <= rules.heavy_near_mm).sum() >= 2
    # border: neighbours along each side no further apart than 1.5 pitches, corners taken
    for x, y in ((25, 25), (875, 25), (875, 475), (25, 475)):
        assert np.hypot(points[:, 0] - x, points[:, 1] - y).min() < 10
    lower = np.sort(points[points[:, 1] < 30, 0])
    assert np.diff(lower).max() <= 300 + 10


def test_distances_can_be_taken_with_a_tape() -> None:
    """Both ends on a rim or a wall; the figures worked by hand from the bars' boxes."""
    tools = [*row_of_bars(3), tool(spanner(), 4, 240, 0, turn_deg=20.0)]
    panel = panel_of(tools, plan(drawer()))
    rim = panel.shape.exterior
    walls = [opening(p).boundary for p in panel.pockets]
    for d in panel.dimensions:
        for end in (Point(d.start_mm), Point(d.end_mm)):
            assert min(end.distance(line) for line in (rim, *walls)) < 0.05, d.name
        if "edge to" in d.name:  # square to the rim
            assert min(abs(a - b) for a, b in zip(d.start_mm, d.end_mm, strict=True)) < 1e-6
    by_name = {d.name: d.length_mm for d in panel.dimensions}
    first = opening(panel.pockets[0]).bounds
    assert by_name["left edge to 1"] == pytest.approx(first[0], abs=1e-6)
    assert by_name["lower edge to 1"] == pytest.approx(first[1], abs=1e-6)
    gap = opening(panel.pockets[0]).distance(opening(panel.pockets[1]))
    assert by_name["1 to 2"] == pytest.approx(gap, abs=1e-6)
    assert by_name["rising diagonal"] == pytest.approx(math.hypot(420, 260), abs=1e-6)
    # every pocket is fixed by two of them at least
    for p in panel.pockets:
        assert sum(name.endswith(f"edge to {p.number}") for name in by_name) == 2


def test_equal_inputs_give_equal_panels() -> None:
    first, second = (panel_of(row_of_bars(4), plan(drawer())) for _ in range(2))
    for a, b in zip(first.pockets, second.pockets, strict=True):
        assert a.region.wkb == b.region.wkb and a.label == b.label


def test_a_mirrored_lay_mirrors_its_pockets_exactly() -> None:
    hook = Polygon([(0, 0), (18, 0), (18, 120), (50, 120), (50, 138), (0, 138)])
    one = tool(hook, 1, 0, 0)
    other = replace(one, lie=Placement(0, 0, 0, mirrored=True))
    a, b = (panel_of([t], plan(drawer())).pockets[0].region for t in (one, other))
    back = affinity.affine_transform(b, [-1, 0, 0, 1, 420, 0])
    # centring rounds to 0.1 mm
    assert a.hausdorff_distance(back) < 0.15


@pytest.mark.parametrize(
    ("wanted", "slug"),
    [
        ({"rules": {"web_mn": 12.0}}, "panel-rule-unknown"),
        ({"bay": Bay(BayKind.DRAWER, 300, 400, rising_mm=700, falling_mm=500)}, "bay-impossible"),
        ({"tools": (ToolPlan("T01", skip=True),)}, "panel-empty"),
    ],
)
def test_plans_that_cannot_work_are_refused(wanted: dict[str, object], slug: str) -> None:
    with pytest.raises(TracerError) as caught:
        panel_of(row_of_bars(1), plan(drawer(), **wanted))
    assert caught.value.slug == slug


@pytest.mark.parametrize("table", ["rules", "soft"])
def test_a_word_without_end_is_quoted_by_its_beginning(table: str) -> None:
    """A rule's name of 10 000 letters (a key pressed too long) gives a sentence of one screen."""
    name = "g" + 10_000 * "a"
    with pytest.raises(TracerError) as caught:
        if table == "rules":
            rules_for(BayKind.DRAWER, (), {name: 1.0})
        else:
            wishes_of(PanelPlan(placement=PlacementPlan(weights={name: 1.0})))
    assert "'gaaa" in caught.value.sentence and len(caught.value.sentence) < 200
