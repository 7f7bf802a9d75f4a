"""The job sheet: everything a maker needs at the bench, and one page to show a client.

No date and no machine name of the computer goes in: the same panel gives the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

from reportlab.lib import colors
from reportlab.lib.pagesizes import A4, letter
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    Flowable,
    PageBreak,
    SimpleDocTemplate,
    Spacer,
    TableStyle,
)

from tracer.export.paper.blocks import (
    ALARM,
    HEAD,
    SMALL,
    TITLE,
    file_name,
    listed,
    paragraph,
    table,
)
from tracer.export.paper.fitting_pages import bay_lines, fitting_story
from tracer.export.paper.panel_figure import FONT, PanelFigure, PanelView, register_font
from tracer.model.bill import JobSheet, WrittenCheck
from tracer.model.panel import BayKind, Panel, PanelPocket
from tracer.model.report import Severity

__all__ = ["client_page", "job_sheet_pdf"]

_RIM_MM = 15.0
_PAPERS = {"a4": A4, "letter": letter}
_DAYS = 7
#: a cell's own margin, with some to spare
_CELL_PT = 4.0
_WORDS = {Severity.FAIL: "FAILED", Severity.WARN: "warning", Severity.NOTE: "note"}


def job_sheet_pdf(panel: Panel, sheet: JobSheet, *, paper: str = "a4") -> bytes:
    """The job sheet as a PDF.

    Pages in order: front view and key figures; cut list; sheets, files and consumables; order of
    work and cautions; distances; fixing sketch (wall); emblems, back, drill lists and masking
    pieces where there are any; checks with the basis of their limits; tool
    list for the daily count.
    """
    register_font()
    page = _PAPERS["letter" if paper == "letter" else "a4"]
    width, height = _room(page)
    failed = [w for w in sheet.checks if w.check.severity is Severity.FAIL and not w.accepted]
    story: list[Flowable] = [paragraph(panel.title, TITLE), paragraph(_summary(panel, sheet))]
    if failed:
        slugs = ", ".join(sorted({w.check.slug for w in failed}))
        story.append(paragraph(f"DO NOT CUT YET: {len(failed)} checks failed ({slugs}).", ALARM))
    marks = [w.check for w in sheet.checks if w.check.where_mm is not None]
    story += [
        Spacer(1, 6),
        PanelFigure(panel, PanelView.FRONT, width_pt=width, height_pt=height * 0.55, checks=marks),
        Spacer(1, 4),
        paragraph(_key(panel), SMALL),
        *_cut_list(panel, sheet, width),
        *_sheets(sheet, width),
        *listed("Order of work", sheet.steps, numbered=True),
        *listed("Cautions", sheet.cautions),
        PageBreak(),
        *_distances(panel, sheet, width, height),
    ]
    if panel.bay.kind is BayKind.WALL:
        story += [PageBreak(), *_fixing(panel, sheet, width, height)]
    story += fitting_story(panel, sheet, width, height)
    story += [PageBreak(), *_checks(sheet.checks, width), *_count(panel, width)]
    return _built(story, panel, page)


def client_page(panel: Panel, *, paper: str = "a4") -> bytes:
    """One page with the finished panel as it will look, for somebody who does not cut it."""
    register_font()
    size = _PAPERS["letter" if paper == "letter" else "a4"]
    lying = panel.size_mm[0] > panel.size_mm[1]
    page = (max(size), min(size)) if lying else (min(size), max(size))
    width, height = _room(page)
    w, h = panel.size_mm
    colour = ", ".join(dict.fromkeys(p.stock.colour for p in panel.plies))
    story = [
        paragraph(panel.title, TITLE),
        Spacer(1, 8),
        PanelFigure(panel, PanelView.CLIENT, width_pt=width, height_pt=height - 60),
        Spacer(1, 6),
        paragraph(
            f"{w:.0f} x {h:.0f} mm, {panel.thickness_mm():g} mm thick, {colour}; "
            f"{len(panel.pockets)} places."
        ),
    ]
    return _built(story, panel, page)


# -- parts --------------------------------------------------------------------------------------


def _room(page: tuple[float, float]) -> tuple[float, float]:
    """Width and height of a page's frame without its own padding, in points."""
    return page[0] - 2 * _RIM_MM * mm - 12, page[1] - 2 * _RIM_MM * mm - 12


