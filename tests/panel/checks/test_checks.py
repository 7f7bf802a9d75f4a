"""Every check, each with a sound panel that passes and a damaged one that does not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import affinity
from shapely.geometry import MultiPolygon, Polygon, box

from tests.panel.bench import (
    BASE,
    FACE,
    drawer,
    panel_of,
    plan,
    row_of_bars,
    spanner,
    stack,
    tool,
    wall,
)
from tracer.model.outline import EdgeModel, HeightSource
from tracer.model.panel import Fixing, KeepOut, Panel, Tile, Well
from tracer.model.panel_plan import SlotPlan, ToolPlan
from tracer.model.report import Check, Severity
from tracer.panel.checks.report import check_panel, failed, limit_basis, sorted_checks
from tracer.panel.checks.shapes import thin_webs
from tracer.panel.layout.places import Tool
from tracer.panel.stock.layers import layered

TOOLS = row_of_bars(4, height_mm=24.0)
DRAWER_PLAN = plan(drawer(clear=70.0))
WALL_PLAN = plan(wall(above=1000.0))
SOUND_DRAWER = panel_of(TOOLS, DRAWER_PLAN)
SOUND_WALL = panel_of(TOOLS, WALL_PLAN)


def slugs(checks: tuple[Check, ...]) -> set[str]:
    return {c.slug for c in checks}


def with_pocket(panel: Panel, index: int = 0, **changes: object) -> Panel:
    pockets = list(panel.pockets)
    pockets[index] = replace(pockets[index], **changes)  # type: ignore[arg-type]
    return replace(panel, pockets=tuple(pockets))


def moved(panel: Panel, index: int, dx: float) -> Panel:
    old = panel.pockets[index]
    shift = lambda g: affinity.translate(g, dx, 0)  # noqa: E731
    notches = tuple(replace(n, region=shift(n.region)) for n in old.notches)
    return with_pocket(
        panel, index, region=shift(old.region), outline=shift(old.outline), notches=notches
    )


def plies(panel: Panel, *layers: tuple[str, object]) -> Panel:
    return replace(panel, plies=stack(*layers))  # type: ignore[arg-type]


def test_sound_panels_have_nothing_worse_than_a_note() -> None:
    for panel, wanted in ((SOUND_DRAWER, DRAWER_PLAN), (SOUND_WALL, WALL_PLAN)):
        found = check_panel(panel, wanted, TOOLS)
        assert [c for c in found if c.severity is not Severity.NOTE] == []


Damage = Callable[[Panel], Panel]
DAMAGES: list[tuple[str, Severity, bool, Damage]] = [
    ("web-thin", Severity.FAIL, False, lambda p: moved(p, 0, 35)),
    ("panel-edge-thin", Severity.FAIL, False, lambda p: moved(p, 0, -75)),
    ("panel-edge-near", Severity.NOTE, False, lambda p: moved(with_pocket(p, notches=()), 0, -62)),
    ("label-no-room", Severity.NOTE, False, lambda p: with_pocket(p, label=None)),
    (
        "keep-out-cut",
        Severity.FAIL,
        False,
        lambda p: replace(p, keep_outs=(KeepOut("pipe", p.pockets[1].region.centroid.buffer(5)),)),
    ),
    (
        "sheet-too-small",
        Severity.FAIL,
        False,
        lambda p: plies(p, ("face", replace(FACE, size_mm=(300.0, 200.0))), ("base", BASE)),
    ),
    (
        "seam-in-pocket",
        Severity.FAIL,
        False,
        lambda p: replace(
            p,
            tiles=(
                Tile(0, 1, box(0, 0, 420, 130)),
                Tile(0, 2, box(0, 130, 420, 260)),
                Tile(1, 1, p.shape),
            ),
        ),
    ),
    (
        "fixing-under-pocket",
        Severity.FAIL,
        True,
        lambda p: replace(p, fixings=(Fixing(*p.pockets[0].region.centroid.coords[0], "field"),)),
    ),
    (
        "fixing-far-from-heavy",
        Severity.WARN,
        True,
        lambda p: replace(
            with_pocket(p, mass_kg=2.5, height_mm=20.0), fixings=(Fixing(400, 280, "border"),)
        ),
    ),
    (
        "contrast-low",
        Severity.WARN,
        False,
        lambda p: plies(p, ("face", FACE), ("base", replace(BASE, rgb=(200, 30, 30)))),
    ),
    ("contrast-none", Severity.WARN, False, lambda p: plies(
        replace(p, pockets=tuple(replace(q, floor_insert=None) for q in p.pockets)), ("face", FACE)
    )),
    (
        "floor-without-contrast",
        Severity.NOTE,
        False,
        lambda p: with_pocket(p, floor_insert=None, through=False, depth_mm=15.0),
    ),
    (
        "floor-missing",
        Severity.FAIL,
        False,
        lambda p: plies(with_pocket(p, through=True, depth_mm=30.0), ("face", FACE)),
    ),
    ("floor-thin", Severity.FAIL, False, lambda p: with_pocket(p, depth_mm=38.0)),
    ("does-not-close", Severity.FAIL, False, lambda p: with_pocket(p, height_mm=50.0)),
    ("pocket-shallow", Severity.WARN, False, lambda p: with_pocket(p, height_mm=39.0)),
    ("falls-out", Severity.FAIL, True, lambda p: with_pocket(p, height_mm=45.0)),
    ("tips-easily", Severity.WARN, True, lambda p: with_pocket(p, height_mm=33.0)),
    ("foam-overloaded", Severity.WARN, True, lambda p: with_pocket(p, mass_kg=1.9)),
    ("no-finger-access", Severity.WARN, False, lambda p: with_pocket(p, notches=())),
    (
        "out-of-reach",
        Severity.WARN,
        True,
        lambda p: replace(p, bay=replace(p.bay, above_floor_mm=1900.0)),
    ),
    ("pocket-stale", Severity.FAIL, False, lambda p: with_pocket(p, outline_revision=7)),
    (
        "tilt-unknown",
        Severity.WARN,
        False,
        lambda p: with_pocket(p, wells=(Well("knob", p.pockets[0].region, 22.0),)),
    ),
]  # fmt: skip


@pytest.mark.parametrize(
    ("slug", "severity", "on_wall", "damage"), DAMAGES, ids=[d[0] for d in DAMAGES]
)
def test_each_damage_is_found(slug: str, severity: Severity, on_wall: bool, damage: Damage) -> None:
    panel, wanted = (SOUND_WALL, WALL_PLAN) if on_wall else (SOUND_DRAWER, DRAWER_PLAN)
    before = check_panel(panel, wanted, TOOLS)
    after = check_panel(damage(panel), wanted, TOOLS)
    assert slug not in slugs(before)
    hits = [c for c in after if c.slug == slug]
    assert hits and hits[0].severity is severity
    assert hits[0].sentence.endswith(".")


def with_poses(photographed: str | None, stored: str | None, name: str) -> list[tuple[str, str]]:
    """Slug and sentence of what is said of the first tool's pose."""
    tools = [replace(TOOLS[0], pose=photographed), *TOOLS[1:]]
    wanted = replace(DRAWER_PLAN, tools=(ToolPlan(TOOLS[0].pocket_id, pose=stored),))
    panel = with_pocket(SOUND_DRAWER, name=name)
    return [
        (c.slug, c.sentence)
        for c in check_panel(panel, wanted, tools)
        if c.slug.startswith("pose-")
    ]


