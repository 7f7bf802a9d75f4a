"""Layouts made from nothing keep every hard rule, in every style, and are the same every time."""

from __future__ import annotations

import functools
import itertools
from dataclasses import replace
from types import SimpleNamespace

import pytest
from shapely import affinity

from tests.panel.bench import bar, drawer, plan, spanner, tool, wall
from tests.panel.fresh.checker import violations
from tracer.errors import TracerError
from tracer.model.panel import BayKind, Panel
from tracer.model.panel_plan import (
    Arrangement,
    CopyPlan,
    Effort,
    KeepOutPlan,
    MovePlan,
    PanelPlan,
    PlacementPlan,
    PlainPocketPlan,
    SlotPlan,
    Style,
    ToolPlan,
    WellPlan,
)
from tracer.model.report import Severity
from tracer.panel.build import Made, make_pockets, plies_of, rules_of, wanted_tools
from tracer.panel.fresh.layouts import EFFORTS, make_layouts
from tracer.panel.fresh.setting import gap_of, sources_of, task_of, wishes_of
from tracer.panel.layout.places import Tool
from tracer.workflows.arranging.arrange import arrange_tools
from tracer.workflows.arranging.fresh_layouts import fresh_choices
from tracer.workflows.arranging.panel_tools import job_tools

QUICK = PlacementPlan(Arrangement.FRESH, effort=Effort.QUICK)


def heap(count: int = 7) -> list[Tool]:
    """Tools thrown on top of each other at odd turns: no lay could be taken from them."""
    shapes = [spanner(180, 40), spanner(150, 34), bar(24, 160), bar(30, 110), bar(26, 60)]
    return [
        tool(shapes[n % len(shapes)], n + 1, 5.0 * n, 0.0, turn_deg=37.0 * n) for n in range(count)
    ]


@functools.cache
def pockets_of(count: int, kind: BayKind) -> Made:
    """Pockets of the heap, made once."""
    bay = drawer() if kind is BayKind.DRAWER else wall()
    return make_pockets(heap(count), plan(bay))


def built(tools: list[Tool], wanted: PanelPlan) -> Panel:
    """The panel of the best layout."""
    assert wanted.bay is not None
    plain = not wanted.copies and not wanted.plain
    made = pockets_of(len(tools), wanted.bay.kind) if plain else None
    if made is not None:  # masses are the pocket's
        pockets = [replace(p, mass_kg=t.mass_kg) for p, t in zip(made[0], tools, strict=True)]
        made = tuple(pockets), made[1]
    return arrange_tools(tools, wanted, made=made)[0]


def checked(tools: list[Tool], wanted: PanelPlan, **locked: tuple[float, float]) -> None:
    """Build the best layout and hold it against the rules."""
    panel = built(tools, wanted)
    assert wanted.bay is not None
    rules = rules_of(wanted, wanted.bay)
    edge = wanted.placement.edge_mm
    found = violations(
        panel,
        rules,
        gap_mm=gap_of(wanted, rules),
        edge_mm=rules.edge_mm if edge is None else edge,
        locked=locked,
    )
    assert found == []
    assert len(panel.pockets) == len(tools)
    slugs = {c.slug for c in panel.checks if c.severity is Severity.FAIL}
    assert not slugs & {"web-thin", "panel-edge-thin", "keep-out-cut", "seam-in-pocket"}
    assert not any(c.slug == "no-finger-access" for c in panel.checks)


@pytest.mark.parametrize("style", list(Style))
@pytest.mark.parametrize("kind", list(BayKind))
def test_every_style_keeps_every_distance(style: Style, kind: BayKind) -> None:
    bay = drawer(420, 360) if kind is BayKind.DRAWER else wall(600, 450)
    checked(heap(5), plan(bay, placement=replace(QUICK, style=style)))


def test_a_seam_a_keep_out_a_slot_and_a_well_are_kept_free() -> None:
    wanted = plan(
        drawer(1150, 400),
        placement=QUICK,
        keep_outs=(KeepOutPlan("socket", 200, 150, 90, 90, hole=True),),
        slots=(SlotPlan(("T03", "T04")),),
        tools=(ToolPlan("T01", wells=(WellPlan("knob", 20, 60, 30, 5),)),),
    )
    checked(heap(6), wanted)


def test_a_locked_tool_stays_where_it_is() -> None:
    wanted = plan(
        drawer(520, 400), placement=QUICK, moves=(MovePlan("T02", 260.0, 200.0, turn_deg=20.0),)
    )
    checked(heap(), wanted, T02=(260.0, 200.0))


def test_heavy_tools_hang_no_higher_than_a_shoulder() -> None:
    tools = [replace(t, mass_kg=3.0 if n in (1, 4) else 0.3) for n, t in enumerate(heap(6))]
    checked(tools, plan(wall(900, 620, above=900.0), placement=QUICK))


def test_a_bay_out_of_square_is_kept_within() -> None:
    bay = replace(drawer(480, 420), rising_mm=645.0, falling_mm=630.4)
    checked(heap(), plan(bay, placement=QUICK))


def test_the_same_seed_gives_the_same_places_and_another_one_may_not() -> None:
    wanted = plan(drawer(460, 400), placement=QUICK)
    made = pockets_of(7, BayKind.DRAWER)
    first, second = (fresh_choices(heap(), made, wanted)[0] for _ in range(2))
    assert [c.plan for c in first] == [c.plan for c in second]
    assert len(first) == 3
    places = [[(p.x_mm, p.y_mm, p.turn_deg) for p in c.plan.places] for c in first]
    assert places[0] != places[1] != places[2]