def _built(story: Sequence[Flowable], panel: Panel, page: tuple[float, float]) -> bytes:
    stream = io.BytesIO()
    document = SimpleDocTemplate(
        stream,
        pagesize=page,
        leftMargin=_RIM_MM * mm,
        rightMargin=_RIM_MM * mm,
        topMargin=_RIM_MM * mm,
        bottomMargin=_RIM_MM * mm,
        title=panel.title,
        author="tracer",
        invariant=1,
    )

    def foot(canvas: Canvas, _document: Any) -> None:
        canvas.setFont(FONT, 9)
        canvas.setFillGray(0.35)
        text = f"{panel.title} · revision {panel.revision} · page {canvas.getPageNumber()}"
        canvas.drawString(_RIM_MM * mm, 9 * mm, text)

    document.build(list(story), onFirstPage=foot, onLaterPages=foot)
    return stream.getvalue()


def _summary(panel: Panel, sheet: JobSheet) -> str:
    w, h = panel.size_mm
    stack = " + ".join(f"{p.stock.thickness_mm:g} {p.stock.colour}" for p in panel.plies)
    return (
        f"Revision {panel.revision}. {panel.bay.kind.value.capitalize()} panel {w:.1f} x {h:.1f} "
        f"mm, from front to back {stack} mm. {len(panel.pockets)} places. Cut on: "
        f"{sheet.machine}. {sheet.kerf} All lengths in mm."
    )


def _key(panel: Panel) -> str:
    seams = " Violet lines: seams." if len(panel.tiles) > len(panel.slabs) else ""
    return (
        "Front view. Light floors show the contrast colour; dark rounded shapes are finger "
        f"notches; dotted lines are the tools; red circles are checks by number.{seams}"
    )


def _cut_list(panel: Panel, sheet: JobSheet, width: float) -> list[Flowable]:
    pockets = {p.pocket_id: p for p in panel.pockets}
    rows: list[Sequence[Any]] = [
        ("No.", "Tool", "Rests at", "Cut to", "Floor", "Fit + margin", "Also", "Height, kg")
    ]
    for pocket_id in sheet.order:
        rows.append(_cut_row(panel, pockets[pocket_id]))
    head = paragraph("Cut list, in cutting order, depths from the front face", HEAD)
    return [head, table(rows, (4, 22, 9, 9, 13, 11, 22, 10), width), paragraph(sheet.fit, SMALL)]


def _cut_row(panel: Panel, p: PanelPocket) -> Sequence[Any]:
    floor = "base" if panel.shows_base(p) else "face foam"
    if p.floor_insert is not None:
        stock = p.floor_insert.stock
        floor = f"insert {p.number}, {stock.colour} {stock.thickness_mm:g}"
    also = [f"well {w.name} {w.depth_mm:g}" for w in p.wells]
    also += [f"notch {n.depth_mm:g}" for n in p.notches]
    depth = f"{p.depth_mm:g}"
    return (
        p.number,
        f"{p.name} ({p.pocket_id})",
        f"{depth} through" if p.through else depth,
        "through" if p.through else f"{p.cut_depth_mm:g}",
        floor,
        f"{p.widths_mm[0]:+.1f} to {p.widths_mm[1]:+.1f}, {p.fit_probability:.0%}",
        ", ".join(also) or "-",
        f"{p.height_mm:.0f}" + (f", {p.mass_kg:g}" if p.mass_kg is not None else ""),
    )


def _sheets(sheet: JobSheet, width: float) -> list[Flowable]:
    rows: list[Sequence[Any]] = [("Stock", "For", "Size", "Sheets", "Weight", "Cost")]
    for line in sheet.bill:
        stock = line.stock
        rows.append(
            (
                f"{stock.colour} {stock.thickness_mm:g}, {stock.material}",
                line.purpose,
                f"{stock.size_mm[0]:g} x {stock.size_mm[1]:g}",
                line.sheets,
                "-" if line.mass_kg is None else _mass(line.mass_kg),
                "-" if line.price is None else f"{line.price:.2f}",
            )
        )
    if any(line.mass_kg is not None or line.price is not None for line in sheet.bill):
        mass = sum(line.mass_kg or 0.0 for line in sheet.bill)
        prices = [line.price for line in sheet.bill if line.price is not None]
        more = " +" if len(prices) < len(sheet.bill) else ""
        cost = f"{sum(prices):.2f}{more}" if prices else "-"
        rows.append(("", "", "", "together", _mass(mass), cost))
    parts: list[Flowable] = [
        paragraph("Sheets", HEAD),
        table(rows, (26, 23, 15, 11, 12, 13), width),
    ]
    files: list[Sequence[Any]] = [("File", "Piece, size", "Layers in cutting order", "At least")]
    shares = (32, 30, 30, 8)
    name_pt = width * shares[0] / sum(shares) - 2 * _CELL_PT
    files += [
        (
            file_name(f.name, name_pt),
            f"{f.piece}, {f.size_mm[0]:.0f} x {f.size_mm[1]:.0f}",
            ", ".join(f.layers),
            f"{f.seconds / 60:.0f} min",
        )
        for f in sheet.files
    ]
    parts += [paragraph("Files", HEAD), table(files, shares, width)]
    return parts + listed("Consumables", sheet.consumables)


