"""The page of a trial in foam: a scale card, two places, three pockets and a table to write in.

Its upper part is photographed with the coin and the block on their places. Its lower part holds
the pockets for a scalpel and the table; it is cut off, or folded under. Lengths are mm from the
page's lower left corner.
"""

from __future__ import annotations

import io
from collections.abc import Mapping

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from shapely.geometry import Polygon

from tracer.errors import UsageError
from tracer.export.paper.cards import PAPERS_MM, PRINTER_MARGIN_MM, draw_card
from tracer.export.paper.panel_figure import FONT, register_font
from tracer.model.card import BOARD_MM, PAPER_MM, WHITE_MM
from tracer.model.trial import Trial

__all__ = ["PLACES_CARD_MM", "trial_page_pdf"]

#: height of the strip with the two places, under the card
_STRIP_MM = 56.0
_DOWN_MM = BOARD_MM[1] + WHITE_MM[3] + _STRIP_MM / 2
#: middles of the coin's and the block's place, from the board's upper left corner, y down
PLACES_CARD_MM = ((37.0, _DOWN_MM), (115.0, _DOWN_MM))
#: corner marks stand this far outside a thing, so that no print touches its edge in the photo
_CLEAR_MM, _TICK_MM = 6.0, 4.0
_TABLE_WIDE_MM = 88.0
_FOLD_GAP_MM, _POCKET_GAP_MM = 8.0, 10.0


def trial_page_pdf(trial: Trial, walls: Mapping[str, Polygon], *, paper: str = "a4") -> bytes:
    """The page as a PDF; the same trial gives the same bytes.

    Parameters
    ----------
    walls
        By fit class: the pocket that is to come out, upright.

    Raises
    ------
    UsageError
        ``card-paper-unknown``, ``card-number-range``.
    """
    if paper.lower() not in PAPERS_MM:
        raise UsageError(
            "card-paper-unknown", f"Paper {paper!r} is not known.", f"Use {' or '.join(PAPERS_MM)}."
        )
    width, height = PAPERS_MM[paper.lower()]
    register_font()
    stream = io.BytesIO()
    canvas = Canvas(stream, pagesize=(width * mm, height * mm), invariant=1, pageCompression=1)
    canvas.setTitle("A trial in foam")
    canvas.setViewerPreference("PrintScaling", "None")
    left = PRINTER_MARGIN_MM
    x = left + WHITE_MM[0]
    y = height - PRINTER_MARGIN_MM - PAPER_MM[1] + WHITE_MM[3]
    draw_card(canvas, trial.card, x, y)
    _places(canvas, trial, x, y + BOARD_MM[1])
    _side_words(canvas, left + PAPER_MM[0], height)
    fold = height - PRINTER_MARGIN_MM - PAPER_MM[1] - _STRIP_MM
    _fold(canvas, left, fold, width)
    _pockets(canvas, walls, left + 2, fold - _FOLD_GAP_MM)
    _table(canvas, trial, width - PRINTER_MARGIN_MM - _TABLE_WIDE_MM, fold - _FOLD_GAP_MM)
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _places(canvas: Canvas, trial: Trial, x: float, top: float) -> None:
    """Corner marks round each place, and what goes there; nothing that touches the thing."""
    coin, block = trial.coin_mm, trial.block_mm
    for (along, down), (w, h), words in (
        (PLACES_CARD_MM[0], (coin[0], coin[0]), f"round: {coin[0]:g}, {coin[1]:g} thick"),
        (
            PLACES_CARD_MM[1],
            block[:2],
            f"block: {block[0]:g} x {block[1]:g}, {block[2]:g} high",
        ),
    ):
        cx, cy = x + along, top - down
        dx, dy = w / 2 + _CLEAR_MM, h / 2 + _CLEAR_MM
        canvas.setLineWidth(0.25 * mm)
        canvas.setStrokeGray(0.0)
        for sx in (-1, 1):
            for sy in (-1, 1):
                a, b = cx + sx * dx, cy + sy * dy
                canvas.line(a * mm, b * mm, (a - sx * _TICK_MM) * mm, b * mm)
                canvas.line(a * mm, b * mm, a * mm, (b - sy * _TICK_MM) * mm)
        canvas.setFont(FONT, 7)
        canvas.setFillGray(0.0)
        canvas.drawCentredString(cx * mm, (cy - dy - 3.2) * mm, words)


