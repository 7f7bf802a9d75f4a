"""Pages for several copies of a panel: what they need and cost, and a label for each."""

from __future__ import annotations

import io
import json
from collections.abc import Sequence
from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.lib.pagesizes import A4, letter
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Paragraph, SimpleDocTemplate, Spacer, Table, TableStyle

from tracer.export.paper.panel_figure import FONT, register_font
from tracer.model.bill import KitBill

__all__ = ["kit_record", "quotation_pdf"]

_RIM_MM = 15.0
_LABELS_PER_ROW = 3
_BODY = ParagraphStyle("body", fontName=FONT, fontSize=9.5, leading=12)
_HEAD = ParagraphStyle("head", parent=_BODY, fontSize=11, leading=14, spaceBefore=8)
_TITLE = ParagraphStyle("title", parent=_BODY, fontSize=16, leading=20)
_LABEL = ParagraphStyle("label", parent=_BODY, fontSize=12, leading=15)


def quotation_pdf(bill: KitBill, *, paper: str = "a4") -> bytes:
    """Material, waste, time and consumables per kit and for all, and a label for each copy."""
    register_font()
    stream = io.BytesIO()
    rim = _RIM_MM * mm
    document = SimpleDocTemplate(
        stream, pagesize=letter if paper in ("letter", "tabloid") else A4, leftMargin=rim,
        rightMargin=rim, topMargin=rim, bottomMargin=rim, title=f"{bill.title}: copies",
        author="tracer", invariant=1,
    )  # fmt: skip
    story: list[Flowable] = [_p(f"{bill.title}: {bill.copies} copies", _TITLE)]
    story.append(
        _p(
            f"Machine: {bill.machine}. One kit: {bill.pieces} pieces, at least "
            f"{bill.cut_s / 60:.1f} min at the machine; all: at least "
            f"{bill.cut_s * bill.copies / 60:.0f} min. Setting up, gluing and fitting come on top."
        )
    )
    rows = [["Stock", "Sheets, all", "per kit", "Waste", "Mass, all", "Cost, all", "per kit"]]
    for name, sheets, waste, price, mass in bill.stocks:
        rows.append(
            [
                name,
                str(sheets),
                f"{sheets / bill.copies:.2f}",
                f"{waste:.0%}",
                "-" if mass is None else f"{mass:.2f} kg",
                "-" if price is None else f"{price:.2f}",
                "-" if price is None else f"{price / bill.copies:.2f}",
            ]
        )
    story += [
        _p("Sheets, laid out over all copies", _HEAD),
        _table(rows, (30, 12, 10, 9, 14, 13, 12)),
    ]
    story += [_p("Consumables, for one kit", _HEAD), *(_p(f"- {c}") for c in bill.consumables)]
    story += [_p("Labels, one for each copy", _HEAD), Spacer(1, 4), _labels(bill.serials)]
    document.build(story)
    return stream.getvalue()


def kit_record(bill: KitBill) -> bytes:
    """The same for programs."""
    body = {
        "format": "tracer-kits",
        "version": 1,
        "title": bill.title,
        "machine": bill.machine,
        "copies": bill.copies,
        "serials": list(bill.serials),
        "pieces_per_kit": bill.pieces,
        "seconds_at_least_per_kit": round(bill.cut_s),
        "stocks": [
            {
                "stock": name,
                "sheets": sheets,
                "waste_share": round(waste, 4),
                "price": price,
                "mass_kg": None if mass is None else round(mass, 3),
            }
            for name, sheets, waste, price, mass in bill.stocks
        ],
        "consumables_per_kit": list(bill.consumables),
    }
    return (json.dumps(body, indent=1, ensure_ascii=False) + "\n").encode()


def _p(text: str, style: ParagraphStyle = _BODY) -> Paragraph:
    return Paragraph(escape(text), style)


def _table(rows: Sequence[Sequence[str]], shares: Sequence[float]) -> Table:
    width = 178 * mm
    table = Table(
        [[_p(c) for c in row] for row in rows],
        colWidths=[width * s / sum(shares) for s in shares],
    )
    table.setStyle(
        TableStyle(
            [
                ("LINEBELOW", (0, 0), (-1, 0), 0.8, colors.black),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 1),
            ]
        )
    )
    return table


def _labels(serials: Sequence[str]) -> Table:
    n = _LABELS_PER_ROW
    cells = [_p(s, _LABEL) for s in serials] + [_p("")] * (-len(serials) % n)
    rows = [cells[k : k + n] for k in range(0, len(cells), n)]
    table = Table(rows, colWidths=[178 * mm / n] * n, rowHeights=[14 * mm] * len(rows))
    table.setStyle(
        TableStyle(
            [
                ("GRID", (0, 0), (-1, -1), 0.4, colors.grey),
                ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
                ("ALIGN", (0, 0), (-1, -1), "CENTER"),
            ]
        )
    )
    return table
