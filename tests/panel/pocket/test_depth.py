"""Depths by rule, and the statics of a tool on a wall."""

from __future__ import annotations

import math

import pytest
from shapely.geometry import box

from tests.panel.bench import FACE, THIN, drawer, wall
from tracer.model.panel import BayKind, PanelPocket, Placement
from tracer.panel.pocket.depth import closing_air_mm, propose_depth, retention
from tracer.panel.rules import TABLE, rules_for

WALL, DRAWER = rules_for(BayKind.WALL), rules_for(BayKind.DRAWER)


def pocket(height: float, depth: float, mass: float | None = None, width: float = 40.0):
    shape = box(0, 0, width, 200)
    return PanelPocket(
        "T01", 1, "block", "T01", 1, Placement(0, 0), shape, shape, shape, 0.0, 1.0, (0.0, 0.0),
        height, depth, False,
        mass_kg=mass,
    )  # fmt: skip


@pytest.mark.parametrize("height", [22.0, 30.0, 38.0, 60.0])
def test_depths_stay_in_the_trades_ranges(height: float) -> None:
    # 60-80 % of the tool on a wall, 50-75 % in a drawer: common practice, no source
    for bay, rules, low, high in ((wall(), WALL, 0.6, 0.8), (drawer(), DRAWER, 0.5, 0.75)):
        got = propose_depth(height, bay=bay, face_mm=100, stack_mm=110, insert=THIN, rules=rules)
        # rounding up to whole millimetres adds up to 1 mm
        assert low * height <= got.depth_mm <= high * height + 1
        assert not got.through and got.insert is THIN


def test_thin_tools_get_the_least_depth_and_thick_ones_go_through() -> None:
    common = {"face_mm": 30.0, "stack_mm": 40.0, "insert": THIN}
    assert propose_depth(2, bay=wall(), rules=WALL, **common).depth_mm == 15
    thick = propose_depth(60, bay=wall(), rules=WALL, **common)
    assert thick.through and thick.depth_mm == 30 and thick.insert is None


def test_a_closing_drawer_sinks_the_tool_deeper() -> None:
    bay = drawer(clear=60.0)
    got = propose_depth(30, bay=bay, face_mm=50, stack_mm=55, insert=None, rules=DRAWER)
    # 55 mm of foam, the tool 30: at depth d its top is at 55 - d + 30, which with 4 mm of air
    # must not be above 60
    assert got.depth_mm == 29
    assert closing_air_mm(pocket(30, got.depth_mm), bay, 55) == pytest.approx(4.0)


def test_a_measured_height_closes_over_what_it_may_be_too_low() -> None:
    """Two standard deviations of 3 mm: the pocket of the test above is 6 mm deeper."""
    bay = drawer(clear=60.0)
    common = {"bay": bay, "face_mm": 50, "stack_mm": 55, "insert": None, "rules": DRAWER}
    assert propose_depth(30, height_sigma_mm=3.0, **common).depth_mm == 35
    # an open bay closes over nothing
    open_bay = {**common, "bay": wall(), "rules": WALL}
    assert (
        propose_depth(30, height_sigma_mm=3.0, **open_bay).depth_mm
        == propose_depth(30, **open_bay).depth_mm
    )


def test_typed_depths_win() -> None:
    common = {"bay": wall(), "face_mm": 30.0, "stack_mm": 40.0, "rules": WALL}
    assert propose_depth(50, insert=THIN, typed_mm=12, **common).depth_mm == 12
    assert propose_depth(50, insert=THIN, typed_mm=30, **common).through
    into_base = propose_depth(50, insert=THIN, typed_mm=34, **common)
    assert into_base.depth_mm == 34 and not into_base.through and into_base.insert is None
    assert propose_depth(10, insert=THIN, through=True, **common).through
    assert propose_depth(10, insert=THIN, typed_mm=8, wants_insert=False, **common).insert is None
    # no room for an insert and a floor of 5 mm under it
    assert propose_depth(30, insert=FACE, typed_mm=20, **common).insert is None


def test_a_block_tips_at_the_textbook_angle() -> None:
    # rigid body on an edge: it tips when the centre of gravity passes over the edge, at
    # tan(angle) = half its depth / half its height (any statics text). Sunk wholly, the block's
    # carrying edge is its own.
    block = pocket(height=50.0, depth=50.0)
    assert retention(block).lean_deg == pytest.approx(math.degrees(math.atan(25 / 100)))
    # less deep than half the tool: it falls by itself
    assert retention(pocket(height=50, depth=24)).behind_mm < 0


def test_pressure_is_weight_over_area() -> None:
    # 2 kg on 1000 mm2 are 20 kPa (19.6 with g = 9.81), half of what squashes 33 kg/m3 foam by a
    # quarter according to its data sheet (40 kPa)
    held = retention(pocket(height=25, depth=25, mass=2.0, width=40))
    assert held.bearing_kpa == pytest.approx(19.62)
    assert TABLE["bearing_kpa"].wall == 20
