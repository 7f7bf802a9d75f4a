"""The 1:1 paper template: a PDF of tiled pages, each with measured bars in x and y.

References
----------
ISO 32000-1:2008, 12.2 viewer preferences: PrintScaling None asks the viewer not to scale.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import shapely
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from shapely.geometry import LinearRing, Point, box
from shapely.geometry.base import BaseGeometry

from tracer.errors import UsageError
from tracer.export.drawing.lettering import font_bytes
from tracer.export.paper.guide import Guide, guide_pages, places
from tracer.export.paper.tiles import (
    MARGIN_MM,
    OVERLAP_MM,
    STRIP_BELOW_MM,
    STRIP_LEFT_MM,
    Tile,
    TileGrid,
    tile_grid,
)
from tracer.geometry.loops import flatten, polygon_of
from tracer.model.drawing import Drawing, Operation
from tracer.model.reading import EdgeMark

__all__ = ["BAR_MM", "PrinterScale", "Template", "template_pdf", "tile_lines"]

BAR_MM = 100.0
_FONT = "DejaVuSans"
_HAIRLINE_PT, _LABEL_PT = 0.4, 0.5
_SCORE_DASH = (4, 2)
#: arcs drawn as chords this close: a tenth of the line's own width
_FLAT_MM = 0.015
#: length of a tick at a lettered place, and from there to the middle of the letter
_TICK_MM, _LETTER_MM = 2.0, 2.4
_HOW_TO_READ = (
    "Grey letters: lay the real tool on its line where it fits best, read the gap to the line at "
    "each, minus where the tool covers it, and type them: tracer gaps JOB TOOL A=1.5 B=-0.5."
)
#: a printer off by more than this does not print at full size at all
_MOST_OFF = 0.02


@dataclass(frozen=True)
class PrinterScale:
    """What bars of 100 mm measured on a printed page, in x and in y."""

    x_mm: float = BAR_MM
    y_mm: float = BAR_MM

    def __post_init__(self) -> None:
        for axis, value in (("x", self.x_mm), ("y", self.y_mm)):
            if not abs(value / BAR_MM - 1) <= _MOST_OFF:
                raise UsageError(
                    "printer-scale-wrong",
                    f"The {axis} bar of 100 mm measured {value:.1f} mm: the page was not printed "
                    "at full size.",
                    "Print again at 100 % (no fit to page) and measure both bars.",
                )

    @property
    def factors(self) -> tuple[float, float]:
        """By what coordinates are multiplied so that the print comes out right."""
        return BAR_MM / self.x_mm, BAR_MM / self.y_mm


@dataclass(frozen=True, eq=False)
class Template:
    """A PDF and what its pages are meant to show; ``front`` pages come before the tiles."""

    data: bytes
    grid: TileGrid
    printer: PrinterScale
    front: int = 1

    @property
    def pages(self) -> list[Tile | None]:
        """Page by page: None for those in front, then the tiles that show anything."""
        return [None] * self.front + [tile for tile in self.grid.tiles if not tile.empty]


def tile_lines(
    drawing: Drawing, tile: Tile
) -> list[tuple[Operation, list[list[tuple[float, float]]]]]:
    """Per path the polylines that a tile shows, in mm from the window's lower left corner."""
    window = box(*tile.window_mm)
    x0, y0 = tile.window_mm[:2]
    lines = []
    for path in drawing.paths:
        ring = LinearRing(flatten(path.loop, _FLAT_MM))
        parts = _polylines(ring.intersection(window))
        if parts:
            moved = [[(x - x0, y - y0) for x, y in part] for part in parts]
            lines.append((path.layer.operation, moved))
    return lines


def _polylines(shape: BaseGeometry) -> list[list[tuple[float, float]]]:
    merged = shapely.line_merge(shape) if shape.geom_type == "MultiLineString" else shape
    parts = getattr(merged, "geoms", [merged])
    return [[(p[0], p[1]) for p in part.coords] for part in parts if part.length > 0]


