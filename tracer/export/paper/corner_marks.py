"""Corner marks for a panel: one page, vectors, 1:1, with a bar to measure and where each goes."""

from __future__ import annotations

import io
from collections.abc import Sequence

from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from tracer.export.drawing.lettering import font_bytes
from tracer.export.paper.tiles import PAPERS_MM
from tracer.model.card_codes import marker_cells

__all__ = ["corner_marks_pdf"]

_FONT = "DejaVuSans"
_LEFT_MM, _TOP_MM, _ROW_MM = 25.0, 62.0, 46.0
_BAR_MM = 100.0


def corner_marks_pdf(
    title: str,
    places: Sequence[tuple[int, str, float, float]],
    *,
    side_mm: float,
    paper: str = "a4",
) -> bytes:
    """The page.

    Parameters
    ----------
    places
        Of each mark its id, the corner's name, and its middle on the panel in mm from the left
        and from the lower edge.
    side_mm
        Side of the black square; a white rim of an eighth of it belongs to the mark.
    """
    width, height = PAPERS_MM[paper]
    if _FONT not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(_FONT, io.BytesIO(font_bytes())))
    stream = io.BytesIO()
    canvas = Canvas(stream, pagesize=(width * mm, height * mm), invariant=1, pageCompression=1)
    canvas.setTitle(f"{title}: corner marks")
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.setFont(_FONT, 13)
    canvas.drawString(_LEFT_MM * mm, (height - 20) * mm, f"{title}: corner marks"[:70])
    canvas.setFont(_FONT, 9)
    for row, line in enumerate(_WORDS):
        canvas.drawString(_LEFT_MM * mm, (height - 27 - 5 * row) * mm, line)
    for row, (marker, corner, x_mm, y_mm) in enumerate(places):
        top = height - _TOP_MM - row * _ROW_MM
        _mark(canvas, marker, _LEFT_MM, top, side_mm)
        canvas.setFont(_FONT, 11)
        at = (_LEFT_MM + side_mm * 1.25 + 10) * mm
        canvas.drawString(at, (top - 10) * mm, corner)
        canvas.setFont(_FONT, 9)
        words = f"its middle {x_mm:.0f} mm from the left and {y_mm:.0f} mm from the lower edge"
        canvas.drawString(at, (top - 17) * mm, words)
    canvas.setLineWidth(0.4)
    x, y = _LEFT_MM, 20.0
    canvas.line(x * mm, y * mm, (x + _BAR_MM) * mm, y * mm)
    for end in (x, x + _BAR_MM):
        canvas.line(end * mm, (y - 1.5) * mm, end * mm, (y + 1.5) * mm)
    canvas.drawString(x * mm, (y - 6) * mm, "this bar must measure 100.0 mm")
    canvas.save()
    return stream.getvalue()


_WORDS = (
    "Print at 100 %, never fit to page, on matt paper. Cut along the grey lines; white rims stay.",
    "Stick each upright on the face, as drawn here, to two millimetres. Glue: try it on a scrap of",
    "the same foam, ventilate, no flame; the maker's data sheet and local rules come first.",
)


def _mark(canvas: Canvas, marker: int, left_mm: float, top_mm: float, side_mm: float) -> None:
    cell = side_mm / 8
    rim = side_mm * 10 / 8
    canvas.setStrokeGray(0.6)
    canvas.setLineWidth(0.25)
    canvas.rect(left_mm * mm, (top_mm - rim) * mm, rim * mm, rim * mm)
    canvas.setFillGray(0)
    for row, cells in enumerate(marker_cells(marker)):
        start = None
        for column, black in enumerate([*cells.tolist(), False]):
            if black and start is None:
                start = column
            elif not black and start is not None:
                x = left_mm + cell * (1 + start)
                y = top_mm - cell * (2 + row)
                # a hair higher than the row: no white line between two rows on any screen
                canvas.rect(x * mm, y * mm, cell * (column - start) * mm, cell * 1.01 * mm,
                            stroke=0, fill=1)  # fmt: skip
                start = None
