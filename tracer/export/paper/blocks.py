"""Building blocks of printed pages: paragraphs, tables, lists, in one type."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.platypus import Flowable, KeepTogether, Paragraph, Table, TableStyle

from tracer.export.paper.panel_figure import FONT

__all__ = ["ALARM", "BODY", "HEAD", "SMALL", "TITLE", "file_name", "listed", "paragraph", "table"]

BODY = ParagraphStyle("body", fontName=FONT, fontSize=9.5, leading=12)
SMALL = ParagraphStyle("small", parent=BODY, fontSize=9, leading=10.8)
HEAD = ParagraphStyle(
    "head", parent=BODY, fontSize=11, leading=14, spaceBefore=8, spaceAfter=3, keepWithNext=1
)
TITLE = ParagraphStyle("title", parent=BODY, fontSize=16, leading=20)
ALARM = ParagraphStyle(
    "alarm",
    parent=BODY,
    fontSize=10,
    leading=13,
    textColor=colors.white,
    backColor=colors.Color(0.72, 0.1, 0.1),
    borderPadding=4,
    spaceBefore=6,
    spaceAfter=8,
)


def paragraph(text: str, style: ParagraphStyle = BODY) -> Paragraph:
    """Text as it is, nothing of it markup."""
    return Paragraph(escape(text), style)


def file_name(name: str, width_pt: float, style: ParagraphStyle = SMALL) -> Paragraph:
    """A file's name, broken behind its own signs: a hyphen of ours would be typed along."""
    lines = [""]
    for part in re.split(r"(?<=[/_-])", name):
        longer = lines[-1] + part
        if lines[-1] and stringWidth(longer, style.fontName, style.fontSize) > width_pt:
            lines.append(part)
        else:
            lines[-1] = longer
    return Paragraph("<br/>".join(map(escape, lines)), style)


def table(rows: Sequence[Sequence[Any]], widths: Sequence[float], width: float) -> Table:
    """Rows, the first of them the heads, in columns of these shares of a width in points."""
    share = width / sum(widths)
    cells = [
        [c if isinstance(c, Flowable) else paragraph(str(c), SMALL) for c in row] for row in rows
    ]
    made = Table(cells, colWidths=[w * share for w in widths], repeatRows=1)
    made.setStyle(
        TableStyle(
            [
                ("LINEBELOW", (0, 0), (-1, 0), 0.8, colors.black),
                ("LINEBELOW", (0, 1), (-1, -1), 0.25, colors.Color(0.75, 0.75, 0.75)),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("TOPPADDING", (0, 0), (-1, -1), 1.5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
                ("LEFTPADDING", (0, 0), (-1, -1), 2),
                ("RIGHTPADDING", (0, 0), (-1, -1), 2),
            ]
        )
    )
    return made


def listed(title: str, lines: Iterable[str], *, numbered: bool = False) -> list[Flowable]:
    """A head with one line for each text; nothing without any."""
    items = list(lines)
    if not items:
        return []
    marks = [f"{n}." if numbered else "-" for n in range(1, len(items) + 1)]
    rows = [
        Table(
            [[paragraph(mark), paragraph(text)]],
            colWidths=[10.5 * mm, None],
            style=[
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("TOPPADDING", (0, 0), (-1, -1), 0.5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 0.5),
            ],
        )
        for mark, text in zip(marks, items, strict=True)
    ]
    return [KeepTogether([paragraph(title, HEAD), rows[0]]), *rows[1:]]