def test_a_tool_stored_in_another_pose_than_photographed_is_told() -> None:
    ((slug, sentence),) = with_poses("open", "Closed", "cable cutters")
    assert slug == "pose-differs" and "'open'" in sentence and "'Closed'" in sentence
    assert with_poses("closed", " Closed ", "cable cutters") == []
    assert with_poses("closed", None, "cable cutters") == []


def test_tools_with_moving_parts_are_asked_for_once() -> None:
    ((slug, sentence),) = with_poses(None, None, "cable cutters")
    assert slug == "pose-unsaid" and "cable cutters" in sentence
    assert with_poses(None, None, "cone spanner") == []


def source(**changes: object) -> list[Tool]:
    first = TOOLS[0]
    return [replace(first, outline=replace(first.outline, **changes)), *TOOLS[1:]]  # type: ignore[arg-type]


def test_where_outlines_came_from_is_checked() -> None:
    check = lambda tools: slugs(check_panel(SOUND_DRAWER, DRAWER_PLAN, tools))  # noqa: E731
    assert "tool-incomplete" in check(source(cut_by_frame=True))
    assert "depth-without-height" in check(source(height_source=HeightSource.ASSUMED))
    assert "pocket-stale" in check(source(revision=2))
    assert "pocket-without-tool" in check(TOOLS[1:])
    stranger = replace(TOOLS[0], pocket_id="T09")
    assert "tool-without-pocket" in check([*TOOLS, stranger])
    assert not {"pocket-without-tool", "tool-without-pocket"} & check(TOOLS)
    assert "battery-caution" in check([replace(TOOLS[0], kind="powered"), *TOOLS[1:]])


