"""A tool that a correction made go away comes back as itself when the correction is undone."""

from __future__ import annotations

import numpy as np
from shapely.geometry import Polygon, box

from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.model.tool_list import ToolRow
from tracer.project.outlines_file import OutlinesFile
from tracer.project.schema import JobRecord
from tracer.workflows.job.lay_runs import _retired
from tracer.workflows.tracing.naming import assign_rows, keep_numbers

BAR = box(0, 0, 120, 26)
LEFT, RIGHT = box(0, 0, 45, 26), box(75, 0, 120, 26)


def outline(outline_id: str, region: Polygon) -> Outline:
    n = len(region.exterior.coords) - 1
    return Outline(
        outline_id,
        outline_id,
        region,
        12.0,
        HeightSource.TYPED,
        EdgeModel.MID,
        0.2,
        np.full(n, 0.2),
        0.0,
        0.9,
        ("p",),
        (0.0, 0.0),
    )


def test_typed_rows_come_before_those_a_run_wrote() -> None:
    rows = [ToolRow("T03", 10, 5, line=2), ToolRow("file", 60, 13, height_mm=12, line=3)]
    found = assign_rows(rows, [(10, 5), (60, 13)], [BAR], "tools.csv")
    assert found.row_of == (1,)
    assert found.checks == ()  # nobody typed the other row, so nobody needs to hear of it
    two_typed = [ToolRow("a", 10, 5, height_mm=3, line=2), rows[1]]
    found = assign_rows(two_typed, [(10, 5), (60, 13)], [BAR], "tools.csv")
    assert [c.slug for c in found.checks] == ["rows-on-one-tool"]


def test_the_number_comes_back_with_the_tool() -> None:
    before = OutlinesFile((outline("T02", BAR),), lay_of={"T02": 1})
    ids, next_number = keep_numbers([LEFT, RIGHT], before.outlines, 3)
    assert ids == ["T03", "T04"]
    halves = OutlinesFile(
        (outline("T03", LEFT), outline("T04", RIGHT)), lay_of={"T03": 1, "T04": 1}
    )
    record = JobRecord(lays=())
    retired = _retired(OutlinesFile(()), before, halves, record)
    assert [o.outline_id for o in retired.outlines] == ["T02"]
    earlier = [*halves.outlines, *retired.outlines]
    assert keep_numbers([BAR], earlier, next_number)[0] == ["T02"]
    whole = OutlinesFile((outline("T02", BAR),), lay_of={"T02": 1})
    again = _retired(retired, halves, whole, record)
    assert [o.outline_id for o in again.outlines] == ["T03", "T04"]