def _side_words(canvas: Canvas, from_x: float, height: float) -> None:
    """What to do with the upper part, up its right side."""
    lines = (
        "A trial in foam. Print at 100 % (actual size). Measure the board between the fine ticks at"
        " its corners and write it into the table.",
        "Lay the coin and the block between their corner marks. A thing that mirrors wants a dull"
        " skin: masking tape, chalk, or a rubbing of wax.",
        "Photograph the card and both things from straight above, in even light without hard"
        " shadows.",
    )
    canvas.saveState()
    canvas.setFont(FONT, 7)
    canvas.setFillGray(0.0)
    canvas.rotate(90)
    for k, line in enumerate(lines):
        canvas.drawString(
            (height - PRINTER_MARGIN_MM - PAPER_MM[1] - _STRIP_MM + 3) * mm,
            -(from_x + 3.5 + 3.6 * k) * mm,
            line,
        )
    canvas.restoreState()


def _fold(canvas: Canvas, left: float, y: float, width: float) -> None:
    canvas.setLineWidth(0.2 * mm)
    canvas.setStrokeGray(0.4)
    canvas.setDash(2 * mm, 1.5 * mm)
    canvas.line(left * mm, y * mm, (width - left) * mm, y * mm)
    canvas.setDash()
    canvas.setFont(FONT, 7)
    canvas.setFillGray(0.0)
    canvas.drawString(
        (left + 2) * mm,
        (y - 4) * mm,
        "Cut here, or fold this part under, before you photograph the upper one.",
    )


def _pockets(canvas: Canvas, walls: Mapping[str, Polygon], x: float, top: float) -> None:
    """The three pockets side by side, upright, their upper edges in one line."""
    canvas.setLineWidth(0.18 * mm)
    canvas.setStrokeGray(0.0)
    lowest = top
    for name, wall in walls.items():
        x0, _, x1, y1 = wall.bounds
        path = canvas.beginPath()
        (ax, ay), *rest = [(px - x0 + x, py - y1 + top) for px, py in wall.exterior.coords[:-1]]
        path.moveTo(ax * mm, ay * mm)
        for px, py in rest:
            path.lineTo(px * mm, py * mm)
        path.close()
        canvas.drawPath(path, stroke=1, fill=0)
        canvas.setFont(FONT, 8)
        canvas.drawCentredString(
            (x + (x1 - x0) / 2) * mm, (top - (wall.bounds[3] - wall.bounds[1]) / 2) * mm, name
        )
        lowest = min(lowest, top - (wall.bounds[3] - wall.bounds[1]))
        x += x1 - x0 + _POCKET_GAP_MM
    canvas.setFont(FONT, 6.5)
    for k, line in enumerate(
        (
            "For a scalpel: glue this part on foam, cut along the inner edge of",
            "the lines, right through. A machine has a file of its own for them.",
        )
    ):
        canvas.drawString((PRINTER_MARGIN_MM + 2) * mm, (lowest - 4 - 3 * k) * mm, line)


def _table(canvas: Canvas, trial: Trial, x: float, top: float) -> None:
    """What is measured, by what, and room to write it down."""
    rows = (
        ("board of the card", "rule, between the ticks"),
        ("easy: length x width", "calliper, in the foam"),
        ("snug: length x width", "calliper, in the foam"),
        ("press: length x width", "calliper, in the foam"),
    )
    step = 9.0
    canvas.setLineWidth(0.2 * mm)
    canvas.setStrokeGray(0.0)
    for k, (what, how) in enumerate(rows):
        y = top - step * (k + 1)
        canvas.setFont(FONT, 7.5)
        canvas.drawString(x * mm, (y + 3.6) * mm, what)
        canvas.setFont(FONT, 6)
        canvas.drawString(x * mm, (y + 0.8) * mm, how)
        canvas.line((x + 38) * mm, y * mm, (x + _TABLE_WIDE_MM) * mm, y * mm)
        canvas.setFont(FONT, 8)
        canvas.drawString((x + 62) * mm, (y + 1) * mm, "x")
    canvas.setFont(FONT, 6.5)
    words = (
        f"Cut for: {trial.machine[:60]}, {trial.material}, {trial.thickness_mm:g} mm.",
        "Inside jaws just touch the foam, half way along each side and half",
        "way down; do not press. Read to 0.05 mm. Then try the block in each.",
        "Type all four back.",
    )
    for k, line in enumerate(words):
        canvas.drawString(x * mm, (top - step * len(rows) - 5 - 3.2 * k) * mm, line)
