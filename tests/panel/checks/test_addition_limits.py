"""Emblems, mounts, ledges and rails a hair on either side of each of their limits."""

from __future__ import annotations

from dataclasses import replace

import pytest
from shapely.geometry import Polygon, box

from tests.panel.bench import BASE, BOARD, FACE, THIN, drawer, stack, wall
from tests.panel.checks.test_limits import (
    HEIGHT,
    SHAPE,
    WALL,
    WIDTH,
    at,
    found,
    panel,
    pocket,
    rules,
)
from tracer.model.fittings import DrillHole as Hole
from tracer.model.fittings import Inlay, Ledge, Mount, Rail
from tracer.model.panel import KeepOut, Panel, Stock
from tracer.model.report import Check, Severity
from tracer.panel.checks.additions import check_additions
from tracer.panel.fittings.rail import known_load_kg


def told(of: Panel) -> list[Check]:
    return list(check_additions(of, rules(of)))


def inlay(region: Polygon, name: str = "E01", **changes: object) -> Inlay:
    plain = Inlay(name, region, THIN, "wheel", THIN.thickness_mm)
    return replace(plain, **changes)  # type: ignore[arg-type]


def with_inlay(one: Inlay, *pockets, **changes: object) -> Panel:
    return panel(*pockets, inlays=(one,), **changes)


@pytest.mark.parametrize(("x", "rim"), [(10.0, None), (9.9, 9.9), (-5.0, 0.0)])
def test_emblems_keep_10_mm_from_the_rim(x: float, rim: float | None) -> None:
    hits = found(told(with_inlay(inlay(at(x, 80)))), "fitting-off-panel")
    assert [h.value for h in hits] == ([] if rim is None else [pytest.approx(rim)])
    assert all(h.limit == 10.0 and h.subject_id == "E01" for h in hits)


@pytest.mark.parametrize(("gap", "hit"), [(10.0, False), (9.9, True), (0.0, True)])
@pytest.mark.parametrize("what", ["pocket", "keep-out", "emblem"])
def test_emblems_keep_10_mm_from_everything(gap: float, hit: bool, what: str) -> None:
    other = at(140 + gap, 80)
    one = with_inlay(inlay(at(100, 80)))
    if what == "pocket":
        one = replace(one, pockets=(pocket(1, other),))
    elif what == "keep-out":
        one = replace(one, keep_outs=(KeepOut("pipe", other),))
    else:
        one = replace(one, inlays=(inlay(other, "E02"), *one.inlays))
    hits = found(told(one), "fitting-too-near")
    assert [h.value for h in hits] == ([pytest.approx(gap)] if hit else [])
    for h in hits:
        assert h.limit == 10.0 and h.severity is Severity.FAIL
        assert h.where_mm is not None and 140 <= h.where_mm[0] <= 140 + gap
        assert ("run into each other" in h.sentence) is (gap == 0)


@pytest.mark.parametrize(("depth", "stands"), [(2.5, None), (2.4, 0.6), (3.5, None), (3.6, -0.6)])
def test_inlays_are_flush_to_half_a_millimetre(depth: float, stands: float | None) -> None:
    hits = found(told(with_inlay(inlay(at(100, 80), depth_mm=depth))), "inlay-not-flush")
    assert [h.value for h in hits] == ([] if stands is None else [pytest.approx(stands)])
    assert all(("stands out" in h.sentence) is (stands is not None and stands > 0) for h in hits)


@pytest.mark.parametrize(
    ("depth", "through", "layers", "hit"),
    [
        (27.0, False, 2, False),  # 3 mm of the face are left, in a drawer enough
        (27.1, False, 2, True),
        (30.0, True, 2, False),
        (30.0, True, 1, True),  # nothing behind
    ],
)
def test_floors_of_emblems(depth: float, through: bool, layers: int, hit: bool) -> None:
    plies = stack(*(("face", FACE), ("base", BASE))[:layers])
    one = with_inlay(inlay(at(100, 80), depth_mm=depth, through=through), plies=plies)
    hits = found(told(one), "emblem-floor-thin")
    assert [h.value for h in hits] == ([pytest.approx(30 - depth)] if hit else [])
    assert all(h.limit == 3.0 for h in hits)


