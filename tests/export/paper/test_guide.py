"""The page for a hand: order, depths, layers to peel, sections; read back by pdfium."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pypdfium2
import pytest

from tracer.export.paper.guide import Guide, layers_of, places, section_of
from tracer.export.paper.template import template_pdf
from tracer.export.paper.verify_template import verify_template
from tracer.model.drawing import CutPath, Drawing, Layer, Loop, Operation

EDGE = CutPath(Loop.rectangle(0, 0, 180, 120), Layer(Operation.SHEET_EDGE))
BIG = CutPath(Loop.rectangle(70, 40, 60, 50), Layer(Operation.POCKET, 12.0), "T01")
WELL = CutPath(Loop.rectangle(90, 55, 15, 15), Layer(Operation.WELL, 22.0), "T01")
UP = CutPath(Loop.rectangle(10, 95, 20, 10), Layer(Operation.POCKET, 10.0), "T02")
UP_RIGHT = CutPath(Loop.rectangle(140, 96, 20, 10), Layer(Operation.THROUGH), "T03")
DOWN = CutPath(Loop.rectangle(10, 10, 20, 10), Layer(Operation.POCKET, 10.0), "T04")
SHEET = Drawing("Sheet", (180.0, 120.0), (WELL, BIG, DOWN, UP_RIGHT, UP, EDGE))


def text_of(data: bytes) -> str:
    document = pypdfium2.PdfDocument(data)
    return " ".join(" ".join(p.get_textpage().get_text_range() for p in document).split())


def test_the_large_one_in_the_middle_comes_first_then_rows_from_above() -> None:
    assert [p.subject_id for p in places(SHEET)] == ["T01", "T02", "T03", "T04"]


@pytest.mark.parametrize(
    ("depth", "peel", "text"),
    [
        (12.0, 5.0, "peel 2 x 5 mm, then 2 mm"),
        (3.0, 5.0, "slice of 3 mm"),
        (10.0, 0.0, "4 slices of 2.5 mm"),
    ],
)
def test_layers_add_up_to_the_depth(depth: float, peel: float, text: str) -> None:
    assert layers_of(depth, peel) == text


def test_a_section_goes_down_to_every_depth_and_shows_the_face_beside_it() -> None:
    place = places(SHEET)[0]
    profile, line = section_of(place, 30.0)
    assert {round(float(d), 1) for d in profile[:, 1]} == {0.0, 12.0, 22.0}
    # the well is 15 mm across the line that runs through it, to the step of the profile
    deep = profile[profile[:, 1] == 22.0, 0]
    assert 15.0 - 1.0 <= np.ptp(deep) <= 15.0 * 2**0.5 + 1.0
    assert line.length > 50


def test_the_template_says_what_a_hand_needs() -> None:
    guide = Guide({"T01": "1 cone spanner"}, {"T01": "insert 1, yellow 3 mm"}, 5.0, 30.0)
    template = template_pdf(SHEET, guide=guide)
    assert template.front == 2
    assert verify_template(template, SHEET) == len(template.pages)
    words = text_of(template.data)
    assert "1 cone spanner: 12 mm deep (peel 2 x 5 mm, then 2 mm)" in words
    assert "well 22 mm deep" in words and "floor: insert 1, yellow 3 mm" in words
    assert "Section of 1 cone spanner" in words
    assert "signature" in words and "date" in words and "blade" in words
    assert "score" in words.lower()
    assert template_pdf(SHEET).front == 1
    plain = replace(SHEET, paths=(EDGE,))
    assert template_pdf(plain, guide=guide).front == 1


def test_two_kinds_of_line_tell_through_from_scored() -> None:
    """Dashed in the page's own stream: [4 2] 0 d before a pocket, [] 0 d before a cut through."""
    import pypdfium2.raw as raw

    document = pypdfium2.PdfDocument(template_pdf(SHEET).data)
    dashed = {True: 0, False: 0}
    for page in list(document)[1:]:
        for item in page.get_objects(filter=[raw.FPDF_PAGEOBJ_PATH]):
            dashed[raw.FPDFPageObj_GetDashCount(item) > 0] += 1
    assert dashed[True] >= 4 and dashed[False] >= 2
