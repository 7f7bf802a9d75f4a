"""READ-FIRST.pdf stays one page, read by a PDF library of others (pypdfium2)."""

from __future__ import annotations

import pypdfium2
import pytest

from tracer.export.paper.read_first import SQUARE_MM, read_first_pdf
from tracer.model.bill import FileLine, ReadFirst

POINT_MM = 25.4 / 72  # PDF reference: the default unit is 1/72 inch


def page_of(cautions: int) -> ReadFirst:
    line = FileLine("pe-30mm/wall-face-front-30mm.dxf", "face", (600.0, 400.0), ("pocket-20",), 60)
    words = (
        "Batteries and chargers: never charge in a foam pocket, on or under soft things; charge on "
        "a hard bare plate with the air gap that the maker asks for."
    )
    cautioned = tuple(f"{k}: {words}" for k in range(cautions))
    return ReadFirst("wall", "Router", "Kerf not compensated.", (line,) * 8, (), (), cautioned)


@pytest.mark.parametrize(("cautions", "pages"), [(3, 1), (13, 1), (60, 4)])
def test_it_is_one_page_unless_there_is_a_book_of_cautions(cautions: int, pages: int) -> None:
    data = read_first_pdf(page_of(cautions))
    document = pypdfium2.PdfDocument(data)
    assert 1 <= len(document) <= pages
    text = "".join(p.get_textpage().get_text_range() for p in document)
    assert f"{cautions - 1}: Batteries" in text.replace("\r\n", " ")
    assert read_first_pdf(page_of(cautions)) == data


@pytest.mark.parametrize("cautions", [3, 13])
def test_the_square_keeps_its_size_however_small_the_words(cautions: int) -> None:
    (page,) = pypdfium2.PdfDocument(read_first_pdf(page_of(cautions)))
    boxes = [o.get_bounds() for o in page.get_objects()]
    sides = [
        ((right - left) * POINT_MM, (top - bottom) * POINT_MM) for left, bottom, right, top in boxes
    ]
    # bounds hold the line, 0.14 mm wide, and as much for its corners
    assert any(abs(a - SQUARE_MM) < 0.3 and abs(b - SQUARE_MM) < 0.3 for a, b in sides)