def test_emblems_contrast_three_to_one_with_the_face() -> None:
    """Against 55 grey (luminance 0.038) 3 : 1 asks for 0.214, which is 128 grey (WCAG 2.1)."""
    for grey, hit in ((132, False), (120, True)):
        stock = Stock("grey", (grey, grey, grey), "pe", 3.0, (1000.0, 500.0), 45.0, 4.0)
        hits = found(told(with_inlay(inlay(at(100, 80), stock=stock))), "emblem-contrast-low")
        assert len(hits) == hit
        assert all(h.limit == 3.0 and h.value is not None and h.value < 3 for h in hits)


@pytest.mark.parametrize(("width", "thin"), [(5.2, False), (4.8, True)])
def test_strokes_and_what_stands_between_them_are_5_mm(width: float, thin: bool) -> None:
    stroke = box(100, 100, 160, 130).union(box(160, 110, 220, 110 + width))
    hits = found(told(with_inlay(inlay(stroke))), "emblem-stroke-thin")
    assert [h.value for h in hits] == ([pytest.approx(width, abs=0.1)] if thin else [])
    gap = box(100, 100, 160, 160).difference(box(125, 110, 125 + width, 161))
    webs = found(told(with_inlay(inlay(gap))), "emblem-web-thin")
    assert [h.value for h in webs] == ([pytest.approx(width, abs=0.1)] if thin else [])
    assert all(h.limit == 5.0 for h in (*hits, *webs))


def drilled(x: float, y: float, diameter: float = 4.0) -> Hole:
    return Hole(x, y, diameter, 3.0)


HOLES = (drilled(120.0, 100.0, 4.0), drilled(120.0, 140.0, 4.0))


def mount(name: str = "M01", x: float = 100.0, **changes: object) -> Mount:
    body = at(x, 80, 40, 80)
    plain = Mount(name, "charger", HOLES, body, None, air_mm=25.0, mass_kg=0.5)
    return replace(plain, **changes)  # type: ignore[arg-type]


def with_mounts(*mounts: Mount, **changes: object) -> list[Check]:
    return told(panel(bay=WALL, mounts=mounts, **changes))


def test_a_mount_wants_a_board_and_its_holes_within_itself() -> None:
    assert with_mounts(mount()) == []
    bare = with_mounts(mount(), plies=stack(("face", FACE), ("base", BASE)))
    assert [c.slug for c in bare] == ["mount-without-board"]
    beside = (drilled(99.9, 100.0, 4.0), HOLES[0])
    (hit,) = with_mounts(mount(holes=beside))
    assert hit.slug == "mount-hole-outside" and hit.where_mm == (99.9, 100.0)
    assert with_mounts(mount(holes=(drilled(100.0, 100.0, 4.0),))) == []  # on its rim
    assert with_mounts(mount(body=None, holes=beside)) == []
    off = with_mounts(mount(body=None, holes=(drilled(-1.0, 100.0, 4.0),)))
    assert [c.slug for c in off] == ["mount-hole-outside"]


@pytest.mark.parametrize(("gap", "hit"), [(25.0, False), (24.9, True), (0.0, True), (-5.0, True)])
def test_mounts_leave_each_other_the_larger_of_their_airs(gap: float, hit: bool) -> None:
    second = mount("M02", 140 + gap, holes=(), air_mm=10.0)
    second = replace(second, holes=(drilled(150 + gap, 100.0, 4.0),))
    hits = found(with_mounts(mount(), second), "mount-too-near")
    assert [(h.value, h.limit) for h in hits] == (
        [(pytest.approx(max(gap, 0)), 25.0)] if hit else []
    )
    assert all(("overlap" in h.sentence) is (gap <= 0) for h in hits)
    unknown = with_mounts(mount(), replace(second, body=None))
    assert found(unknown, "mount-too-near") == []


@pytest.mark.parametrize(("air", "short"), [(20.0, False), (19.9, True)])
def test_what_is_powered_wants_air_and_a_caution(air: float, short: bool) -> None:
    slugs = [c.slug for c in with_mounts(mount(powered=True, air_mm=air))]
    assert slugs == (["mount-air-short"] if short else []) + ["charger-caution"]