def _page_frame(canvas: Canvas, grid: TileGrid, scale: tuple[float, float]) -> None:
    """Crop marks at the window's corners and the two bars; (0, 0) is the window's corner."""
    width, height = grid.window_mm
    canvas.setLineWidth(0.25)
    canvas.setStrokeColorRGB(0.4, 0.4, 0.4)
    sx, sy = scale[0] * mm, scale[1] * mm
    for x, y in ((0, 0), (width, 0), (0, height), (width, height)):
        for dx, dy in ((-1, 0), (1, 0), (0, -1), (0, 1)):
            outside = (dx and (x > 0) == (dx > 0)) or (dy and (y > 0) == (dy > 0))
            if outside:
                canvas.line(x * sx, y * sy, (x + 4 * dx) * sx, (y + 4 * dy) * sy)
    canvas.setStrokeColorRGB(0, 0, 0)
    canvas.setLineWidth(_HAIRLINE_PT)
    left, below = 0.0, -9.0
    canvas.line(left * sx, below * sy, (left + BAR_MM) * sx, below * sy)
    for x in (left, left + BAR_MM):
        canvas.line(x * sx, (below - 1.5) * sy, x * sx, (below + 1.5) * sy)
    beside = -5.0
    canvas.line(beside * sx, 0, beside * sx, BAR_MM * sy)
    for y in (0.0, BAR_MM):
        canvas.line((beside - 1.5) * sx, y * sy, (beside + 1.5) * sx, y * sy)


def _tile_page(
    canvas: Canvas,
    drawing: Drawing,
    marks: Sequence[EdgeMark],
    grid: TileGrid,
    tile: Tile,
    scale: tuple[float, float],
) -> None:
    canvas.setPageSize((grid.paper_mm[0] * mm, grid.paper_mm[1] * mm))
    canvas.translate((MARGIN_MM + STRIP_LEFT_MM) * mm, (MARGIN_MM + STRIP_BELOW_MM) * mm)
    sx, sy = scale[0] * mm, scale[1] * mm
    _page_frame(canvas, grid, scale)
    for operation, parts in tile_lines(drawing, tile):
        shade = 0.55 if operation is Operation.OUTLINE else 0.0
        canvas.setStrokeColorRGB(shade, shade, shade)
        canvas.setLineWidth(_HAIRLINE_PT if shade == 0 else 0.25)
        if operation is Operation.LABEL:
            canvas.setLineWidth(_LABEL_PT)
        # two ways to cut, two kinds of line: right through, and scored before it goes to depth
        canvas.setDash(_SCORE_DASH if operation.has_depth else ())
        path = canvas.beginPath()
        for part in parts:
            path.moveTo(part[0][0] * sx, part[0][1] * sy)
            for x, y in part[1:]:
                path.lineTo(x * sx, y * sy)
        canvas.drawPath(path)
    canvas.setDash(())
    _depths(canvas, drawing, tile, (sx, sy))
    _marks(canvas, marks, tile, (sx, sy))
    _glue_edges(canvas, grid, tile, (sx, sy))
    canvas.setStrokeColorRGB(0.75, 0.1, 0.1)
    canvas.setLineWidth(0.25)
    x0, y0 = tile.window_mm[:2]
    for x, y in grid.crosses(tile):
        px, py = (x - x0) * sx, (y - y0) * sy
        canvas.line(px - 3 * sx, py, px + 3 * sx, py)
        canvas.line(px, py - 3 * sy, px, py + 3 * sy)
    canvas.setFont(_FONT, 11)
    canvas.drawString(0, -15 * mm, tile.name)
    canvas.setFont(_FONT, 9)
    words = f"both bars must measure 100.0 mm · red crosses on one another · {drawing.title}"
    canvas.drawString(16 * mm, -15 * mm, _wrapped(words, grid.window_mm[0] - 16, 9)[0])
    canvas.showPage()


