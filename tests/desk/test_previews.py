"""What the page shows of files: a damaged one must not take the list of all files with it."""

from __future__ import annotations

import pytest

from tracer.desk.previews import pdf_page, pdf_pages
from tracer.export.paper.cards import cards_pdf


@pytest.mark.parametrize("data", [b"", b"%PDF-1.7\n", b"\0" * 500, cards_pdf(numbers=[0])[:700]])
def test_a_damaged_pdf_has_no_pages(data: bytes) -> None:
    assert pdf_pages(data) == 0
    with pytest.raises(IndexError):
        pdf_page(data, 0)


def test_a_sound_pdf_has_its_pages() -> None:
    data = cards_pdf(numbers=[0, 1, 2])  # two cards a page
    assert pdf_pages(data) == 2
    assert pdf_page(data, 1).startswith(b"\x89PNG")
    with pytest.raises(IndexError):
        pdf_page(data, 2)
