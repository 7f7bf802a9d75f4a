"""Findings carry the number and name under which the report knows a tool."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import Polygon, box

from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.model.report import Check, Severity, tool_at
from tracer.model.silhouette import Segmentation, Silhouette
from tracer.workflows.tracing.lay_tools import LayTool, LayTools
from tracer.workflows.tracing.tool_findings import about_tool, lay_findings, photo_findings

SPANNER, KEY = box(0, 0, 100, 20), box(0, 60, 40, 80)


def silhouette(region: Polygon, number: str, photo: str = "p1") -> Silhouette:
    ring = np.zeros(len(region.exterior.coords) - 1)
    return Silhouette(number, photo, region, ring, 1.0, ring, np.array([]))


def outline(region: Polygon, number: str, name: str) -> Outline:
    return Outline(
        outline_id=number,
        name=name,
        region=region,
        height_mm=5.0,
        height_source=HeightSource.TYPED,
        method=EdgeModel.MID,
        sigma_mm=0.3,
        sigma_ring_mm=np.full(4, 0.3),
        bias_bound_mm=0.0,
        confidence=1.0,
        photo_ids=("p1",),
        point_px=(0.0, 0.0),
    )


def doubtful(subject: str, where: tuple[float, float]) -> Check:
    sentence = f"In photo.jpg, what belongs to {tool_at(where)} is in doubt."
    return Check("some-finding", Severity.WARN, sentence, subject_id=subject, where_mm=where)


def lay(*silhouettes: Silhouette) -> list[LayTool]:
    return [LayTool(s, view=None) for s in silhouettes]  # type: ignore[arg-type]


OUTLINES = [outline(SPANNER, "T01", "cone spanner"), outline(KEY, "T02", "T02")]


def test_a_place_becomes_number_and_name() -> None:
    a, b = silhouette(SPANNER, "S01"), silhouette(KEY, "S02")
    # the second finding points beside its tool: its silhouette decides, not the place
    seen = Segmentation("p1", (a, b), (doubtful("S01", (50, 10)), doubtful("S02", (20, 88))))
    first, second = photo_findings([seen], [seen], lay(a, b), OUTLINES)
    assert first.sentence == ("In photo.jpg, what belongs to T01 (cone spanner) is in doubt.")
    assert second.sentence == "In photo.jpg, what belongs to T02 is in doubt."
    assert (first.subject_id, second.subject_id) == ("T01", "T02")


def test_numbers_follow_their_tool_when_a_correction_renumbers_the_silhouettes() -> None:
    a, b = silhouette(SPANNER, "S01"), silhouette(KEY, "S02")
    raw = Segmentation("p1", (a, b), (doubtful("S01", (50, 10)), doubtful("S02", (20, 70))))
    left = silhouette(KEY, "S01")
    mended = Segmentation("p1", (left,), raw.checks)
    (told,) = photo_findings([raw], [mended], lay(left), [OUTLINES[1]])
    # what was said of the dropped spanner goes with it
    assert told.sentence == "In photo.jpg, what belongs to T02 is in doubt."


def test_what_became_no_tool_keeps_its_place() -> None:
    a, cable = silhouette(SPANNER, "S01"), silhouette(KEY, "S02")
    seen = Segmentation("p1", (a, cable), (doubtful("S02", (20, 70)),))
    (told,) = photo_findings([seen], [seen], lay(a), OUTLINES[:1])
    assert told == seen.checks[0]


def test_a_correction_s_own_finding_is_left_alone() -> None:
    a = silhouette(SPANNER, "S01")
    own = Check("some-finding", Severity.WARN, "The correction meets no tool.")
    raw = Segmentation("p1", (a,))
    assert photo_findings([raw], [replace(raw, checks=(own,))], lay(a), OUTLINES[:1]) == [own]


def test_an_id_of_another_photo_is_not_taken_for_this_tool() -> None:
    """Photos count their silhouettes each for itself: S01 of photo 2 may be anything."""
    tools = tuple(lay(silhouette(SPANNER, "S01"), silhouette(KEY, "S02")))
    stray = Check(
        "some-finding", Severity.WARN, "A shape in photo 2 was left out.", "", "S01",
        where_mm=(300.0, 300.0),
    )  # fmt: skip
    meant = replace(stray, sentence="Photo 2 shows a tool shifted.", where_mm=(50.0, 10.0))
    row = Check("row-without-tool", Severity.WARN, "Row 3 points nowhere.", subject_id="pump")
    got = lay_findings(LayTools(tools, (stray, meant, row)), OUTLINES)
    assert got[0].sentence == stray.sentence
    assert got[0].subject_id is None
    assert got[1].sentence == "T01 (cone spanner): Photo 2 shows a tool shifted."
    assert got[2] == row


@pytest.mark.parametrize(
    ("sentence", "expected"),
    [
        ("With upright sides S07 falls into pieces.", "With upright sides T07 (pump) falls into"),
        ("At T07 the sheet is known only to +/- 2 mm.", "At T07 the sheet"),
        ("No height is known for pump.", "No height is known for pump."),
        ("A third of this tool's edge is open.", "T07 (pump): A third of this tool's edge"),
    ],
)
def test_sentences_of_every_stage_name_the_tool_once(sentence: str, expected: str) -> None:
    check = about_tool(Check("x", Severity.WARN, sentence, "", "S07"), "T07", "pump")
    assert check.sentence.startswith(expected)
    assert check.sentence.count("pump") <= 1