def _depths(canvas: Canvas, drawing: Drawing, tile: Tile, scale: tuple[float, float]) -> None:
    """The depth of each place, written inside it where the page shows its middle."""
    x0, y0 = tile.window_mm[:2]
    window = box(*tile.window_mm)
    canvas.setFont(_FONT, 9)
    canvas.setFillGray(0)
    for place in places(drawing):
        for operation, depth, shape in place.parts:
            others = [s for o, _, s in place.parts if o is not operation]
            free = shape.difference(shapely.union_all(others)) if others else shape
            at = (shape if free.is_empty else free).representative_point()
            if not window.contains(at):
                continue
            text = "through" if depth is None else f"{depth:g}"
            half = pdfmetrics.stringWidth(text, _FONT, 9) / 2
            x, y = (
                (at.x - x0) * scale[0] - half,
                (at.y - y0) * scale[1] - 19,
            )  # below a number of 5 mm
            canvas.drawString(x, y, text)


def _marks(
    canvas: Canvas, marks: Sequence[EdgeMark], tile: Tile, scale: tuple[float, float]
) -> None:
    """Letters outside the walls, with a tick to each: there the gap to the real tool is read."""
    x0, y0 = tile.window_mm[:2]
    window = box(*tile.window_mm)
    canvas.setFont(_FONT, 9)
    canvas.setFillGray(0.35)
    canvas.setStrokeGray(0.35)
    canvas.setLineWidth(0.25)
    for mark in marks:
        near, far, text = (
            (mark.x_mm + d * mark.out_x - x0, mark.y_mm + d * mark.out_y - y0)
            for d in (0.0, _TICK_MM, _TICK_MM + _LETTER_MM)
        )
        if not window.contains(Point(text[0] + x0, text[1] + y0)):
            continue
        canvas.line(near[0] * scale[0], near[1] * scale[1], far[0] * scale[0], far[1] * scale[1])
        canvas.drawCentredString(text[0] * scale[0], text[1] * scale[1] - 3.2, mark.letter)
    canvas.setFillGray(0)
    canvas.setStrokeGray(0)


def _glue_edges(canvas: Canvas, grid: TileGrid, tile: Tile, scale: tuple[float, float]) -> None:
    """Where the next page is glued over this one: right and above, where there is one."""
    x0, y0, x1, y1 = tile.window_mm
    width, height = x1 - x0, y1 - y0
    canvas.setStrokeGray(0.6)
    canvas.setFillGray(0.45)
    canvas.setLineWidth(0.25)
    canvas.setFont(_FONT, 9)
    ends = (
        grid.offset_mm[0] + grid.columns * (width - OVERLAP_MM),
        grid.offset_mm[1] + (grid.rows * (height - OVERLAP_MM)),
    )
    if x1 - OVERLAP_MM < ends[0] - 1.0:
        x = (width - OVERLAP_MM) * scale[0]
        canvas.line(x, 0, x, height * scale[1])
        canvas.drawString(x + 1, 2, "glue")
    if y1 - OVERLAP_MM < ends[1] - 1.0:
        y = (height - OVERLAP_MM) * scale[1]
        canvas.line(0, y, width * scale[0], y)
        canvas.drawString(2, y + 2, "glue")
    canvas.setFillGray(0)