def test_openings_of_mounts_keep_from_pockets_but_not_from_one_another() -> None:
    one = mount(opening=at(95, 75, 50, 90))
    two = replace(mount("M02", 200.0), opening=at(150, 75, 90, 90), holes=(drilled(210, 100, 4),))
    assert found(with_mounts(one, two), "fitting-too-near") == []
    near = told(panel(pocket(1, at(150, 80)), bay=WALL, mounts=(one,)))
    assert [c.value for c in found(near, "fitting-too-near")] == [5.0]


def ledge(**changes: object) -> Ledge:
    plain = Ledge("L01", "drill", at(100, 80), at(100, 80, 40, 180), 60.0, 1.5)
    return replace(plain, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("y", "proud", "slug"),
    [
        (170.0, 0.0, "ledge-covers"),  # under the thing itself
        (190.0, 10.0, None),
        (190.0, 10.1, "ledge-blocked"),  # in the way when it is lifted off
        (270.0, 30.0, None),
    ],
)
def test_ledges_leave_tools_free(y: float, proud: float, slug: str | None) -> None:
    one = panel(pocket(1, at(100, y, 40, 25), height_mm=15 + proud), bay=WALL, ledges=(ledge(),))
    slugs = [c.slug for c in told(one) if c.slug.startswith("ledge")]
    assert slugs == ([slug] if slug else [])


def test_ledges_in_each_others_way() -> None:
    above = ledge(ledge_id="L02", region=at(100, 200), room=at(100, 200, 40, 90))
    hits = found(told(panel(bay=WALL, ledges=(ledge(), above))), "ledge-blocked")
    assert [h.subject_id for h in hits] == ["L01"]  # the lower one is lifted past the upper


@pytest.mark.parametrize(
    ("height", "mass", "slugs"),
    [
        (1269.0, 2.0, []),
        (1271.0, 2.0, ["out-of-reach"]),
        (1271.0, 1.9, []),
        (1271.0, None, ["ledge-load-unknown"]),
    ],
)
def test_heavy_things_on_ledges_hang_below_the_shoulder(height, mass, slugs) -> None:
    """The ledge's middle is 130 mm above the panel's foot."""
    one = panel(bay=wall(WIDTH, HEIGHT, height - 130.0), ledges=(ledge(mass_kg=mass),))
    assert [c.slug for c in told(one)] == slugs
    nowhere = panel(bay=WALL, ledges=(ledge(mass_kg=5.0),))
    assert told(nowhere) == []


def with_rail(thickness: float = 30.0, load: float = 0.0, **changes: object) -> list[Check]:
    rail = Rail(0.0, WIDTH, thickness, 40.0, (), load)
    tool = pocket(1, at(100, 80), mass_kg=load)
    return told(panel(tool, bay=WALL, rail=rail, **changes))


@pytest.mark.parametrize(("thickness", "thin"), [(26.0, False), (25.9, True)])
def test_half_the_panel_rests_on_its_rail(thickness: float, thin: bool) -> None:
    """30 + 10 + 12 mm of face, base and board."""
    hits = found(with_rail(thickness), "rail-thin")
    assert [(h.value, h.limit) for h in hits] == ([(thickness, 26.0)] if thin else [])


def test_a_rail_carries_50_kg() -> None:
    own, known = known_load_kg(panel(bay=WALL))
    # 0.12 m^2 of 30 + 10 mm foam of 45 kg/m^3 and 12 mm of board of 680 kg/m^3
    assert known and own == pytest.approx(0.12 * (0.040 * 45 + 0.012 * 680), rel=0.01)
    assert found(with_rail(load=49.9 - own), "rail-load-heavy") == []
    (hit,) = found(with_rail(load=50.1 - own), "rail-load-heavy")
    assert (hit.value, hit.limit) == (pytest.approx(50.1), 50.0)
    unknown = replace(BOARD, density_kg_m3=None)
    plies = stack(("face", FACE), ("base", BASE), ("backing", unknown))
    assert len(found(with_rail(plies=plies), "rail-load-unknown")) == 1
    assert found(with_rail(), "rail-load-unknown") == []


def test_nothing_beside_pockets_draws_nothing() -> None:
    assert told(panel(pocket(1, at(100, 80)), bay=drawer(WIDTH, HEIGHT))) == []
    assert SHAPE.area == WIDTH * HEIGHT