def test_a_heavy_tool_overhead_fails_and_a_daily_one_is_warned_about() -> None:
    panel = with_pocket(SOUND_WALL, mass_kg=2.5)
    panel = replace(panel, bay=replace(panel.bay, above_floor_mm=1750.0))
    hits = [c for c in check_panel(panel, WALL_PLAN, TOOLS) if c.slug == "out-of-reach"]
    assert hits[0].severity is Severity.FAIL and "overhead" not in hits[0].slug
    daily = replace(WALL_PLAN, tools=(ToolPlan("T02", daily=True),))
    low = replace(SOUND_WALL, bay=replace(SOUND_WALL.bay, above_floor_mm=500.0))
    found = [c for c in check_panel(low, daily, TOOLS) if c.slug == "out-of-reach"]
    assert [c.subject_id for c in found] == ["T02"]


def test_webs_agree_with_brute_force() -> None:
    rng = np.random.default_rng(11)
    shapes: list[Polygon | MultiPolygon] = []
    for _ in range(200):
        points = rng.normal(0, 14, (9, 2)) + rng.uniform(0, 900, 2)
        shapes.append(shapely.MultiPoint(points).convex_hull)
    limit = 15.0
    brute = {
        (i, j): shapes[i].distance(shapes[j])
        for i in range(200)
        for j in range(i + 1, 200)
        if shapes[i].distance(shapes[j]) < limit
    }
    found = {(i, j): d for i, j, d, _ in thin_webs(list(shapes), limit)}
    assert found.keys() == brute.keys() and len(found) > 20
    assert all(found[k] == pytest.approx(brute[k]) for k in brute)


def test_notches_count_as_openings() -> None:
    # the bars stand far enough apart, their notches do not
    near = row_of_bars(2, pitch=48.0)
    wanted = plan(drawer(), tools=(ToolPlan("T01", notch=False), ToolPlan("T02", notch=False)))
    panel = panel_of(near, wanted)
    assert "web-thin" not in slugs(check_panel(panel, wanted, near))
    donor = SOUND_DRAWER.pockets[0]
    shift = panel.pockets[0].region.centroid.x - donor.region.centroid.x
    lift = panel.pockets[0].region.centroid.y - donor.region.centroid.y
    notch = replace(
        donor.notches[0], region=affinity.translate(donor.notches[0].region, shift, lift)
    )
    assert "web-thin" in slugs(check_panel(with_pocket(panel, notches=(notch,)), wanted, near))