def _map_page(
    canvas: Canvas, drawing: Drawing, grid: TileGrid, words: Sequence[str], printer: PrinterScale
) -> None:
    width, height = grid.paper_mm
    canvas.setPageSize((width * mm, height * mm))
    canvas.setFont(_FONT, 13)
    canvas.drawString(MARGIN_MM * mm, (height - 18) * mm, drawing.title)
    canvas.setFont(_FONT, 9)
    size = f"Sheet {drawing.size_mm[0]:.0f} x {drawing.size_mm[1]:.0f} mm at full size"
    count = sum(not tile.empty for tile in grid.tiles)
    lines = [
        f"{size}, {count} pages of {grid.paper.upper()}. Print at 100 %, never fit to page.",
        "On every page measure both bars. Where they are not 100.0 mm, type what you measured.",
        f"This file is corrected for bars that measured {printer.x_mm:.2f} (x) and "
        f"{printer.y_mm:.2f} mm (y).",
        "Solid: cut right through. Dashed: score first, then to the depth written inside. Grey: "
        "the tool itself. Red: crosses to join the pages.",
        drawing.kerf.sentence(),
        *words,
    ]
    y = height - 26.0
    for line in lines:
        for piece in _wrapped(line, width - 2 * MARGIN_MM):
            canvas.drawString(MARGIN_MM * mm, y * mm, piece)
            y -= 4.6
    room_w, room_h = width - 2 * MARGIN_MM, y - MARGIN_MM - 4
    ox, oy = grid.offset_mm
    total_w = grid.columns * (grid.window_mm[0] - 10) + 10
    total_h = grid.rows * (grid.window_mm[1] - 10) + 10
    scale = min(room_w / total_w, room_h / total_h)
    canvas.translate(MARGIN_MM * mm, MARGIN_MM * mm)
    canvas.scale(scale * mm, scale * mm)
    canvas.translate(-ox, -oy)
    canvas.setLineWidth(0.2 / scale)
    for path in drawing.paths:
        if path.layer.operation is Operation.LABEL:
            continue
        points = flatten(path.loop, 0.2)
        outline = canvas.beginPath()
        outline.moveTo(*points[0])
        for x, y_ in points[1:]:
            outline.lineTo(x, y_)
        outline.close()
        canvas.drawPath(outline)
    canvas.setStrokeColorRGB(0.75, 0.1, 0.1)
    canvas.setFont(_FONT, 3.0 / scale)
    for tile in grid.tiles:
        x0, y0, x1, y1 = tile.window_mm
        canvas.rect(x0, y0, x1 - x0, y1 - y0)
        canvas.drawString(x0 + 3 / scale, y1 - 5 / scale, tile.name + (" -" if tile.empty else ""))
    canvas.showPage()


def _wrapped(text: str, width_mm: float, size_pt: float = 9.0) -> list[str]:
    lines, line = [], ""
    for word in text.split():
        longer = f"{line} {word}".strip()
        if pdfmetrics.stringWidth(longer, _FONT, size_pt) > width_mm * mm and line:
            lines.append(line)
            line = word
        else:
            line = longer
    return [*lines, line]


def template_pdf(
    drawing: Drawing,
    *,
    paper: str = "a4",
    printer: PrinterScale | None = None,
    words: Sequence[str] = (),
    guide: Guide | None = None,
    marks: Sequence[EdgeMark] = (),
) -> Template:
    """The template of a drawing, all of its layers.

    Parameters
    ----------
    paper
        A key of `tracer.export.paper.tiles.PAPERS_MM`.
    printer
        What the printer's bars measured.
    words
        Sentences for the first page: cautions, notes.
    guide
        For cutting by hand: pages with order, depths, layers and sections follow the first.
    marks
        Lettered places on walls, in the drawing's frame.
    """
    printer = printer or PrinterScale()
    shapes = [
        polygon_of(path.loop, 0.1)
        for path in drawing.paths
        if path.layer.operation not in {Operation.SHEET_EDGE, Operation.LABEL}
    ]
    grid = tile_grid(drawing.size_mm, shapes, paper)
    if _FONT not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(_FONT, io.BytesIO(font_bytes())))
    stream = io.BytesIO()
    canvas = Canvas(stream, invariant=1, pageCompression=1)
    canvas.setTitle(drawing.title)
    canvas.setViewerPreference("PrintScaling", "None")
    _map_page(canvas, drawing, grid, (*words, *([_HOW_TO_READ] if marks else ())), printer)
    front = 1
    if guide is not None and places(drawing):
        front += guide_pages(canvas, drawing, grid.paper_mm, guide)
    for tile in grid.tiles:
        if not tile.empty:
            _tile_page(canvas, drawing, marks, grid, tile, printer.factors)
    canvas.save()
    return Template(stream.getvalue(), grid, printer, front)
