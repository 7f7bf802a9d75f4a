"""What is said of a pocket at its limit: figures that are computed, and the remedy that helps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import box

from tests.panel.pocket.test_clearance import outline
from tracer.errors import UsageError
from tracer.export.machine.profiles import read_machine
from tracer.model.outline import EdgeModel, HeightSource
from tracer.model.panel_plan import FitClass
from tracer.panel.pocket import looseness
from tracer.panel.pocket.clearance import room_for
from tracer.panel.pocket.edge_errors import IN_DOUBT, Evidence
from tracer.panel.pocket.fits import FITS
from tracer.panel.pocket.looseness import best_remedy, check_limit, islands_left_out, limit_check

BAR = box(0, 0, 160, 30)
SNUG = FITS[FitClass.SNUG]
CORNERS = np.asarray(BAR.segmentize(4.0).exterior.coords)[:-1]


def finding(tool, loosest_mm=1.0):  # type: ignore[no-untyped-def]
    room = room_for(tool, SNUG, 0.9, loosest_mm=loosest_mm)
    return limit_check(tool, room, 0.9, SNUG)


def test_nothing_is_said_of_a_pocket_within_its_limit() -> None:
    assert finding(outline(BAR, 0.2), 3.0) == []


def test_the_finding_names_tool_place_and_figures() -> None:
    near_end = np.where(CORNERS[:, 0] > 130, 2.5, 0.3)
    (check,) = finding(outline(BAR, near_end))
    assert check.slug == "pocket-at-limit"
    assert check.sentence.startswith("T01 (file): to go in with 90% its pocket would have to stand")
    assert "cut at 1.0 mm it goes in with" in check.sentence
    assert check.where_mm is not None and check.where_mm[0] > 125
    assert check.value is not None and check.value > 1.0 == check.limit


@pytest.mark.parametrize("kind", ["stretch", "height", "photos"])
def test_the_remedy_is_the_one_that_brings_the_width_down(kind: str) -> None:
    if kind == "stretch":  # a short stretch in doubt: drawing it is all that is needed
        tool = outline(BAR, np.where(CORNERS[:, 0] > 152, 3.0, 0.25))
    elif kind == "height":  # all of it from the height that nobody typed, its other errors small
        tool = outline(
            BAR,
            np.where(CORNERS[:, 1] > 15, 2.5, 0.1),
            height_source=HeightSource.ASSUMED,
            height_sigma_mm=25.0,
        )
    else:
        tool = outline(BAR, 2.0)
    room = room_for(tool, SNUG, 0.9, loosest_mm=1.0)
    best = best_remedy(tool, room, 0.9, SNUG)
    assert best is not None
    words = {"stretch": "draw its edge", "height": "type its height", "photos": "more photos"}
    assert words[kind] in best.words
    assert best.needed_mm < 0.85 * room.needed_mm
    # the finding carries it, with its figure
    (check,) = limit_check(tool, room, 0.9, SNUG)
    assert best.words in check.remedy and f"{best.needed_mm:.1f} mm" in check.remedy


def test_what_a_missing_part_leaves_is_not_promised() -> None:
    """Of an outline in doubt no more is sought than its draws can give: 0.9 (1 - missing)."""
    tool = outline(BAR, 1.5, in_doubt=True)
    (check,) = finding(tool)
    left = 0.9 * (1 - IN_DOUBT[Evidence.ONE_TYPED].missing)
    assert f"to go in with {left:.0%} its pocket" in check.sentence
    assert finding(tool, 9.0) == []  # and a pocket that gives it is not at its limit


def test_where_nothing_helps_the_template_is_named_alone() -> None:
    # several photos, sure all round, and yet a limit below what any edge needs
    tool = outline(BAR, 0.9, method=EdgeModel.VIEWS)
    room = room_for(tool, SNUG, 0.9, loosest_mm=0.3)
    (check,) = limit_check(tool, replace(room, needed_mm=0.31), 0.9, SNUG)
    assert check.remedy == "Check it on the paper template before cutting."


def test_a_press_fit_tells_how_surely_it_goes_in() -> None:
    press = FITS[FitClass.PRESS]
    tool = outline(BAR, 0.8)
    (check,) = limit_check(tool, room_for(tool, press, 0.9), 0.9, press)
    assert check.slug == "press-uncertain"
    assert "0.4 mm closer" in check.sentence


def test_limits_that_contradict_are_refused() -> None:
    router = read_machine("router")
    check_limit(3.0, SNUG, router)
    with pytest.raises(UsageError) as caught:
        check_limit(0.4, FITS[FitClass.EASY], router)
    assert caught.value.slug == "loosest-below-fit"
    with pytest.raises(UsageError) as caught:
        check_limit(0.1, SNUG, router)
    assert caught.value.slug == "loosest-below-machine"


def test_a_press_fit_at_its_limit_has_a_remedy_too() -> None:
    press = FITS[FitClass.PRESS]
    tool = outline(BAR, np.where(CORNERS[:, 0] > 152, 3.0, 0.3))
    room = room_for(tool, press, 0.9, loosest_mm=0.5)
    assert room.limited
    (check,) = limit_check(tool, room, 0.9, press)
    assert check.slug == "pocket-at-limit" and "draw its edge" in check.remedy


@pytest.mark.parametrize(
    ("needed", "chosen"),
    [
        ((5.4, 5.0, 7.0), "draw"),  # within a tenth of the best: the easiest of them
        ((5.6, 5.0, 7.0), "two"),
        ((0.34, 0.30, 9.0), "two"),
        ((0.32, 0.30, 9.0), "draw"),
        ((8.6, 8.6, 9.0), None),  # less than 15 % below the 10 mm that are needed is not worth it
        ((8.6, 8.4, 9.0), "draw"),
    ],
)
def test_of_remedies_alike_the_easiest_is_named(needed, chosen, monkeypatch) -> None:
    answers = iter(needed)
    monkeypatch.setattr(looseness, "needed_mm", lambda *_: next(answers))
    tool = outline(BAR, 2.0)
    room = replace(room_for(tool, SNUG, 0.9, loosest_mm=1.0), needed_mm=10.0)
    best = best_remedy(tool, room, 0.9, SNUG)
    assert (None if best is None else best.words.split()[0]) == chosen


def test_a_hole_that_gets_no_island_is_told_by_the_pockets_own_name() -> None:
    holed = BAR.difference(box(40, 5, 70, 25))  # 600 mm^2
    tool = replace(outline(BAR, 0.3), region=holed)
    (check,) = islands_left_out(tool)
    assert check.subject_id == "T01" and "T01" in check.sentence
    (copy,) = islands_left_out(tool, "T01-2")
    assert copy.subject_id == "T01-2" and copy.where_mm == pytest.approx((55, 15))
    assert islands_left_out(replace(tool, method=EdgeModel.VIEWS)) == []
    small = replace(tool, region=BAR.difference(box(40, 5, 59, 25)))  # 380 mm^2
    assert islands_left_out(small) == []
