"""The hard rules above the networks: what no probability may overrule."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tracer.inspection import judge
from tracer.inspection.judge import CLASSES, PocketLook, judged, probabilities
from tracer.inspection.looks import Looks
from tracer.inspection.overhang import OverEdge
from tracer.model.inspection import PocketState

#: figures as a yellow floor under a dark grey face gives them, read off a rendered photo
EMPTY = Looks(
    floor=0.88, floor_core=0.9, floor_blob=0.96, other_blob=0.0, tone_off=0.06, shade=-0.66,
    shade_spread=0.46, texture=0.06, face_there=0.0, gap_floor=0.5, toned=0.97,
    lack=7.5, foreign=0.0, wall=0.5, notch=0.0, lean=0.5, lean_cells=0.0,
    beyond=0.02, beyond_blob=1.0, cover=0.03, dark=0.0, contrast=3.9, brighter=1.4, pixels=9.5,
)  # fmt: skip
FULL = replace(
    EMPTY, floor=0.0, floor_core=0.0, floor_blob=0.0, other_blob=1.0, tone_off=2.5, shade=-1.0,
    texture=0.1, toned=0.0, lack=0.0, foreign=7.5,
)  # fmt: skip


def look(looks: Looks | None, inside: float = 1.0, **more: object) -> PocketLook:
    return PocketLook(looks, inside, **more)  # type: ignore[arg-type]


def sure_of(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    p = np.full(len(CLASSES), 1e-6)
    p[CLASSES.index(name)] = 1 - 3e-6
    monkeypatch.setattr(judge, "probabilities", lambda _, pale: p)


def test_an_empty_and_a_full_pocket_are_told_apart() -> None:
    assert judged([look(EMPTY)]).state is PocketState.MISSING
    assert judged([look(FULL)]).state is PocketState.PRESENT
    assert probabilities(EMPTY).sum() == pytest.approx(1)


@pytest.mark.parametrize(
    "changes",
    [
        {"floor": 0.4},
        {"floor_core": 0.4},
        {"floor_blob": 0.3},
        {"cover": 0.5},
        {"dark": 0.6},
        {"tone_off": 0.39},
    ],
    ids=str,
)
def test_nothing_is_present_while_its_floor_is_seen_or_it_is_covered(
    monkeypatch: pytest.MonkeyPatch, changes: dict[str, float]
) -> None:
    sure_of(monkeypatch, "present")
    assert judged([look(FULL)]).state is PocketState.PRESENT
    assert judged([look(replace(FULL, **changes))]).state is PocketState.UNSURE


def test_a_floor_without_contrast_decides_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    sure_of(monkeypatch, "present")
    said = judged([look(replace(FULL, contrast=0.1, brighter=0.2))])
    assert said.state is PocketState.UNSURE and "colour" in said.why


def test_doubts_and_pale_floors_are_said(monkeypatch: pytest.MonkeyPatch) -> None:
    sure_of(monkeypatch, "present")
    assert judged([look(FULL, doubt="even")]).why == "even"
    monkeypatch.setattr(judge, "probabilities", lambda _, pale: np.array([0.04, 0.9, 0.04, 0.02]))
    assert judged([look(EMPTY)]).state is PocketState.MISSING
    assert judged([look(EMPTY, pale=True)]).state is PocketState.UNSURE


def test_what_is_not_in_the_picture_is_unsure() -> None:
    assert judged([look(None, 0.0)]).why == "not in the picture"
    assert judged([look(FULL, 0.4)]).why == "cut by the picture's rim"
    assert "deep" in judged([look(None, 0.0, hides_floor=True)]).why
    assert judged([look(FULL, 0.4), look(FULL)]).state is PocketState.PRESENT


def test_photos_that_contradict_leave_it_open() -> None:
    assert judged([look(EMPTY), look(FULL)]).state is not PocketState.PRESENT


def test_bare_steel_over_a_white_floor_is_never_told_missing_for_sure() -> None:
    """Steel has a white floor's tone and lies in a shade as a floor does."""
    steel = replace(
        EMPTY, shade=-0.9, shade_spread=0.9, texture=0.12, contrast=2.1, brighter=2.56, lean=0.1,
        lean_cells=5.0, wall=0.1,
    )  # fmt: skip
    assert judged([look(steel, pale=True)]).state is PocketState.UNSURE
    coloured, pale = probabilities(steel), probabilities(steel, pale=True)
    assert pale[CLASSES.index("missing")] < coloured[CLASSES.index("missing")]


def test_a_white_floor_burnt_out_is_not_called_a_tool(monkeypatch: pytest.MonkeyPatch) -> None:
    """Burnt out, a floor loses the lamp's tone: an empty pocket was called present for that."""
    sure_of(monkeypatch, "present")
    red = replace(FULL, tone_off=1.5)
    assert judged([look(red, pale=True)]).state is PocketState.PRESENT
    assert judged([look(red, pale=True, burnt=0.3)]).state is PocketState.UNSURE
    assert judged([look(replace(red, tone_off=0.35), pale=True)]).state is PocketState.UNSURE
    assert judged([look(replace(red, tone_off=0.6), burnt=0.3)]).state is PocketState.PRESENT


@pytest.mark.parametrize(
    ("present", "over", "state"),
    [
        (0.95, OverEdge.NOT, PocketState.PRESENT),
        (0.95, OverEdge.ENDS, PocketState.WRONG),
        (0.95, OverEdge.GOES_ON, PocketState.UNSURE),
        (0.85, OverEdge.GOES_ON, PocketState.WRONG),
    ],
)
def test_what_reaches_over_the_edge_is_hardly_the_pockets_own_tool(
    monkeypatch: pytest.MonkeyPatch, present: float, over: OverEdge, state: PocketState
) -> None:
    p = np.array([present, 0.0, 0.99 - present, 0.01])
    monkeypatch.setattr(judge, "probabilities", lambda _, pale: p)
    said = judged([look(FULL, over_edge=over)])
    assert said.state is state
    assert sum(said.by_class.values()) == pytest.approx(1)
    # Bayes's rule on the odds of the two; the others keep theirs
    odds = judge.WRONG_BY_EDGE[over] * (0.99 - present) / present
    assert said.by_class["wrong"] / said.by_class["present"] == pytest.approx(odds)
    assert said.by_class["covered"] == pytest.approx(0.01)


def test_an_edge_that_is_covered_makes_nothing_of_an_empty_pocket(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(judge, "probabilities", lambda _, pale: np.array([0.0, 0.9, 0.09, 0.01]))
    said = judged([look(EMPTY, over_edge=OverEdge.ENDS)])
    assert said.state is PocketState.MISSING and said.probability == pytest.approx(0.9)
