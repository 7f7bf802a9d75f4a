"""Cable rooms a hair on either side of each of their limits."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest
from shapely.geometry import Polygon, box

from tests.panel.checks.test_limits import at, found, panel, pocket, rules
from tracer.model.fittings import BackCavity
from tracer.model.panel import Panel
from tracer.model.report import Check, Severity
from tracer.panel.checks.cavities import check_cavities

ROOM = BackCavity(
    "C01", box(100, 100, 200, 160), 12.0, box(195, 125, 230, 135), "lead", 8.0, 900.0, 45.0, "T01"
)
SOUND = panel(pocket(1, at(220, 80), depth_mm=30.0, through=True), back_cavities=(ROOM,))

CAVITIES: list[tuple[str, Callable[[float], Panel], float, float, float]] = [
    # slug, the panel at an amount, the last sound amount, the first bad one, the limit stated
    ("cavity-skin-thin", lambda v: with_room(skin_mm=v), 10.0, 9.9, 10.0),
    ("cavity-bend-tight", lambda v: with_room(bend_mm=v), 40.0, 39.9, 40.0),
    ("cavity-narrow", lambda v: with_room(region=box(100, 100, 200, 100 + v)), 10.5, 10.3, 10.5),
    ("cavity-too-small", lambda v: with_room(length_mm=v), 1074.0, 1075.0, 0.5),
    ("cavity-off-panel", lambda v: with_room(region=box(v, 100, 200, 160)), 6.6, 6.4, 10.0),
    ("cavity-too-shallow", lambda v: with_room(skin_mm=30.0 - v), 8.0, 7.9, 8.0),
    ("cavity-exit-closed", lambda v: with_room(skin_mm=30.0 - v), 10.5, 10.4, 10.5),
]  # fmt: skip


def with_room(**changes: object) -> Panel:
    return replace(SOUND, back_cavities=(replace(ROOM, **changes),))  # type: ignore[arg-type]


def cavities(of: Panel) -> list[Check]:
    return list(check_cavities(of, rules(of)))


def test_a_sound_cable_room_draws_a_caution_and_nothing_else() -> None:
    assert [c.slug for c in cavities(SOUND)] == ["cable-caution"]
    # a lead of 8 mm: 50 mm^2 a mm, half of 100 x 60 x 18 mm
    longest_mm = 0.5 * 100 * 60 * 18 / (math.pi * 16)
    assert longest_mm == pytest.approx(1074.3, abs=0.1)


@pytest.mark.parametrize(
    ("slug", "at_", "sound", "bad", "limit"), CAVITIES, ids=[c[0] for c in CAVITIES]
)
def test_cable_rooms(slug, at_, sound, bad, limit) -> None:
    assert found(cavities(at_(sound)), slug) == []
    (hit,) = found(cavities(at_(bad)), slug)
    assert hit.limit == pytest.approx(limit) and hit.subject_id == "C01"
    assert hit.severity is Severity.FAIL


def test_an_exit_ends_in_an_opening_or_at_the_edge() -> None:
    def told(exit_: Polygon | None, **changes: object) -> list[Severity]:
        one = with_room(exit=exit_, pocket_id="", **changes)
        checks = cavities(replace(one, pockets=()))
        return [c.severity for c in checks if c.slug in ("cavity-exit-closed", "cavity-no-exit")]

    assert told(None) == [Severity.WARN]
    assert told(box(195, 125, 230, 135)) == [Severity.FAIL]
    assert told(box(195, 125, 399.6, 135)) == []  # within half a millimetre of the edge
    assert told(box(195, 125, 399.2, 135)) == [Severity.FAIL]
    assert told(box(195, 125, 401.0, 135)) == []


@pytest.mark.parametrize(("gap", "hit"), [(10.1, False), (9.9, True), (0.0, True)])
def test_nothing_is_cut_near_a_room(gap: float, hit: bool) -> None:
    beside = pocket(2, at(60 - gap, 80))
    one = replace(SOUND, pockets=(*SOUND.pockets, beside))
    hits = found(cavities(one), "cavity-under-pocket")
    assert [h.value for h in hits] == ([pytest.approx(gap)] if hit else [])
    for h in hits:
        assert ("runs under" in h.sentence) is (gap == 0)
        assert h.where_mm is not None and 100 - gap - 0.1 <= h.where_mm[0] <= 100.1
