"""Every check with a number, a hair on either side of its limit, and what it then states.

Panels here are drawn by hand: plain boxes in known places, so that each distance is known without
measuring. Limits are the rules' own; their bases stand in `tracer.panel.rules.TABLE`.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from shapely import affinity
from shapely.geometry import Polygon, box

from tests.panel.bench import BASE, BOARD, FACE, drawer, plan, stack, wall
from tracer.model.panel import (
    Bay,
    BayKind,
    Fixing,
    KeepOut,
    Label,
    Notch,
    Panel,
    PanelPocket,
    Placement,
    Tile,
)
from tracer.model.panel_plan import ToolPlan
from tracer.model.report import Check, Severity
from tracer.panel.checks.shapes import check_shapes
from tracer.panel.checks.use import check_use
from tracer.panel.rules import Rules, rules_for

WIDTH, HEIGHT = 400.0, 300.0
SHAPE = box(0, 0, WIDTH, HEIGHT)
FOAM = stack(("face", FACE), ("base", BASE))
BACKED = stack(("face", FACE), ("base", BASE), ("backing", BOARD))
DRAWER, WALL = drawer(WIDTH, HEIGHT), wall(WIDTH, HEIGHT)


def pocket(number: int, region: Polygon, **changes: object) -> PanelPocket:
    """A tool of 24 mm, held over 15 of them; no gap, so that outline and opening are one."""
    name = f"T{number:02d}"
    plain = PanelPocket(
        name, number, f"tool {number}", name, 1, Placement(0, 0), region, region, region,
        0.0, 0.9, (0.0, 0.0), 24.0, 15.0, False, label=Label("1", 0, 0, 5.0),
    )  # fmt: skip
    return replace(plain, **changes)  # type: ignore[arg-type]


def at(x: float, y: float, w: float = 40.0, h: float = 100.0) -> Polygon:
    return box(x, y, x + w, y + h)


def panel(*pockets: PanelPocket, bay: Bay = DRAWER, **changes: object) -> Panel:
    plies = BACKED if bay.kind is BayKind.WALL else FOAM
    return replace(
        Panel("Bench", 1, bay, SHAPE, plies, pockets),
        **changes,  # type: ignore[arg-type]
    )


def rules(of: Panel) -> Rules:
    return rules_for(of.bay.kind)


def shapes(of: Panel) -> list[Check]:
    return list(check_shapes(of, rules(of)))


def use(of: Panel, *tools: ToolPlan) -> list[Check]:
    return list(check_use(of, plan(of.bay, tools=tools), (), rules(of)))


def found(checks: list[Check], slug: str) -> list[Check]:
    return [c for c in checks if c.slug == slug]


def web(gap: float) -> Panel:
    return panel(pocket(1, at(50, 80)), pocket(2, at(90 + gap, 80)), bay=WALL)


@pytest.mark.parametrize(
    ("gap", "severity", "limit"),
    [
        (15.01, None, 0),
        (14.9, Severity.WARN, 15.0),
        (10.01, Severity.WARN, 15.0),
        (9.9, Severity.FAIL, 10.0),
        (0.0, Severity.FAIL, 10.0),
    ],
)
def test_webs(gap: float, severity: Severity | None, limit: float) -> None:
    hits = found(shapes(web(gap)), "web-thin")
    if severity is None:
        assert hits == []
        return
    (hit,) = hits
    assert (hit.severity, hit.limit, hit.unit, hit.subject_id) == (severity, limit, "mm", "T01")
    assert hit.value == pytest.approx(gap, abs=0.005)
    assert hit.where_mm == pytest.approx((90 + gap / 2, 130), abs=50)  # along the web
    assert hit.where_mm is not None and 90 <= hit.where_mm[0] <= 90 + gap
    assert ("run into each other" in hit.sentence) is (gap == 0)


def test_distances_are_told_to_a_hundredth() -> None:
    both = web(9.8765)
    assert [c.value for c in found(shapes(both), "web-thin")] == [9.88]
    near = panel(pocket(1, at(9.8765, 80)), bay=WALL)
    assert [c.value for c in found(shapes(near), "panel-edge-thin")] == [9.88]
    usual = panel(pocket(1, at(29.8765, 80)), bay=WALL)
    assert [c.value for c in found(shapes(usual), "panel-edge-near")] == [29.88]
    keep = KeepOut("pipe", box(99.8765, 100, 120, 140), True)
    cut = panel(pocket(1, at(50, 80)), keep_outs=(keep,))
    assert [c.value for c in found(shapes(cut), "keep-out-cut")] == [9.88]
    screw = panel(pocket(1, at(50, 80)), bay=WALL, fixings=(Fixing(99.8765, 130.0, "field"),))
    assert [c.value for c in found(shapes(screw), "fixing-under-pocket")] == [9.88]


def test_where_two_openings_overlap_is_where_they_do() -> None:
    (hit,) = found(shapes(web(-10.0)), "web-thin")
    assert hit.value == 0 and hit.where_mm == pytest.approx((85, 130))


def test_pockets_on_one_slot_are_told_by_their_walls() -> None:
    """The slot joins the openings; what stands between the tools themselves still counts."""
    slot = Notch(box(40, 120, 180, 140), 15.0, 2, ("T02",))
    for gap, slugs in ((12.0, []), (8.0, ["web-thin"])):
        both = panel(pocket(1, at(50, 80), notches=(slot,)), pocket(2, at(90 + gap, 80)), bay=WALL)
        hits = found(shapes(both), "web-thin")
        assert [c.slug for c in hits] == slugs
        assert [c.value for c in hits] == [gap] * len(slugs)


@pytest.mark.parametrize(
    ("x", "slug", "value"),
    [
        (9.9, "panel-edge-thin", 9.9),
        (10.0, "panel-edge-near", 10.0),
        (38.9, "panel-edge-near", 38.9),
        (39.1, None, 0),
        (-5.0, "panel-edge-thin", 0.0),
        (-60.0, "panel-edge-thin", 0.0),
    ],
)
def test_rims(x: float, slug: str | None, value: float) -> None:
    """40 mm are usual on a wall; one less is not worth a word."""
    checks = shapes(panel(pocket(1, at(x, 80)), bay=WALL))
    hits = found(checks, "panel-edge-thin") + found(checks, "panel-edge-near")
    assert [h.slug for h in hits] == ([slug] if slug else [])
    for hit in hits:
        assert hit.value == pytest.approx(value)
        assert hit.limit == (10.0 if slug == "panel-edge-thin" else 40.0)
        assert ("reaches over" in hit.sentence) is (x < 0)
        assert hit.severity is (Severity.FAIL if slug == "panel-edge-thin" else Severity.NOTE)
        assert hit.where_mm is not None and hit.where_mm[0] <= max(x, 0)


def test_a_notch_may_reach_into_the_margin_and_not_to_the_rim() -> None:
    for left, slugs in ((15.0, set()), (5.0, {"panel-edge-thin"})):
        notch = Notch(box(left, 120, 60, 140), 15.0, 1)
        checks = shapes(panel(pocket(1, at(50, 80), notches=(notch,)), bay=WALL))
        assert {c.slug for c in checks if c.slug.startswith("panel-edge")} == slugs


@pytest.mark.parametrize(
    ("gap", "hole", "cut"),
    [(0.5, False, False), (0.0, False, True), (10.1, True, False), (9.9, True, True)],
)
def test_keep_outs(gap: float, hole: bool, cut: bool) -> None:
    keep = KeepOut("pipe", box(90 + gap, 100, 120 + gap, 140), hole)
    hits = found(shapes(panel(pocket(1, at(50, 80)), keep_outs=(keep,))), "keep-out-cut")
    assert len(hits) == cut
    for hit in hits:
        assert hit.value == pytest.approx(gap) and hit.limit == (10.0 if hole else 0.0)


@pytest.mark.parametrize(
    ("size", "fits"),
    [
        ((400.0, 300.0), True),
        ((300.0, 400.0), True),  # turned
        ((399.95, 299.95), True),  # a tenth is within any saw
        ((399.85, 300.0), False),
        ((400.0, 299.85), False),
        ((5000.0, 299.0), False),
    ],
)
@pytest.mark.parametrize("shift", [0.0, 700.0])
def test_sheets(size: tuple[float, float], fits: bool, shift: float) -> None:
    """Wherever the panel lies in its frame."""
    shape = affinity.translate(SHAPE, shift, 2 * shift)
    face = replace(FACE, size_mm=size)
    one = panel(shape=shape, plies=stack(("face", face)), tiles=(Tile(0, 1, shape),))
    hits = found(shapes(one), "sheet-too-small")
    assert len(hits) == (not fits)
    for hit in hits:
        assert (hit.value, hit.limit) == (400.0, max(size))


def test_a_seam_through_a_pocket_fails_in_the_face_and_is_told_below() -> None:
    halves = [box(0, 0, WIDTH, 150), box(0, 150, WIDTH, HEIGHT)]
    for slab, depth, severity in (
        (0, 15.0, Severity.FAIL),
        (1, 35.0, Severity.WARN),
        (1, 15.0, None),  # not so deep: the base is whole there
    ):
        whole = Tile(1 - slab, 1, SHAPE)
        cut = [Tile(slab, n, half) for n, half in enumerate(halves, start=1)]
        one = panel(pocket(1, at(50, 80), depth_mm=depth), tiles=(whole, *cut))
        hits = found(shapes(one), "seam-in-pocket")
        assert [h.severity for h in hits] == ([severity] if severity else [])
        assert all(h.where_mm == pytest.approx((70, 150)) for h in hits)


@pytest.mark.parametrize(("x", "hit"), [(100.1, False), (99.9, True), (70.0, True)])
def test_screws_under_pockets(x: float, hit: bool) -> None:
    one = panel(pocket(1, at(50, 80)), bay=WALL, fixings=(Fixing(x, 130.0, "field"),))
    hits = found(shapes(one), "fixing-under-pocket")
    assert [h.value for h in hits] == ([pytest.approx(max(x - 90, 0))] if hit else [])
    assert all(h.limit == 10.0 and h.where_mm == (x, 130.0) for h in hits)


@pytest.mark.parametrize(
    ("x", "mass", "hit"),
    [(189.0, 2.0, False), (191.0, 2.0, True), (191.0, 1.9, False), (191.0, None, False)],
)
def test_heavy_tools_want_a_screw_within_100_mm(x: float, mass: float | None, hit: bool) -> None:
    screws = (Fixing(390.0, 290.0, "border"), Fixing(x, 130.0, "heavy"))
    one = panel(pocket(1, at(50, 80), mass_kg=mass), bay=WALL, fixings=screws)
    hits = found(shapes(one), "fixing-far-from-heavy")
    assert [h.value for h in hits] == ([x - 90] if hit else [])
    assert all(h.limit == 100.0 for h in hits)


@pytest.mark.parametrize(
    ("depth", "bay", "value"),
    [
        (15.0, DRAWER, None),
        (30.0, DRAWER, None),  # just through the face: the base is its floor
        (37.0, DRAWER, None),  # 3 mm of foam in a drawer, 5 on a wall
        (37.1, DRAWER, 2.9),
        (37.0, WALL, 3.0),
        (35.0, WALL, None),
        (40.0, DRAWER, 0.0),  # nothing behind
        (40.0, WALL, None),  # the board is its floor
        (41.0, WALL, -1.0),
        (41.0, DRAWER, -1.0),
    ],
)
def test_floors(depth: float, bay: Bay, value: float | None) -> None:
    hits = found(use(panel(pocket(1, at(50, 80), depth_mm=depth), bay=bay)), "floor-thin")
    assert [h.value for h in hits] == ([] if value is None else [value])
    for hit in hits:
        assert hit.limit == (5.0 if bay.kind is BayKind.WALL else 3.0)
        assert hit.where_mm is not None and at(50, 80).contains_properly(
            affinity.translate(box(-1, -1, 1, 1), *hit.where_mm)
        )
        assert ("deeper than the foam is thick" in hit.sentence) is (depth > 40)


@pytest.mark.parametrize(
    ("layers", "missing"),
    [
        ((("face", FACE),), True),
        ((("face", FACE), ("base", BASE)), False),
        ((("face", FACE), ("backing", BOARD)), False),
    ],
)
def test_a_pocket_right_through_wants_something_behind(layers, missing: bool) -> None:
    one = panel(pocket(1, at(50, 80), depth_mm=30.0, through=True), plies=stack(*layers))
    assert len(found(use(one), "floor-missing")) == missing
    flat = panel(pocket(1, at(50, 80), depth_mm=20.0), plies=stack(*layers))
    assert found(use(flat), "floor-missing") == []


@pytest.mark.parametrize(
    ("clear", "severity", "value"),
    [
        (53.0, None, None),  # 40 mm of foam, 9 proud, 4 of air
        (52.9, Severity.WARN, 3.9),
        (49.0, Severity.WARN, 0.0),
        (48.9, Severity.FAIL, -0.1),
        (None, None, None),
    ],
)
def test_drawers_that_close(clear, severity, value) -> None:
    one = panel(pocket(1, at(50, 80)), bay=drawer(WIDTH, HEIGHT, clear))
    hits = found(use(one), "does-not-close")
    assert [(h.severity, h.value) for h in hits] == ([(severity, value)] if severity else [])
    # sunk deep enough the tool is out of the way
    for hit in hits:
        deep = float(hit.remedy.split("Sink it ")[1].split(" mm")[0])
        mended = panel(pocket(1, at(50, 80), depth_mm=deep), bay=drawer(WIDTH, HEIGHT, clear))
        assert found(use(mended), "does-not-close") == []
        less = panel(pocket(1, at(50, 80), depth_mm=deep - 1), bay=drawer(WIDTH, HEIGHT, clear))
        assert len(found(use(less), "does-not-close")) == 1


def test_a_tool_below_the_face_closes_as_the_foam_does() -> None:
    for clear, hits in ((44.0, 0), (43.9, 1)):
        one = panel(
            pocket(1, at(50, 80), height_mm=10.0, depth_mm=15.0), bay=drawer(WIDTH, HEIGHT, clear)
        )
        checks = found(use(one), "does-not-close")
        assert len(checks) == hits
        assert all("foam alone" in c.sentence for c in checks)


@pytest.mark.parametrize(("height", "hit"), [(30.0, False), (30.1, True), (0.0, False)])
def test_half_a_tool_lies_in_its_pocket_in_a_drawer(height: float, hit: bool) -> None:
    hits = found(use(panel(pocket(1, at(50, 80), height_mm=height))), "pocket-shallow")
    assert len(hits) == hit
    assert all(h.limit == 0.5 and h.value == pytest.approx(15 / height, abs=5e-4) for h in hits)


@pytest.mark.parametrize(
    ("height", "mass", "slug", "severity"),
    [
        (30.1, None, "falls-out", Severity.FAIL),  # its middle stands before the face
        (29.9, None, "tips-easily", Severity.WARN),
        (29.9, 2.0, "tips-easily", Severity.FAIL),
        (29.9, 1.9, "tips-easily", Severity.WARN),
        # the middle 50 mm over the lip: a degree is 0.873 mm
        (28.26, None, "tips-easily", Severity.WARN),
        (28.24, None, None, None),
    ],
)
def test_tools_stay_on_the_wall(height, mass, slug, severity) -> None:
    checks = use(panel(pocket(1, at(50, 80), height_mm=height, mass_kg=mass), bay=WALL))
    hits = found(checks, "falls-out") + found(checks, "tips-easily")
    assert [(h.slug, h.severity) for h in hits] == ([(slug, severity)] if slug else [])
    if slug == "falls-out":
        assert (hits[0].value, hits[0].limit, hits[0].unit) == (-0.05, 0.0, "mm")
    if slug == "tips-easily":
        assert (hits[0].limit, hits[0].unit) == (1.0, "deg")


@pytest.mark.parametrize(("mass", "hit"), [(1.2, False), (1.25, True)])
def test_foam_bears_20_kpa(mass: float, hit: bool) -> None:
    """1.2232 kg on 40 x 15 mm are 20 kPa (9.81 N/kg)."""
    one = panel(pocket(1, at(50, 80), height_mm=24, mass_kg=mass), bay=WALL)
    hits = found(use(one), "foam-overloaded")
    assert len(hits) == hit
    assert all(h.value == pytest.approx(mass * 9.81 / 0.6, abs=0.05) for h in hits)


@pytest.mark.parametrize(
    ("proud", "notched", "hit"),
    [(15.0, False, False), (14.9, False, True), (-2.0, False, True), (5.0, True, False)],
)
def test_fingers_find_15_mm_or_a_notch(proud: float, notched: bool, hit: bool) -> None:
    notch = (Notch(box(40, 120, 100, 140), 15.0, 2),) if notched else ()
    one = pocket(1, at(50, 80), height_mm=15 + proud, notches=notch)
    hits = found(use(panel(one)), "no-finger-access")
    assert [h.value for h in hits] == ([proud] if hit else [])
    assert all(h.severity is Severity.WARN and h.limit == 15.0 for h in hits)
    asked = found(use(panel(one), ToolPlan("T01", notch=False)), "no-finger-access")
    assert [h.severity for h in asked] == [Severity.NOTE] * hit
    neighbour = pocket(2, at(150, 80), notches=(Notch(box(40, 120, 200, 140), 15.0, 2, ("T01",)),))
    shared = found(use(panel(one, neighbour)), "no-finger-access")
    assert [h.subject_id for h in shared] == []


@pytest.mark.parametrize(
    ("height", "mass", "daily", "severity", "limit"),
    [
        (1799, None, False, None, 0),
        (1801, None, False, Severity.WARN, 1800),
        (200, None, False, None, 0),  # light things may hang low
        (1269, 2.0, False, None, 0),
        (1271, 2.0, False, Severity.WARN, 1270),
        (1271, 1.9, False, None, 0),
        (1271, None, True, Severity.WARN, 1270),
        (1011, 2.0, False, None, 0),
        (1009, 2.0, False, Severity.WARN, 1010),
        (1009, None, True, Severity.WARN, 1010),
        (1801, 2.0, False, Severity.FAIL, 1270),  # heavy and over heads
        (1799, 2.0, False, Severity.WARN, 1270),
        (1801, None, True, Severity.WARN, 1270),
    ],
)
def test_reach(height, mass, daily, severity, limit) -> None:
    """The middle of the tool hangs 130 mm above the panel's foot."""
    one = panel(pocket(1, at(50, 80), mass_kg=mass), bay=wall(WIDTH, HEIGHT, height - 130.0))
    hits = found(use(one, ToolPlan("T01", daily=daily)), "out-of-reach")
    assert [(h.severity, h.value, h.limit) for h in hits] == (
        [(severity, height, limit)] if severity else []
    )
    nobody_asked = replace(one, bay=replace(one.bay, kind=BayKind.DRAWER))
    assert found(use(nobody_asked), "out-of-reach") == []
