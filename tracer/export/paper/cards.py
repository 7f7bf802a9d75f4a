"""The printable scale cards, single or together on a mat, as PDF vectors.

Lengths are mm from the lower left corner of the page. Black cells that touch are drawn as one
shape: side by side, viewers leave hairline gaps between them, which eat into the codes.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from shapely.geometry import MultiPolygon, Polygon, box
from shapely.ops import unary_union

from tracer.atomic import create_atomically, write_atomically
from tracer.errors import UsageError
from tracer.export.drawing.lettering import font_bytes
from tracer.model.card import (
    BOARD_MM,
    CARD_COUNT,
    COLUMNS,
    MARKER_MM,
    PAPER_MM,
    ROWS,
    SQUARE_MM,
    WHITE_MM,
    mat_places,
)
from tracer.model.card_codes import marker_cells

__all__ = [
    "PAPERS_MM",
    "PRINTER_MARGIN_MM",
    "card_shapes",
    "cards_pdf",
    "draw_card",
    "write_cards_pdf",
]

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
#: what any printer leaves blank at most, common practice, no source
PRINTER_MARGIN_MM = 6.0
MARKERS_PER_CARD = COLUMNS * ROWS // 2
BAR_MM = 100.0
_FONT = "DejaVuSans"
EVEN_ODD = 0  # reportlab's code; its other rule depends on the direction of a hole's ring


def card_shapes(number: int) -> list[Polygon]:
    """Black shapes of a card's board, mm from its *lower left* corner, y up.

    Raises
    ------
    UsageError
        ``card-number-range``.
    """
    if not 0 <= number < CARD_COUNT:
        raise UsageError(
            "card-number-range",
            f"There is no card {number}.",
            f"Cards are numbered 0 to {CARD_COUNT - 1}.",
        )
    shapes = []
    marker = MARKERS_PER_CARD * number
    for row in range(ROWS):
        for column in range(COLUMNS):
            x, y = column * SQUARE_MM, BOARD_MM[1] - (row + 1) * SQUARE_MM
            if (row + column) % 2 == 0:
                shapes.append(box(x, y, x + SQUARE_MM, y + SQUARE_MM))
                continue
            rim = (SQUARE_MM - MARKER_MM) / 2
            shapes += _marker(marker, x + rim, y + rim)
            marker += 1
    return shapes


def _marker(marker: int, x_mm: float, y_mm: float) -> list[Polygon]:
    """Black parts of one marker, its lower left corner at x, y."""
    cells = marker_cells(marker)
    cell = MARKER_MM / len(cells)
    black: Any = unary_union(
        [
            box(column, len(cells) - 1 - row, column + 1, len(cells) - row)
            for row, column in np.argwhere(cells)
        ]
    )
    parts = black.geoms if isinstance(black, MultiPolygon) else [black]

    def placed(ring: Any) -> list[tuple[float, float]]:
        return [(x_mm + cell * x, y_mm + cell * y) for x, y in ring.coords]

    return [Polygon(placed(p.exterior), [placed(hole) for hole in p.interiors]) for p in parts]


def cards_pdf(
    *,
    numbers: Sequence[int] = range(8),
    paper: str = "a4",
    per_page: int = 2,
    mat_mm: tuple[float, float] | None = None,
) -> bytes:
    """The PDF of single cards, or of one mat.

    Parameters
    ----------
    numbers
        Cards to print, in order; ignored for a mat, which has its own.
    paper
        ``a4`` or ``letter``.
    per_page
        1 or 2 cards on a page; 1 for printers with margins wider than 6 mm.
    mat_mm
        Width and height of a mat: one page with the cards of `mat_places`.

    Raises
    ------
    UsageError
        ``card-number-range``, ``card-paper-unknown``, ``cards-per-page``, ``no-cards-to-print``.
    TracerError
        ``mat-too-small``.
    """
    stream = io.BytesIO()
    if _FONT not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(_FONT, io.BytesIO(font_bytes())))
    canvas = Canvas(stream, invariant=1, pageCompression=1)
    canvas.setTitle("Scale cards")
    canvas.setViewerPreference("PrintScaling", "None")
    if mat_mm is not None:
        _mat_page(canvas, mat_mm)
    else:
        if paper.lower() not in PAPERS_MM:
            raise UsageError(
                "card-paper-unknown",
                f"Paper {paper!r} is not known.",
                f"Use one of: {', '.join(PAPERS_MM)}.",
            )
        if per_page not in (1, 2):
            raise UsageError(
                "cards-per-page", f"{per_page} cards do not fit on a page.", "Use 1 or 2."
            )
        if not numbers:
            raise UsageError("no-cards-to-print", "No card number was given.", "Use e.g. 0-7.")
        for first in range(0, len(numbers), per_page):
            _page(canvas, numbers[first : first + per_page], PAPERS_MM[paper.lower()])
    canvas.save()
    return stream.getvalue()


def write_cards_pdf(path: Path, *, replacing: bool = False, **options: Any) -> None:
    """Write `cards_pdf` to a file, whole or not at all; over another one only where asked to."""
    (write_atomically if replacing else create_atomically)(path, cards_pdf(**options))


def _page(canvas: Canvas, numbers: Sequence[int], page_mm: tuple[float, float]) -> None:
    width, height = page_mm
    canvas.setPageSize((width * mm, height * mm))
    # with the cut lines of both cards shared, Letter has 3.4 mm to spare in height
    top = height - max(PRINTER_MARGIN_MM, (height - len(numbers) * PAPER_MM[1]) / 2)
    for k, number in enumerate(numbers):
        x, y = PRINTER_MARGIN_MM, top - (k + 1) * PAPER_MM[1]
        canvas.setLineWidth(0.2 * mm)
        canvas.setStrokeGray(0.6)
        canvas.rect(x * mm, y * mm, PAPER_MM[0] * mm, PAPER_MM[1] * mm, fill=0)
        draw_card(canvas, number, x + WHITE_MM[0], y + WHITE_MM[3])
    _page_text(canvas, PRINTER_MARGIN_MM + PAPER_MM[0])
    canvas.showPage()


def _page_text(canvas: Canvas, from_x_mm: float) -> None:
    """What to do with the page, up its right side."""
    canvas.saveState()
    canvas.setFillGray(0.0)
    canvas.setFont(_FONT, 7.5)
    canvas.rotate(90)
    lines = [
        f"Print at 100 % (actual size). Measure a board between the fine ticks at its corners: "
        f"{BOARD_MM[0]:.1f} mm long, {BOARD_MM[1]:.1f} mm high.",
        "What you measure goes to the program as the card size, such as 168.0x112.0. Measure one "
        "card of every printing, to 0.2 mm or better.",
        "Cut along the grey lines. Lay 4 to 8 cards flat around the tools, each number only once.",
    ]
    for k, line in enumerate(lines):
        canvas.drawString(14 * mm, -(from_x_mm + 4.5 + 3.9 * k) * mm, line)
    canvas.restoreState()


def _mat_page(canvas: Canvas, mat_mm: tuple[float, float]) -> None:
    width, height = mat_mm
    canvas.setPageSize((width * mm, height * mm))
    for number, (x, y, _) in mat_places(mat_mm).items():
        draw_card(canvas, number, x, y)
    canvas.setFillGray(0.0)
    canvas.setFont(_FONT, 8)
    canvas.drawCentredString(
        width / 2 * mm,
        3.5 * mm,
        f"Print at 100 %: {width:g} x {height:g} mm. Trace as a mat of {width:g}x{height:g} with "
        f"the measured size of a board ({BOARD_MM[0]:.1f} x {BOARD_MM[1]:.1f} mm).",
    )
    canvas.showPage()


def draw_card(canvas: Canvas, number: int, x_mm: float, y_mm: float) -> None:
    """One card, the lower left corner of its board at x, y."""
    canvas.setFillGray(0.0)
    for shape in card_shapes(number):
        path = canvas.beginPath()
        for ring in (shape.exterior, *shape.interiors):
            (x0, y0), *rest = list(ring.coords)[:-1]
            path.moveTo((x_mm + x0) * mm, (y_mm + y0) * mm)
            for x, y in rest:
                path.lineTo((x_mm + x) * mm, (y_mm + y) * mm)
            path.close()
        canvas.drawPath(path, stroke=0, fill=1, fillMode=EVEN_ODD)
    _ticks(canvas, x_mm, y_mm)
    _foot(canvas, number, x_mm, y_mm)


def _ticks(canvas: Canvas, x_mm: float, y_mm: float) -> None:
    """Fine ticks that carry the board's outer edges past its corners, to measure between."""
    canvas.setLineWidth(0.15 * mm)
    canvas.setStrokeGray(0.0)
    for x, outward_x in ((x_mm, -1), (x_mm + BOARD_MM[0], 1)):
        for y, outward_y in ((y_mm, -1), (y_mm + BOARD_MM[1], 1)):
            canvas.line(x * mm, (y + outward_y) * mm, x * mm, (y + 5 * outward_y) * mm)
            canvas.line((x + outward_x) * mm, y * mm, (x + 5 * outward_x) * mm, y * mm)