def test_tools_on_one_finger_slot_may_share_it() -> None:
    near = row_of_bars(4, pitch=42.0)
    wanted = plan(drawer(), slots=(SlotPlan(("T01", "T02", "T03", "T04")),))
    panel = panel_of(near, wanted)
    found = check_panel(panel, wanted, near)
    assert panel.pockets[0].notches[0].shared_with == ("T02", "T03", "T04")
    assert "no-finger-access" not in slugs(found)
    assert not [c for c in found if c.slug == "web-thin" and c.severity is Severity.FAIL]
    slot = panel.pockets[0].notches[0].region
    assert all(slot.intersects(p.region) for p in panel.pockets)


def test_accepted_checks_do_not_count_and_order_is_worst_first() -> None:
    panel = moved(SOUND_DRAWER, 0, 35)
    found = check_panel(panel, DRAWER_PLAN, TOOLS)
    assert slugs(failed(found)) == {"web-thin"}
    assert failed(found, ("web-thin",)) == ()
    order = [Severity.FAIL, Severity.WARN, Severity.NOTE]
    ranks = [order.index(c.severity) for c in found]
    assert ranks == sorted(ranks)
    assert sorted_checks(panel, [*found, *found]) == found
    assert "common practice" in limit_basis("web-thin") and limit_basis("label-no-room") == ""


def test_every_pocket_contains_its_outline_moved_by_the_fit() -> None:
    for panel in (SOUND_DRAWER, SOUND_WALL):
        for p in panel.pockets:
            # lines and arcs lie within 0.1 mm to both sides, regions are kept within 0.01 mm
            promised = p.outline.buffer(p.fit_mm) if p.fit_mm else p.outline
            assert promised.difference(p.region.buffer(0.16)).is_empty


def seen_through(tool: Tool) -> Tool:
    """The tool as several photos show it: its holes are sure."""
    return replace(tool, outline=replace(tool.outline, method=EdgeModel.VIEWS))


def test_islands_and_holes_survive() -> None:
    ring = tool(spanner(200, 90), 1, 0, 0, height_mm=20)
    panel = panel_of([seen_through(ring)], plan(drawer()))
    (pocket,) = panel.pockets
    assert len(pocket.region.interiors) == 1
    assert pocket.floor_insert is not None and len(pocket.floor_insert.region.interiors) == 1
    # cut right through layer by layer, an island has nothing to stand on
    flat, noted = layered(panel, plan(drawer()))
    assert "island-lost" in slugs(noted)
    assert not flat.pockets[0].region.interiors


@pytest.mark.parametrize(
    ("height", "clear", "says", "remedy"),
    [
        # 10 mm of base and 4 of air: 66 mm are needed for a tool of 52, wherever it rests
        (52.0, 60.0, "drawer is too shallow", "a drawer of 66 mm; tools up to 46 mm"),
        # the foam alone is 40 mm
        (12.0, 41.0, "foam alone, 40 mm", "together no more than 37 mm"),
    ],
)
def test_a_drawer_too_shallow_is_called_so(
    height: float, clear: float, says: str, remedy: str
) -> None:
    panel = panel_of(row_of_bars(1, height_mm=height), plan(drawer(420, 260, clear)))
    (check,) = (c for c in check_panel(panel, plan(drawer(420, 260, clear))) if
                c.slug == "does-not-close")  # fmt: skip
    assert says in check.sentence and remedy in check.remedy


def test_a_pocket_too_shallow_for_the_face_names_the_foam_it_needs() -> None:
    wanted = plan(drawer(420, 260))
    panel = panel_of(row_of_bars(1, height_mm=70.0), wanted)
    (check,) = (c for c in check_panel(panel, wanted) if c.slug == "pocket-shallow")
    # half of 70 mm
    assert "a face of 35 mm of foam" in check.remedy
    typed = plan(drawer(420, 260), tools=(ToolPlan("T01", depth_mm=8.0),))
    panel = panel_of(row_of_bars(1, height_mm=40.0), typed)
    (check,) = (c for c in check_panel(panel, typed) if c.slug == "pocket-shallow")
    assert "20 mm deep" in check.remedy
