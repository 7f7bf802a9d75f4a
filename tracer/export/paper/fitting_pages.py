"""Pages of the job sheet for what a panel has beside pockets, and for its masking pieces."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from reportlab.platypus import Flowable, KeepTogether, PageBreak, Spacer

from tracer.export.paper.blocks import ALARM, HEAD, SMALL, listed, paragraph, table
from tracer.export.paper.panel_figure import PanelFigure, PanelView
from tracer.geometry.rings import polygons_in
from tracer.model.bill import JobSheet, MaskingPiece
from tracer.model.panel import BackCavity, Panel

__all__ = ["bay_lines", "fitting_story"]

_CORNERS = ("lower left", "lower right", "upper right", "upper left")
#: a bend as straight as this is none
_STRAIGHT_MM = 10_000.0
#: 1 mm in 1 m
_SQUARE_DEG = 0.06
Rows = list[Sequence[Any]]


def fitting_story(panel: Panel, sheet: JobSheet, width: float, height: float) -> list[Flowable]:
    """Emblems, the back, drill lists, rail and ledges, masking pieces; nothing where none is."""
    story: list[Flowable] = []
    if panel.back_cavities:
        story += [PageBreak(), *_back(panel, sheet, width, height)]
    if panel.mounts or panel.rail or panel.ledges:
        story += [PageBreak(), *_drilling(panel, width, height)]
    if panel.inlays:
        story += _emblems(panel, width)
    if sheet.masking:
        story += _masking(sheet.masking, width)
    return story


def bay_lines(panel: Panel, sheet: JobSheet) -> list[Flowable]:
    """How the panel goes into its bay: sides, squeeze, corners that are not square."""
    bay = panel.bay
    w, h = panel.size_mm
    lines = [f"The bay measures {bay.width_mm:g} x {bay.height_mm:g}, the panel {w:.1f} x {h:.1f}."]
    if bay.squeeze_mm > 0:
        lines.append(
            f"The panel is {bay.squeeze_mm:g} mm larger than the bay both ways and holds by "
            f"friction: {bay.squeeze_mm / bay.width_mm:.2%} of its width, "
            f"{bay.squeeze_mm / bay.height_mm:.2%} of its height. Begin at the corners; ease the "
            "foam with a rasp where it bulges."
        )
    if bay.squeeze_mm < 0:
        lines.append(f"The panel is {-bay.squeeze_mm:g} mm smaller than the bay and drops in.")
    corners = sheet.squares_deg
    if corners is not None and max(abs(c) for c in corners) >= _SQUARE_DEG:
        each = ", ".join(f"{name} {90 + c:.2f}" for name, c in zip(_CORNERS, corners, strict=True))
        lines.append(
            f"The bay is out of square, in degrees: {each}. The panel follows it: it goes in one "
            "way only, and its edges on the list are those of the cut, not of a rectangle."
        )
    return [Spacer(1, 4), *(paragraph(line) for line in lines)]


# -- emblems ------------------------------------------------------------------------------------


def _emblems(panel: Panel, width: float) -> list[Flowable]:
    rows: Rows = [
        ("No.", "Emblem", "Inlay from", "Hole", "Larger by", "Size", "Middle", "Pieces, loose")
    ]
    for i in panel.inlays:
        x0, y0, x1, y1 = i.region.bounds
        loose = f", {len(i.loose)} loose" if i.loose else ""
        rows.append(
            (
                i.inlay_id,
                i.name,
                f"{i.stock.colour} {i.stock.thickness_mm:g}",
                "through" if i.through else f"{i.depth_mm:g} deep",
                f"{i.press_mm:+.2f} a side",
                f"{x1 - x0:.1f} x {y1 - y0:.1f}",
                f"{(x0 + x1) / 2:.1f}, {(y0 + y1) / 2:.1f}",
                f"{len(polygons_in(i.region))}{loose}",
            )
        )
    notes = [
        "Hole and inlay are cut from one shape: try one letter on waste before all are pressed in.",
        "Pieces are numbered from left to right (E1.1, E1.2 ...). Glue them to a full layer only.",
    ]
    if any(i.loose for i in panel.inlays):
        notes.append(
            "Loose pieces of face foam from inside the emblem: number them on the back as they "
            "come out, and glue them back in with the inlay."
        )
    head = paragraph("Emblems, from the lower left corner of the panel", HEAD)
    shares = (4, 16, 16, 11, 13, 15, 14, 11)
    return [KeepTogether([head, table(rows, shares, width), *(paragraph(n, SMALL) for n in notes)])]


# -- back ---------------------------------------------------------------------------------------


def _back(panel: Panel, sheet: JobSheet, width: float, height: float) -> list[Flowable]:
    w = panel.size_mm[0]
    rows: Rows = [
        ("No.", "Room", "Skin left", "From left", "From below", "Size", "Cable", "Bend", "Holds")
    ]
    for n, c in enumerate(panel.back_cavities):
        x0, y0, x1, y1 = c.whole.bounds
        holds, share = sheet.rooms[n] if n < len(sheet.rooms) else (0.0, 0.0)
        filled = f", filled {share:.0%}" if c.length_mm > 0 else ""
        rows.append(
            (
                c.cavity_id,
                f"{c.name}{_leads(panel, c)}",
                f"{c.skin_mm:g}",
                f"{w - x1:.1f} to {w - x0:.1f}",
                f"{y0:.1f} to {y1:.1f}",
                f"{x1 - x0:.1f} x {y1 - y0:.1f}",
                f"{c.cable_mm:g}" + (f" x {c.length_mm:g}" if c.length_mm > 0 else ""),
                "straight" if c.bend_mm > _STRAIGHT_MM else f"{c.bend_mm:.0f}",
                f"{holds:.0f} cm3{filled}",
            )
        )
    return [
        paragraph("Back of the face, seen from behind (mirrored)", HEAD),
        paragraph(
            "Turn the face over like a page: the corner that was lower right at the front lies "
            "lower left against the stop. All distances on this page are as seen from behind."
        ),
        Spacer(1, 4),
        PanelFigure(panel, PanelView.BACK, width_pt=width, height_pt=height * 0.5),
        Spacer(1, 6),
        table(rows, (5, 19, 8, 15, 15, 14, 11, 9, 14), width),
        paragraph(
            "A mains lead must not be coiled under load, trapped or stapled; no joints inside the "
            "foam, strain relief at the exit. The maker's data sheet and local electrical rules "
            "count.",
            ALARM,
        ),
    ]


def _leads(panel: Panel, cavity: BackCavity) -> str:
    pocket = next((p for p in panel.pockets if p.pocket_id == cavity.pocket_id), None)
    return f", into {pocket.number} {pocket.name}" if pocket is not None else ""


# -- drilling -----------------------------------------------------------------------------------


def _drilling(panel: Panel, width: float, height: float) -> list[Flowable]:
    story: list[Flowable] = [
        paragraph("Mounts, ledges and rest rail, seen from the front", HEAD),
        paragraph(
            "Check for cables and pipes before drilling. Plugs and screws go by the wall, the "
            "load, the anchor maker's data and local practice: this list is not a calculation.",
            ALARM,
        ),
        PanelFigure(panel, PanelView.DRILLING, width_pt=width, height_pt=height * 0.42),
        Spacer(1, 6),
    ]
    if panel.mounts:
        story += _mounts(panel, width)
    if panel.ledges:
        story += _ledges(panel, width)
    return story + _rail(panel, width)


def _mounts(panel: Panel, width: float) -> list[Flowable]:
    rows: Rows = [("Hole", "Of", "From left", "From below", "Hole in it", "Drill")]
    for m in panel.mounts:
        rows += [
            (
                f"{m.mount_id}.{n}",
                m.name,
                f"{h.x_mm:.1f}",
                f"{h.y_mm:.1f}",
                f"{h.diameter_mm:.1f}",
                f"{h.pilot_mm:g}",
            )
            for n, h in enumerate(m.holes, start=1)
        ]
    notes = [
        f"{m.mount_id} {m.name}: {m.air_mm:g} mm of free air all round, or what its maker asks "
        "for; vents free, nothing charging unattended, bare non-combustible plate behind it."
        for m in panel.mounts
        if m.powered
    ]
    return [
        paragraph("Drill list of the board, from the lower left corner of the panel", HEAD),
        table(rows, (8, 30, 14, 14, 14, 10), width),
        *(paragraph(note, SMALL) for note in notes),
    ]


def _ledges(panel: Panel, width: float) -> list[Flowable]:
    rows: Rows = [("No.", "Ledge", "Middle", "Size", "Stands out", "Load", "Kept free round it")]
    for one in panel.ledges:
        x0, y0, x1, y1 = one.region.bounds
        rx0, _, _, ry1 = one.room.bounds
        rows.append(
            (
                one.ledge_id,
                one.name,
                f"{(x0 + x1) / 2:.0f}, {(y0 + y1) / 2:.0f}",
                f"{x1 - x0:.0f} x {y1 - y0:.0f}",
                f"{one.out_mm:g}",
                "not known" if one.mass_kg is None else f"{one.mass_kg:g} kg",
                f"{ry1 - y1:.0f} above, {x0 - rx0:.0f} beside",
            )
        )
    head = paragraph("Ledges and brackets", HEAD)
    return [KeepTogether([head, table(rows, (5, 22, 14, 14, 11, 12, 22), width)])]


def _rail(panel: Panel, width: float) -> list[Flowable]:
    rail = panel.rail
    if rail is None:
        return []
    rows: Rows = [("Hole", "From the rail's left end", "Below its top edge", "Drill in the rail")]
    rows += [
        (f"R{n}", f"{h.x_mm - rail.x_mm:.0f}", f"{-h.y_mm:.0f}", f"{h.pilot_mm:g}")
        for n, h in enumerate(rail.holes, start=1)
    ]
    load = "not all known" if rail.load_kg is None else f"{rail.load_kg:.1f} kg"
    each = "" if rail.load_kg is None else f", {rail.load_kg * 9.81 / len(rail.holes):.0f} N each"
    lines = [
        f"Rail {rail.length_mm:.0f} long, {rail.thickness_mm:g} out from the wall, "
        f"{rail.height_mm:g} high, its top edge against the panel's lower edge; set it level. "
        f"Weight on it: {load}, {len(rail.holes)} screws{each}.",
    ]
    if rail.finish:
        lines.append(f"Finish: {rail.finish}, before it is screwed on.")
    if rail.cover_strip:
        lines.append(
            f"Cover strip over the screw heads: {rail.length_mm:.0f} x "
            f"{min(rail.height_mm * 0.6, 25):.0f}, pressed on last."
        )
    head = paragraph("Rest rail", HEAD)
    return [
        KeepTogether(
            [head, *(paragraph(line) for line in lines), table(rows, (6, 20, 20, 16), width)]
        )
    ]


# -- masking ------------------------------------------------------------------------------------


def _masking(pieces: Sequence[MaskingPiece], width: float) -> list[Flowable]:
    columns = 3
    cells = [(p.mark, p.name if p.layer == 1 else f"{p.name}, layer {p.layer}") for p in pieces]
    rows: Rows = [("On its back", "Cut-out of") * columns]
    for i in range(0, len(cells), columns):
        chunk = cells[i : i + columns] + [("", "")] * (columns - len(cells[i : i + columns]))
        rows.append([c for pair in chunk for c in pair])
    lines = [
        "Write the number on the back of each cut-out as it comes out of the sheet. All of these "
        "go back into their openings while glue is sprayed on the back, flush, numbers up; lift "
        "them out before the layers meet.",
    ]
    return [
        *listed(f"Masking pieces: {len(pieces)}", lines),
        Spacer(1, 3),
        table(rows, (7, 24) * columns, width),
    ]
