"""Figures of the panel page: gaps, snapping, lines, equal gaps, notches. Held against shapely."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import LineString, Polygon, box

from tests.desk.scripts import call, needs_node
from tracer.model.panel import BayKind
from tracer.model.panel_plan import Hand
from tracer.panel.build import DEFAULT_PLIES
from tracer.panel.fittings.notches import grip_axis, notch_at
from tracer.panel.rules import rules_for

pytestmark = needs_node

Box = tuple[float, float, float, float]


def ring(shape: Polygon) -> list[list[float]]:
    return [[x, y] for x, y in list(shape.exterior.coords)[:-1]]


def blob(rng: np.random.Generator, at: tuple[float, float]) -> Polygon:
    """A star-shaped outline with bays and arms, as tools have them."""
    angles = np.sort(rng.uniform(0, 2 * math.pi, 24))
    radii = rng.uniform(8, 45, 24)
    shape = Polygon(np.stack([radii * np.cos(angles), radii * np.sin(angles)], axis=1)).buffer(0)
    assert isinstance(shape, Polygon)
    return affinity.translate(shape, *at)


def bar(length: float, width: float, x: float, y: float, turn: float) -> Polygon:
    shape = box(-length / 2, -width / 2, length / 2, width / 2)
    return affinity.translate(affinity.rotate(shape, turn), x, y)


def gaps(pairs: list[tuple[Polygon, Polygon]]) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = call(
        "panel_shapes.js",
        "arg.map(([a, b]) => m.gapBetween(a, b))",
        [[ring(a), ring(b)] for a, b in pairs],
    )
    return found


def test_gaps_are_shapelys_distances() -> None:
    rng = np.random.default_rng(5)
    pairs = [(blob(rng, (0, 0)), blob(rng, tuple(rng.uniform(-95, 95, 2)))) for _ in range(120)]
    found = gaps(pairs)
    assert {g["gap"] == 0 for g in found} == {True, False}  # apart and overlapping, both met
    for (a, b), g in zip(pairs, found, strict=True):
        assert g["gap"] == pytest.approx(a.distance(b), abs=1e-6)
        if g["gap"] > 0:  # the line that is drawn is the gap: from one shape to the other
            line = LineString([g["from"], g["to"]])
            assert line.length == pytest.approx(g["gap"], abs=1e-6)
            assert max(line.distance(a), line.distance(b)) < 1e-6


def test_bars_that_cross_without_a_corner_inside_overlap() -> None:
    upright, level = bar(100, 8, 0, 0, 90), bar(100, 8, 12, 5, 0)
    assert upright.intersects(level)
    assert gaps([(upright, level)])[0]["gap"] == 0


def apply(boxes: dict[str, Box], shifts: dict[str, list[float]]) -> dict[str, Box]:
    """Moved by shapely, not by the page."""
    return {
        i: affinity.translate(box(*b), *shifts.get(i, (0.0, 0.0))).bounds for i, b in boxes.items()
    }


def align(boxes: dict[str, Box], locked: list[str], how: str) -> dict[str, Box]:
    shifts = call(
        "panel_sets.js",
        "(() => { const boxes = new Map(Object.entries(arg.boxes)), held = new Set(arg.locked);"
        " const to = m.lineBox(boxes, held, [0, 0, 500, 400], 15);"
        " return Object.fromEntries(m.alignShifts(boxes, held, arg.how, to)); })()",
        {"boxes": boxes, "locked": locked, "how": how},
    )
    assert not set(locked) & set(shifts)
    return apply(boxes, shifts)


BOXES: dict[str, Box] = {
    "a": (20, 30, 80, 50),
    "b": (101, 36, 151, 96),
    "c": (160, 10, 260, 41),
    "d": (300, 60, 333, 140),
}
#: which coordinate of bounds each way makes equal, and what it equals for all four together
EQUAL = {"left": (0, 20), "right": (2, 333), "bottom": (1, 10), "top": (3, 140)}


@pytest.mark.parametrize("how", EQUAL)
def test_sides_come_into_line(how: str) -> None:
    k, value = EQUAL[how]
    after = align(BOXES, [], how)
    assert [b[k] for b in after.values()] == pytest.approx([value] * 4)
    for name, b in after.items():  # moved along one axis only, and never resized
        other = 1 - k % 2
        assert (b[other], b[other + 2]) == (BOXES[name][other], BOXES[name][other + 2])
        assert box(*b).area == pytest.approx(box(*BOXES[name]).area)


@pytest.mark.parametrize(("how", "axis", "value"), [("centre", 0, 176.5), ("middle", 1, 75.0)])
def test_middles_come_into_line(how: str, axis: int, value: float) -> None:
    after = align(BOXES, [], how)
    middles = [box(*b).centroid.coords[0][axis] for b in after.values()]
    assert middles == pytest.approx([value] * 4)


def test_the_locked_one_gives_the_line() -> None:
    after = align(BOXES, ["c"], "top")
    assert after["c"] == BOXES["c"]
    assert [b[3] for b in after.values()] == pytest.approx([41] * 4)


def test_a_single_one_goes_to_the_panels_margin() -> None:
    assert align({"a": BOXES["a"]}, [], "right")["a"][2] == pytest.approx(485)
    assert align({"a": BOXES["a"]}, [], "bottom")["a"][1] == pytest.approx(15)


def distribute(boxes: dict[str, Box], locked: list[str], axis: int) -> dict[str, Box]:
    shifts = call(
        "panel_sets.js",
        "Object.fromEntries(m.distributeShifts(new Map(Object.entries(arg.boxes)),"
        " new Set(arg.locked), arg.axis))",
        {"boxes": boxes, "locked": locked, "axis": axis},
    )
    return apply(boxes, shifts)


def test_gaps_across_become_equal_and_the_outermost_stay() -> None:
    after = distribute(BOXES, [], 0)
    assert (after["a"], after["d"]) == (BOXES["a"], BOXES["d"])
    row = [box(*after[i]) for i in "abcd"]
    strips = [box(s.bounds[0], 0, s.bounds[2], 1) for s in row]  # distance along x alone
    found = [strips[k].distance(strips[k + 1]) for k in range(3)]
    assert found == pytest.approx([(333 - 20 - 60 - 50 - 100 - 33) / 3] * 3, abs=0.002)
    assert all(after[i][1] == BOXES[i][1] for i in "abcd")


def test_a_locked_one_in_between_parts_the_row() -> None:
    boxes: dict[str, Box] = {
        "a": (0, 0, 10, 10),
        "b": (12, 0, 22, 10),
        "c": (40, 0, 50, 10),
        "d": (52, 0, 62, 10),
        "e": (100, 0, 110, 10),
    }
    after = distribute(boxes, ["c"], 0)
    assert after["c"] == boxes["c"]
    x = {i: box(*b) for i, b in after.items()}
    assert x["a"].distance(x["b"]) == pytest.approx(x["b"].distance(x["c"])) == pytest.approx(10)
    assert x["c"].distance(x["d"]) == pytest.approx(x["d"].distance(x["e"])) == pytest.approx(20)


def test_two_have_no_gaps_to_share() -> None:
    two = {i: BOXES[i] for i in "ab"}
    assert distribute(two, [], 0) == two


def snapped(one: Box, others: list[Box], reach: float = 4) -> Box:
    shift = call(
        "panel_shapes.js",
        "m.snapBox(arg.one, arg.others, [0, 0, 500, 400], arg.reach)",
        {"one": one, "others": others, "reach": reach},
    )
    bounds: Box = affinity.translate(box(*one), shift["dx"], shift["dy"]).bounds
    return bounds


def test_snaps_to_the_row() -> None:
    assert snapped((200, 33, 260, 51), [(20, 30, 80, 47)])[1] == pytest.approx(30)
    assert snapped((200, 38, 260, 56), [(20, 30, 80, 47)])[1] == 38  # too far: left alone


def test_snaps_to_the_same_gap() -> None:
    row: list[Box] = [(20, 100, 60, 130), (72, 100, 112, 130)]
    after = snapped((121.5, 100, 171.5, 130), row)
    assert box(*after).distance(box(*row[1])) == pytest.approx(box(*row[0]).distance(box(*row[1])))


def test_snaps_into_the_middle_of_a_gap() -> None:
    row: list[Box] = [(20, 100, 60, 130), (140, 100, 180, 130)]
    after = box(*snapped((88, 100, 118, 130), row))
    assert after.distance(box(*row[0])) == pytest.approx(after.distance(box(*row[1])))


@pytest.mark.parametrize("both", [True, False])
@pytest.mark.parametrize("turn", [0, 35, 90, 141])
def test_a_dragged_notch_looks_as_the_finished_one(both: bool, turn: float) -> None:
    rules = rules_for(BayKind.DRAWER, DEFAULT_PLIES, {})
    shape = bar(160, 22, 200, 150, turn)
    along = grip_axis(shape)
    to = (200 + 30 * along[0] - 14 * along[1], 150 + 30 * along[1] + 14 * along[0])
    finger = {"reach_mm": rules.finger_mm, "wide_mm": rules.notch_mm(Hand.BARE)}
    found = call(
        "notch_shape.js",
        "(() => { const at = m.notchPoint(arg.ring, arg.along, arg.to, arg.both);"
        " return [at, m.notchRing(arg.ring, arg.along, at, arg.both, arg.finger)]; })()",
        {"ring": ring(shape), "along": along, "to": to, "both": both, "finger": finger},
    )
    at, drawn = tuple(found[0]), Polygon(found[1])
    made = notch_at(shape, at, both=both, depth_mm=9, hand=Hand.BARE, rules=rules).region
    assert drawn.symmetric_difference(made).area < 0.02 * made.area  # chords against arcs
    if not both:  # it reaches out on the side that it was dragged to
        assert drawn.difference(shape).centroid.distance(shape.centroid) > 10
        side = np.array(drawn.difference(shape).centroid.coords[0]) - (200, 150)
        assert side @ np.array([-along[1], along[0]]) > 0


def test_a_notch_dragged_past_the_end_stays_on_its_pocket() -> None:
    shape = bar(160, 22, 200, 150, 0)
    at = call(
        "notch_shape.js",
        "m.notchPoint(arg.ring, [1, 0], arg.to, true)",
        {"ring": ring(shape), "to": [900, 150]},
    )
    assert shape.contains(affinity.translate(box(0, 0, 0.01, 0.01), *at))


def planned(p: dict[str, Any], panel: dict[str, Any], plan: dict[str, Any]) -> Any:
    return call(
        "planned_places.js",
        "m.plannedPlace(arg.p, arg.panel, arg.plan)",
        {"p": p, "panel": panel, "plan": plan},
    )


SHOWN = {"id": "T01", "middle": [100.0, 80.0], "turn_deg": 0.0, "lie_turn_deg": 90.0}
AS_LAID: dict[str, Any] = {"fresh": False, "placement": None, "bay": None, "moves": {}}
FRESH: dict[str, Any] = {"placement": {"arrangement": "fresh"}, "bay": None}


def test_a_pocket_that_will_stand_elsewhere_is_shown_there() -> None:
    place = {"pocket_id": "T01", "x_mm": 210, "y_mm": 90, "turn_deg": 120}
    assert planned(SHOWN, AS_LAID, FRESH | {"place": place}) == {"x": 210, "y": 90, "turn": 30}
    move = {"x_mm": 50, "y_mm": 60, "turn_deg": 0, "locked": True}
    found = planned(SHOWN, AS_LAID, FRESH | {"place": place, "move": move})
    assert found == {"x": 50, "y": 60, "turn": -90}
    by_hand = {"placement": None, "bay": None, "move": {"x_mm": 50, "y_mm": 60, "turn_deg": 10}}
    assert planned(SHOWN, AS_LAID, by_hand) == {"x": 50, "y": 60, "turn": 10}


def test_a_pocket_that_stands_where_it_is_asked_for_stays() -> None:
    place = {"pocket_id": "T01", "x_mm": 100.01, "y_mm": 80, "turn_deg": -270}
    assert planned(SHOWN, AS_LAID | {"fresh": True}, FRESH | {"place": place}) is None
    assert planned(SHOWN, AS_LAID, {"placement": None, "bay": None}) is None


def test_what_only_the_desk_knows_is_left_open() -> None:
    moved = AS_LAID | {"moves": {"T01": {"x_mm": 100, "y_mm": 80}}}
    assert planned(SHOWN, moved, {"placement": None, "bay": None, "move": None}) == "open"
    assert planned(SHOWN, AS_LAID | {"fresh": True}, {"placement": None, "bay": None}) == "open"
    tidied = {"placement": {"arrangement": "tidied"}, "bay": None}
    assert planned(SHOWN, AS_LAID, tidied) == "open"
    assert planned(SHOWN, AS_LAID, FRESH) == "open"


def test_contrasts_are_those_of_the_standard() -> None:
    """WCAG 2.1: white on black is 21 : 1; the ratio of two luminances by its own formula."""
    from tracer.desk.foams import COLOURS, contrasts

    def luminance(rgb: tuple[int, int, int]) -> float:
        parts = [v / 255 for v in rgb]
        linear = [v / 12.92 if v <= 0.03928 else ((v + 0.055) / 1.055) ** 2.4 for v in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    def ratio(a: tuple[int, int, int], b: tuple[int, int, int]) -> float:
        (found,) = contrasts({"pairs": [[list(a), list(b)]]})["pairs"]
        return float(found["ratio"])

    for a in [*COLOURS.values(), (0, 0, 0), (255, 255, 255)]:
        for b in COLOURS.values():
            low, high = sorted((luminance(a), luminance(b)))
            assert ratio(a, b) == pytest.approx((high + 0.05) / (low + 0.05), abs=0.01)
    assert ratio((0, 0, 0), (255, 255, 255)) == 21
