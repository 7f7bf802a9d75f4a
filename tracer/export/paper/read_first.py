"""READ-FIRST.pdf: one page that lies beside the files for a machine.

What goes on the machine in what order, who allows for the kerf, and a square to hold a rule to:
on this page for the printer, in every reference file for the machine's reader.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.lib.pagesizes import A4, letter
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Paragraph, SimpleDocTemplate, Spacer, Table, TableStyle

from tracer.export.paper.blocks import file_name
from tracer.export.paper.panel_figure import FONT, register_font
from tracer.model.bill import FileLine, ReadFirst

__all__ = ["SQUARE_MM", "read_first_pdf"]

SQUARE_MM = 50.0
_RIM_MM = 14.0
#: more sheets than this are counted and left to the job sheet: the page stays one page
_MOST_ROWS = 14

#: between a file's name and what stands beside it
_NAME_GAP_PT = 8.0

_BODY = ParagraphStyle("body", fontName=FONT, fontSize=9, leading=11)
_SMALL = ParagraphStyle("small", parent=_BODY, fontSize=7.5, leading=9)
_HEAD = ParagraphStyle("head", parent=_BODY, fontSize=11, leading=14, spaceBefore=5)
_TITLE = ParagraphStyle("title", parent=_BODY, fontSize=16, leading=20)
_BOX = ParagraphStyle(
    "box", parent=_BODY, fontSize=11, leading=14, borderWidth=1, borderColor=colors.black,
    borderPadding=5, spaceBefore=8, spaceAfter=8,
)  # fmt: skip
_ALARM = ParagraphStyle(
    "alarm", parent=_BOX, textColor=colors.white, backColor=colors.Color(0.72, 0.1, 0.1)
)


class _Square(Flowable):
    """A square of known size, for a rule."""

    def wrap(self, _width: float, _height: float) -> tuple[float, float]:
        """Size on the page, with room for the words beside it."""
        return SQUARE_MM * mm + 90 * mm, (SQUARE_MM + 2) * mm

    def draw(self) -> None:
        """Draw it."""
        canvas: Any = self.canv
        canvas.setLineWidth(0.4)
        canvas.rect(0, 0, SQUARE_MM * mm, SQUARE_MM * mm)
        canvas.setFont(FONT, 9)
        words = (
            f"This square measures {SQUARE_MM:.1f} mm where",
            "the page was printed at 100 %.",
            "",
            "In the machine's program open the file whose",
            "name ends in -reference: its square beside the",
            "sheet must measure 100.0 mm and its circle",
            "50.0 mm. If not, the reader gets units or arcs",
            "wrong: stop and mend that first.",
        )
        for k, line in enumerate(words):
            canvas.drawString((SQUARE_MM + 6) * mm, (SQUARE_MM - 4) * mm - 12 * k, line)


def read_first_pdf(page: ReadFirst, *, paper: str = "a4") -> bytes:
    """The page as a PDF; the same job gives the same bytes.

    What would run over the page is set smaller; the square keeps its size.
    """
    register_font()
    for body in (_BODY, _SMALL):
        data, pages = _built(page, paper, body)
        if pages == 1:
            break
    return data


def _built(page: ReadFirst, paper: str, body: ParagraphStyle) -> tuple[bytes, int]:
    """The document with its words in a style, and how many pages it has."""
    stream = io.BytesIO()
    rim = _RIM_MM * mm
    document = SimpleDocTemplate(
        stream, pagesize=letter if paper in ("letter", "tabloid") else A4, leftMargin=rim,
        rightMargin=rim, topMargin=rim, bottomMargin=rim, title=f"{page.title}: read first",
        author="tracer", invariant=1,
    )  # fmt: skip
    width = document.width - 12
    story: list[Flowable] = [_p(f"{page.title}: read first", _TITLE), _p(f"For: {page.machine}.")]
    if page.failed:
        story.append(_p(f"DO NOT CUT YET: {', '.join(page.failed)}.", _ALARM))
    story += [
        _p(page.kerf, _BOX),
        *_files("On the machine, in this order", page.sheets, width, body),
        *_files("Sawn and drilled by hand, not for this machine", page.boards, width, body),
    ]
    story += [Spacer(1, 6), _Square(), Spacer(1, 4)]
    for head, lines in (("Feeds and passes, as notes", page.notes), ("Cautions", page.cautions)):
        if lines:
            story.append(_p(head, _HEAD))
            story += [_p(f"- {line}", body) for line in lines]
    document.build(story)
    return stream.getvalue(), document.page


def _p(text: str, style: ParagraphStyle = _BODY) -> Paragraph:
    return Paragraph(escape(text), style)


def _files(
    head: str, lines: Sequence[FileLine], width: float, body: ParagraphStyle
) -> list[Flowable]:
    if not lines:
        return []
    shares = (3, 34, 26, 12, 16, 9)
    widths = [width * s / sum(shares) for s in shares]
    rows = [[_p(t, body) for t in ("", "File", "What", "Size, mm", "Layers", "At least")]]
    rows += [
        [
            _p(str(n), body),
            file_name(line.name, widths[1] - _NAME_GAP_PT, body),
            _p(line.piece, body),
            _p(f"{line.size_mm[0]:.0f} x {line.size_mm[1]:.0f}", body),
            _p(", ".join(line.layers), body),
            _p(f"{max(line.seconds / 60, 0.1):.1f} min" if line.seconds else "-", body),
        ]
        for n, line in enumerate(lines[:_MOST_ROWS], 1)
    ]
    table = Table(rows, colWidths=widths, repeatRows=1)
    table.setStyle(
        TableStyle(
            [
                ("LINEBELOW", (0, 0), (-1, 0), 0.8, colors.black),
                ("LINEBELOW", (0, 1), (-1, -1), 0.25, colors.Color(0.75, 0.75, 0.75)),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("TOPPADDING", (0, 0), (-1, -1), 1),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
                ("LEFTPADDING", (0, 0), (-1, -1), 1),
                ("RIGHTPADDING", (0, 0), (-1, -1), 2),
            ]
        )
    )
    left = len(lines) - _MOST_ROWS
    more = [_p(f"and {left} more files: the job sheet lists all.")] if left > 0 else []
    return [_p(head, _HEAD), table, *more]