def _distances(panel: Panel, sheet: JobSheet, width: float, height: float) -> list[Flowable]:
    pairs = [(d.name, f"{d.length_mm:.1f}") for d in panel.dimensions]
    columns = 4
    rows: list[Sequence[Any]] = [("Between", "mm") * columns]
    for i in range(0, len(pairs), columns):
        chunk = pairs[i : i + columns] + [("", "")] * (columns - len(pairs[i : i + columns]))
        rows.append([cell for pair in chunk for cell in pair])
    return [
        paragraph("Distances to check with a tape", HEAD),
        PanelFigure(panel, PanelView.DISTANCES, width_pt=width, height_pt=height * 0.5),
        Spacer(1, 6),
        table(rows, (16, 8) * columns, width),
        *bay_lines(panel, sheet),
    ]


def _fixing(panel: Panel, sheet: JobSheet, width: float, height: float) -> list[Flowable]:
    rows: list[Sequence[Any]] = [("Screw", "From left", "From below", "Why")]
    rows += [
        (n, f"{f.x_mm:.0f}", f"{f.y_mm:.0f}", f.reason) for n, f in enumerate(panel.fixings, 1)
    ]
    return [
        paragraph("Fixing sketch, seen from the front", HEAD),
        paragraph(
            "A sketch, not a calculation: anchors, walls and loads are for the anchor maker's data "
            "sheet, local building rules and a competent or licensed person where required. Check "
            "for cables and pipes before drilling. Hollow plasterboard alone is not a support.",
            ALARM,
        ),
        paragraph(_weight(panel, sheet)),
        PanelFigure(panel, PanelView.FIXING, width_pt=width, height_pt=height * 0.45),
        Spacer(1, 6),
        table(rows, (1, 1, 1, 1), width),
    ]


def _weight(panel: Panel, sheet: JobSheet) -> str:
    """What hangs on the wall, as far as it is known."""
    own = [line.mass_kg for line in sheet.bill]
    tools = [p.mass_kg for p in panel.pockets]
    panel_kg = sum(m for m in own if m is not None)
    tools_kg = sum(m for m in tools if m is not None)
    gaps = []
    if None in own:
        gaps.append("sheets without a density")
    if None in tools:
        gaps.append(f"{tools.count(None)} tools without a mass")
    missing = f", not counting {' and '.join(gaps)}" if gaps else ""
    return (
        f"Known weight: panel {panel_kg:.1f} kg, tools {tools_kg:.1f} kg{missing}. "
        "The depth that it stands out from the wall pulls on the upper fixings as well."
    )


def _checks(checks: Sequence[WrittenCheck], width: float) -> list[Flowable]:
    if not checks:
        return [paragraph("Checks", HEAD), paragraph("All checks passed.")]
    rows: list[Sequence[Any]] = [("No.", "", "Found", "What to do", "Basis of the limit")]
    number = 0
    for written in checks:
        check = written.check
        mark = ""
        if check.where_mm is not None:
            number += 1
            mark = str(number)
        word = _WORDS[check.severity] + (" (accepted)" if written.accepted else "")
        rows.append(
            (mark, word, f"{check.sentence} [{check.slug}]", check.remedy, written.basis or "-")
        )
    return [paragraph("Checks", HEAD), table(rows, (4, 9, 40, 27, 20), width)]


def _count(panel: Panel, width: float) -> list[Flowable]:
    days = [""] * _DAYS
    rows: list[Sequence[Any]] = [("No.", "Tool", *(f"day {d + 1}" for d in range(_DAYS)))]
    rows += [(p.number, p.name, *days) for p in panel.pockets]
    rows.append(("", "Counted by (two persons where the shop asks for it)", *days))
    boxes = table(rows, (4, 38, *([8] * _DAYS)), width)
    boxes.setStyle(TableStyle([("GRID", (2, 1), (-1, -1), 0.4, colors.black)]))
    return [paragraph(f"Daily count: {len(panel.pockets)} places", HEAD), boxes]


def _mass(mass_kg: float) -> str:
    """Grams for what is light: ten inserts weigh a few."""
    return f"{mass_kg * 1000:.0f} g" if mass_kg < 0.1 else f"{mass_kg:.2f} kg"