def _foot(canvas: Canvas, number: int, x_mm: float, y_mm: float) -> None:
    """Under the board: a 100 mm bar, the number, and which side is up."""
    left, bar = x_mm + 6, y_mm - 6.5
    canvas.rect(left * mm, bar * mm, BAR_MM * mm, 1 * mm, stroke=0, fill=1)
    canvas.setFont(_FONT, 7)
    canvas.drawString((left + BAR_MM + 2) * mm, (bar - 0.7) * mm, "100 mm")
    canvas.setFont(_FONT, 18)
    canvas.drawRightString((x_mm + BOARD_MM[0] - 14) * mm, (y_mm - 8.5) * mm, f"{number}")
    canvas.setFont(_FONT, 9)
    canvas.drawRightString((x_mm + BOARD_MM[0] - 6) * mm, (y_mm - 8) * mm, "up")
    arrow = canvas.beginPath()
    middle, foot = (x_mm + BOARD_MM[0] - 3) * mm, (y_mm - 8.5) * mm
    arrow.moveTo(middle - 1.5 * mm, foot)
    arrow.lineTo(middle + 1.5 * mm, foot)
    arrow.lineTo(middle, foot + 4.5 * mm)
    arrow.close()
    canvas.drawPath(arrow, stroke=0, fill=1)