def test_tools_stand_parallel_in_rows_with_even_gaps_where_there_is_room() -> None:
    bars = [tool(bar(24, 160), n + 1, 0, 0, turn_deg=31.0 * n) for n in range(6)]
    wanted = plan(drawer(420, 260), placement=QUICK)
    panel, _ = arrange_tools(bars, wanted)
    boxes = sorted((p.region.bounds for p in panel.pockets), key=lambda b: b[0])
    lying = all(b[2] - b[0] > b[3] - b[1] for b in boxes)
    standing = all(b[2] - b[0] < b[3] - b[1] for b in boxes)
    assert lying or standing
    if standing:
        gaps = [b[0] - a[2] for a, b in itertools.pairwise(boxes)]
        # profiles are taken to a millimetre
        assert max(gaps) - min(gaps) <= 1.1


def test_dense_takes_less_of_the_bay_than_rows_and_keeps_the_rest_whole() -> None:
    wanted = plan(drawer(520, 360), placement=replace(QUICK, gap_mm=12.0))
    made = pockets_of(6, BayKind.DRAWER)
    used = {}
    for style in (Style.ROWS, Style.DENSE):
        one = replace(wanted, placement=replace(wanted.placement, style=style))
        panel, _ = arrange_tools(heap(6), fresh_choices(heap(6), made, one)[0][0].plan, made=made)
        used[style] = max(p.region.bounds[2] for p in panel.pockets)
    assert used[Style.DENSE] < used[Style.ROWS] - 10


def test_copies_and_typed_pockets_are_laid_out_too() -> None:
    tools = heap(4)
    wanted = plan(
        drawer(520, 380),
        placement=QUICK,
        copies=(CopyPlan("T01", mirrored=True),),
        plain=(PlainPocketPlan("charger", 90, 60, 45, powered=True),),
    )

    content = SimpleNamespace(outlines=tuple(t.outline for t in tools), lay_of={}, calibration={})
    every, _ = job_tools(content, None, wanted)  # type: ignore[arg-type]
    assert len(every) == 6
    checked(every, wanted)


def _made(wanted: PanelPlan, tools: list[Tool]) -> Made | None:
    return None if any(t.skip for t in wanted.tools) else pockets_of(len(tools), BayKind.DRAWER)


NONE_WANTED = tuple(ToolPlan(t.pocket_id, skip=True) for t in heap())
SMALL = drawer(150, 120)


@pytest.mark.parametrize(
    ("wanted", "slug", "word"),
    [
        (plan(None, placement=QUICK), "layout-needs-bay", "560x380"),
        (plan(SMALL, placement=QUICK), "panel-no-room", "T01"),
        (
            plan(drawer(520, 400), placement=QUICK, moves=(MovePlan("T02", 5.0, 200.0),)),
            "layout-locked-outside",
            "T02",
        ),
        (
            plan(
                drawer(520, 400),
                placement=QUICK,
                moves=(MovePlan("T01", 200.0, 200.0), MovePlan("T02", 210.0, 200.0)),
            ),
            "layout-locked-overlap",
            "T01 and T02",
        ),
        (
            plan(drawer(520, 400), placement=replace(QUICK, weights={"beauty": 1.0})),
            "layout-weight-unknown",
            "beauty",
        ),
        (
            plan(drawer(), placement=QUICK, tools=NONE_WANTED),
            "panel-empty",
            "no tool",
        ),
    ],
)
def test_what_cannot_be_laid_out_is_named_in_one_sentence(
    wanted: PanelPlan, slug: str, word: str
) -> None:
    tools = heap(3) if slug == "panel-no-room" else heap()  # what would help is looked for
    with pytest.raises(TracerError) as caught:
        arrange_tools(tools, wanted, made=None if wanted.bay is None else _made(wanted, tools))
    assert caught.value.slug == slug
    assert word in str(caught.value) or word in (caught.value.remedy or "")


def test_an_interrupted_search_keeps_the_best_so_far() -> None:
    wanted = plan(drawer(480, 400), placement=QUICK)
    tools = wanted_tools(heap(), wanted)
    task = task_of(
        sources_of(tools, pockets_of(7, BayKind.DRAWER)[0], wanted), wanted, plies_of(wanted)
    )
    told: list[float] = []

    def interrupt(done: float) -> None:
        told.append(done)
        if len(told) == 4:
            raise KeyboardInterrupt

    wishes = replace(wishes_of(wanted), effort=EFFORTS["long"])
    found = make_layouts(task, wishes, interrupt)
    assert found and len(told) == 4
    assert told == sorted(told) and max(told) < 1


def test_the_checker_sees_a_tool_moved_by_a_millimetre_too_much() -> None:
    wanted = plan(drawer(460, 400), placement=QUICK)
    panel = built(heap(), wanted)
    rules = rules_of(wanted, drawer())
    first, *rest = panel.pockets
    near = min(rest, key=lambda p: p.region.distance(first.region))
    apart = near.region.distance(first.region)
    dx = near.region.centroid.x - first.region.centroid.x
    dy = near.region.centroid.y - first.region.centroid.y
    far = (dx * dx + dy * dy) ** 0.5
    step = apart - rules.gap_mm + 1.0
    moved = replace(
        first, region=affinity.translate(first.region, step * dx / far * 1.6, step * dy / far * 1.6)
    )
    bad = replace(panel, pockets=(moved, *rest))
    assert violations(panel, rules, gap_mm=rules.gap_mm, edge_mm=rules.edge_mm) == []
    assert violations(bad, rules, gap_mm=rules.gap_mm, edge_mm=rules.edge_mm)
