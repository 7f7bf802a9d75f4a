"""Rows to tools, and numbers that stay."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import Point, Polygon, box

from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.model.report import Severity
from tracer.model.tool_list import ToolRow
from tracer.workflows.tracing.naming import (
    assign_rows,
    keep_numbers,
    reading_order,
    unlikely_heights,
)

SPANNER = Point(0, 0).buffer(20).difference(Point(0, 0).buffer(14))
PUMP = box(100, 0, 300, 30)


def row(name: str, line: int = 2) -> ToolRow:
    return ToolRow(name=name, x_px=0, y_px=0, line=line)


def outline(outline_id: str, region: Polygon) -> Outline:
    return Outline(
        outline_id, outline_id, region, 0.0, HeightSource.TYPED, EdgeModel.MID, 0.1,
        np.empty(0), 0.0, 1.0, (), (0.0, 0.0),
    )  # fmt: skip


def test_a_point_in_the_ring_means_the_spanner() -> None:
    done = assign_rows([row("spanner"), row("pump")], [[0, 0], [200, 15]], [PUMP, SPANNER], "t.csv")
    assert done.row_of == (1, 0)
    assert not done.checks


def test_a_point_just_beside_still_counts_and_a_far_one_does_not() -> None:
    rows = [row("near"), row("far", 3)]
    done = assign_rows(rows, [[200, 37], [200, 60]], [PUMP], "t.csv")
    assert done.row_of == (0,)
    assert [c.slug for c in done.checks] == ["row-without-tool"]
    assert "Row 3 of t.csv (far)" in done.checks[0].sentence


def test_two_rows_on_one_tool() -> None:
    done = assign_rows([row("a"), row("b", 3)], [[200, 10], [210, 10]], [PUMP], "t.csv")
    assert done.row_of == (0,)
    assert [c.slug for c in done.checks] == ["rows-on-one-tool"]


def test_a_point_that_the_lens_cannot_see_meets_nothing() -> None:
    done = assign_rows([row("a")], [[np.nan, np.nan]], [PUMP], "t.csv")
    assert done.row_of == (None,)
    assert [c.slug for c in done.checks] == ["row-without-tool"]


def test_no_tools_at_all() -> None:
    assert assign_rows([row("a")], [[0, 0]], [], "t.csv").row_of == ()
    assert reading_order([], 100) == []


def test_reading_order_row_by_row() -> None:
    points = [[10, 55], [60, 50], [30, 300], [90, 52], [5, 310]]
    assert reading_order(points, 1000) == [0, 1, 3, 4, 2]


@given(st.lists(st.tuples(st.integers(0, 4000), st.integers(0, 3000)), max_size=30))
def test_reading_order_names_each_once(points: list[tuple[int, int]]) -> None:
    assert sorted(reading_order(points, 3000)) == list(range(len(points)))


def test_numbers_stay_with_their_tools() -> None:
    earlier = [outline("T01", SPANNER), outline("T02", PUMP)]
    moved = Polygon(np.asarray(PUMP.exterior.coords) + 1.5)
    ids, following = keep_numbers([box(0, 100, 50, 120), moved, SPANNER], earlier, 3)
    assert ids == ["T03", "T02", "T01"]
    assert following == 4


def test_two_pieces_of_one_tool_do_not_share_a_number() -> None:
    ids, _ = keep_numbers([PUMP, PUMP], [outline("T02", PUMP)], 3)
    assert sorted(ids) == ["T02", "T03"]


def test_first_run_counts_from_one() -> None:
    assert keep_numbers([SPANNER, PUMP], [], 1) == (["T01", "T02"], 3)


def test_a_kept_outline_that_crosses_itself_by_a_trace_keeps_its_number() -> None:
    # as rounding leaves it: valid but for 0.04 mm2 (OGC 06-103r4, 6.1.11.1)
    kept = Polygon(
        [(0, 0), (100, 0), (100, 50), (50.2, 50), (49.8, 50.2), (50.2, 50.2), (49.8, 50), (0, 50)]
    )
    assert not kept.is_valid
    assert keep_numbers([box(0, 0, 100, 50)], [outline("T07", kept)], 8)[0] == ["T07"]


def test_a_thin_tool_keeps_its_number_when_the_card_size_changes() -> None:
    """3 % more scale moves a lever 600 mm from the origin by its own width."""
    lever = box(600, 0, 618, 140)
    grown = Polygon(np.asarray(lever.exterior.coords) * 1.03)
    assert keep_numbers([grown], [outline("T01", lever)], 2)[0] == ["T02"]
    middle = {"T01": (609 * 1.03, 70 * 1.03)}
    assert keep_numbers([grown], [outline("T01", lever)], 2, middle) == (["T01"], 2)


def test_a_covered_outline_comes_before_a_point() -> None:
    earlier = [outline("T01", SPANNER), outline("T02", PUMP)]
    points = {"T01": (200.0, 15.0), "T02": (200.0, 15.0)}
    assert keep_numbers([PUMP, SPANNER], earlier, 3, points) == (["T02", "T01"], 3)


def test_a_list_of_another_photo_is_one_failed_finding() -> None:
    rows = [row(f"tool {k}", k) for k in range(2, 7)]
    points = [[200, 15], [0, 500], [100, 500], [200, 500], [300, 500]]
    done = assign_rows(rows, points, [PUMP, SPANNER], "t.csv")
    (check,) = done.checks
    assert check.slug == "list-of-another-photo"
    assert check.severity is Severity.FAIL
    assert check.sentence.startswith("4 of 5 rows of t.csv")
    # half of them gone is still this lay: each is told for itself
    done = assign_rows(rows[:4], [*points[:1], [0, 0], *points[3:]], [PUMP, SPANNER], "t.csv")
    assert [c.slug for c in done.checks] == ["row-without-tool", "row-without-tool"]


def test_rows_that_a_run_wrote_by_itself_accuse_nobody() -> None:
    blank = [ToolRow(name=f"T0{k}", x_px=0, y_px=0, line=k) for k in range(1, 5)]
    assert all(r.blank for r in blank)
    assert not assign_rows(blank, [[0, 500]] * 4, [PUMP], "t.csv").checks


@pytest.mark.parametrize(
    ("heights", "told"),
    [
        ((1.2, 0.3, 3.4), "above 3.4 mm"),  # cm
        ((0.47, 0.1, 1.3), "above 1.3 mm"),  # inches
        ((120.0, 34.0, 310.0), "above 120 mm"),  # a point lost
        ((12.0, 3.0, 34.0), ""),
        ((0.5, 1.0), ""),  # two thin washers say nothing
        ((2.0, 3.0, 3.5, 30.0), ""),
    ],
)
def test_heights_of_another_unit_are_asked_about(heights: tuple[float, ...], told: str) -> None:
    rows = [ToolRow(name="a", x_px=0, y_px=0, height_mm=h) for h in (*heights, None)]
    found = unlikely_heights(rows, "t.csv")
    assert bool(found) == bool(told)
    assert all(told in c.sentence for c in found)
