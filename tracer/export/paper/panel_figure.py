"""A panel as a vector figure for PDF pages: front view, distances, fixing sketch."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import shapely
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import Flowable
from shapely.geometry import Point, box
from shapely.geometry.base import BaseGeometry

from tracer.export.drawing.lettering import font_bytes
from tracer.geometry.rings import polygons_in
from tracer.model.panel import Dimension, DrillHole, Mount, Panel, PanelPocket, PlyRole
from tracer.model.report import Check

__all__ = ["FONT", "PanelFigure", "PanelView", "register_font"]

FONT = "DejaVuSans"
RGB = tuple[int, int, int]
_FLAT_MM = 0.1
_WOOD, _ROOM = (222, 200, 170), (236, 206, 186)
_INK, _SEAM, _SCREW, _ALARM = (30, 32, 36), (150, 40, 120), (20, 90, 170), (200, 30, 30)
#: smallest type on paper that is read at the bench
_SMALLEST_PT = _LETTER_PT = 9.0
#: a mount as large as this in the figure has room for the numbers of its holes
_ROOMY_PT = 40.0


class PanelView(StrEnum):
    """What the figure is for."""

    FRONT = "front"
    CLIENT = "client"
    DISTANCES = "distances"
    FIXING = "fixing"
    BACK = "back"  # seen from behind, mirrored
    DRILLING = "drilling"


def register_font() -> None:
    """Make the shipped font known to the PDF library."""
    if FONT not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(FONT, io.BytesIO(font_bytes())))


def _ink_on(rgb: RGB) -> RGB:
    """Black or white, whichever is read better on a colour."""
    bright = 0.299 * rgb[0] + 0.587 * rgb[1] + 0.114 * rgb[2]
    return (0, 0, 0) if bright > 140 else (255, 255, 255)


def _shade(rgb: RGB, share: float) -> RGB:
    r, g, b = (round(c * share + (0 if c > 90 else 14)) for c in rgb)
    return r, g, b


@dataclass(frozen=True)
class _Scale:
    """From panel mm to points of the page; ``behind_mm``: width of a panel seen from behind."""

    factor: float
    behind_mm: float | None = None
    below_mm: float = 0.0

    def __call__(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        x = x_mm if self.behind_mm is None else self.behind_mm - x_mm
        return x * self.factor, (y_mm + self.below_mm) * self.factor


class PanelFigure(Flowable):
    """The panel within a box of the page, true to scale."""

    def __init__(
        self,
        panel: Panel,
        view: PanelView,
        *,
        width_pt: float,
        height_pt: float,
        checks: Sequence[Check] = (),
    ) -> None:
        super().__init__()
        self.panel, self.view, self.marks = panel, view, checks
        w, h = panel.size_mm
        shows_rail = panel.rail is not None and view not in (PanelView.BACK, PanelView.DISTANCES)
        below = panel.rail.height_mm if panel.rail is not None and shows_rail else 0.0
        h += below
        factor = min(width_pt / w, height_pt / h)
        behind = panel.size_mm[0] if view is PanelView.BACK else None
        self._at = _Scale(factor, behind, below)
        self.width, self.height = w * factor, h * factor

    def wrap(self, *_available: float) -> tuple[float, float]:
        """Size in points, as the page layout asks for it."""
        return self.width, self.height

    def draw(self) -> None:
        """Draw on the canvas the page layout has set."""
        face = next(p.stock for p in self.panel.plies if p.role is PlyRole.FACE)
        sketch = self.view not in (PanelView.FRONT, PanelView.CLIENT)
        self._fill(self.panel.shape, (246, 246, 246) if sketch else face.rgb, edge=_INK)
        for pocket in self.panel.pockets:
            self._pocket(pocket, face.rgb, sketch)
        for keep in self.panel.keep_outs:
            self._fill(keep.region, (255, 255, 255) if keep.hole else (190, 190, 190), edge=_INK)
        self._fittings(face.rgb, sketch)
        self._seams()
        if self.view is PanelView.DISTANCES:
            for dimension in self.panel.dimensions[4 if len(self.panel.dimensions) > 4 else 0 :]:
                self._dimension(dimension)
        if self.view is PanelView.FIXING:
            self._screws()
        if self.view is PanelView.FRONT:
            for number, check in enumerate(self.marks, start=1):
                if check.where_mm is not None and self.panel.shape.covers(Point(check.where_mm)):
                    self._mark(check.where_mm, str(number), _ALARM)

    # -- parts ---------------------------------------------------------------------------------
    def _pocket(self, pocket: PanelPocket, face: RGB, sketch: bool) -> None:
        base = [p.stock.rgb for p in self.panel.plies if p.role is PlyRole.BASE]
        deep = _shade(face, 0.6)
        floor = deep
        if base and self.panel.shows_base(pocket):
            floor = base[0]
        elif pocket.floor_insert is not None:
            floor = pocket.floor_insert.stock.rgb
        if sketch:
            deep, floor = (222, 222, 222), (205, 205, 205)
        for notch in pocket.notches:
            self._fill(notch.region, deep)
        self._fill(pocket.region, floor)
        for well in pocket.wells:
            self._fill(well.region, _shade(floor, 0.75))
        if self.view is not PanelView.CLIENT:
            self._fill(pocket.outline, None, edge=_ink_on(floor), dash=True)
        if self.view is PanelView.CLIENT:
            self._label(pocket, face)
        else:
            spot = pocket.region.representative_point()
            self._number(str(pocket.number), (float(spot.x), float(spot.y)), floor)

    def _fittings(self, face: RGB, sketch: bool) -> None:
        """Emblems, mounts, ledges, cable rooms and the rail, with their numbers."""
        panel, ink = self.panel, _INK if sketch else _ink_on(face)
        back = self.view is PanelView.BACK
        for inlay in panel.inlays if not back else (i for i in panel.inlays if i.through):
            self._fill(inlay.region, (205, 205, 205) if sketch else inlay.stock.rgb)
        for mount in panel.mounts:
            self._mount(mount, ink)
        for ledge in panel.ledges if not back else ():
            self._fill(ledge.region, _WOOD, edge=_INK)
            if self.view is not PanelView.CLIENT:
                self._fill(ledge.room, None, edge=ink, dash=True)
                self._centred(ledge.ledge_id, ledge.region, _INK)
        if self.view is not PanelView.CLIENT:
            for cavity in panel.back_cavities:
                self._fill(cavity.whole, _ROOM if back else None, edge=ink, dash=not back)
                self._centred(cavity.cavity_id, cavity.region, ink)
        if panel.rail is not None and self._at.below_mm:
            r = panel.rail
            self._fill(box(r.x_mm, -r.height_mm, r.x_mm + r.length_mm, 0.0), _WOOD, edge=_INK)
            if self.view is not PanelView.CLIENT:
                for n, hole in enumerate(r.holes, start=1):
                    self._hole(hole, f"R{n}")

    def _mount(self, mount: Mount, ink: RGB) -> None:
        if mount.opening is not None:
            boards = [p.stock.rgb for p in self.panel.plies if p.role is PlyRole.BACKING]
            self._fill(mount.opening, boards[0] if boards else (225, 225, 225))
            ink = _INK
        if mount.body is not None:
            self._fill(mount.body, None, edge=ink)
        if self.view is PanelView.CLIENT:
            return
        # numbers of holes where there is room for them; the list has them all
        wide = mount.body is None or mount.body.length / 4 * self._at.factor > _ROOMY_PT
        for n, hole in enumerate(mount.holes, start=1):
            self._hole(hole, str(n) if wide and self.view is PanelView.DRILLING else "")
        if mount.body is not None:
            self._centred(mount.mount_id, mount.body, ink)

    def _hole(self, hole: DrillHole, text: str) -> None:
        x, y = self._at(hole.x_mm, hole.y_mm)
        canvas = self.canv
        canvas.setStrokeColorRGB(*(c / 255 for c in _SCREW))
        canvas.setLineWidth(0.6)
        r = max(hole.diameter_mm / 2 * self._at.factor, 1.2)
        canvas.circle(x, y, r)
        canvas.line(x - r - 2, y, x + r + 2, y)
        canvas.line(x, y - r - 2, x, y + r + 2)
        if text:
            self._text(text, x + r + 1.5, y + 1.5, _SMALLEST_PT, _SCREW)

    def _centred(self, text: str, region: BaseGeometry, ink: RGB) -> None:
        at = region.representative_point()
        x, y = self._at(float(at.x), float(at.y))
        width = pdfmetrics.stringWidth(text, FONT, _LETTER_PT)
        self._text(text, x - width / 2, y - 0.36 * _LETTER_PT, _LETTER_PT, ink)

    def _label(self, pocket: PanelPocket, face: RGB) -> None:
        if pocket.label is None:
            return
        x, y = self._at(pocket.label.x_mm, pocket.label.y_mm)
        size = max(pocket.label.cap_height_mm * self._at.factor / 0.73, _SMALLEST_PT)
        self._text(pocket.label.text, x, y, size, _ink_on(face))

    def _number(self, text: str, at_mm: tuple[float, float], ground: RGB) -> None:
        x, y = self._at(*at_mm)
        ink = _ink_on(ground)
        width = pdfmetrics.stringWidth(text, FONT, _LETTER_PT)
        self._text(text, x - width / 2, y - 0.36 * _LETTER_PT, _LETTER_PT, ink)

    def _seams(self) -> None:
        for ply_index, slab in enumerate(self.panel.slabs):
            tiles = [t.region for t in self.panel.tiles if t.slab == slab.index]
            if len(tiles) < 2 or (self.view is not PanelView.FIXING and ply_index > 0):
                continue
            colour = _INK if self.view is PanelView.CLIENT else _SEAM
            for tile in tiles:
                self._fill(tile, None, edge=colour, dash=ply_index > 0)

    def _screws(self) -> None:
        canvas = self.canv
        canvas.setStrokeColorRGB(*(c / 255 for c in _SCREW))
        canvas.setLineWidth(0.8)
        for number, fixing in enumerate(self.panel.fixings, start=1):
            x, y = self._at(fixing.x_mm, fixing.y_mm)
            self._text(str(number), x + 3.4, y + 2.2, _SMALLEST_PT, _SCREW)
            canvas.circle(x, y, 2.6)
            canvas.line(x - 4, y, x + 4, y)
            canvas.line(x, y - 4, x, y + 4)

    def _dimension(self, dimension: Dimension) -> None:
        canvas = self.canv
        (x0, y0), (x1, y1) = self._at(*dimension.start_mm), self._at(*dimension.end_mm)
        canvas.setStrokeColorRGB(*(c / 255 for c in _SCREW))
        canvas.setLineWidth(0.4)
        canvas.line(x0, y0, x1, y1)
        level = abs(x1 - x0) >= abs(y1 - y0)
        for x, y in ((x0, y0), (x1, y1)):
            tick = (x, y - 2, x, y + 2) if level else (x - 2, y, x + 2, y)
            canvas.line(*tick)
        text = f"{dimension.length_mm:.0f}"
        size = _SMALLEST_PT
        width = pdfmetrics.stringWidth(text, FONT, size)
        if level:
            self._text(text, (x0 + x1 - width) / 2, (y0 + y1) / 2 + 1.2, size, _SCREW)
        else:
            canvas.saveState()
            canvas.translate((x0 + x1) / 2 - 1.2, (y0 + y1 - width) / 2)
            canvas.rotate(90)
            self._text(text, 0, 0, size, _SCREW)
            canvas.restoreState()

    def _mark(self, at_mm: tuple[float, float], text: str, colour: RGB) -> None:
        x, y = self._at(*at_mm)
        canvas = self.canv
        canvas.setFillColorRGB(1, 1, 1)
        canvas.setStrokeColorRGB(*(c / 255 for c in colour))
        canvas.setLineWidth(0.9)
        canvas.circle(x, y, 7.0, fill=1)
        width = pdfmetrics.stringWidth(text, FONT, _SMALLEST_PT)
        self._text(text, x - width / 2, y - 0.36 * _SMALLEST_PT, _SMALLEST_PT, colour)

    def _text(self, text: str, x: float, y: float, size: float, colour: RGB) -> None:
        self.canv.setFillColorRGB(*(c / 255 for c in colour))
        self.canv.setFont(FONT, size)
        self.canv.drawString(x, y, text)

    def _fill(
        self,
        region: BaseGeometry,
        colour: RGB | None,
        *,
        edge: RGB | None = None,
        dash: bool = False,
    ) -> None:
        canvas: Any = self.canv
        path = canvas.beginPath()
        for polygon in polygons_in(region):
            for ring in (polygon.exterior, *polygon.interiors):
                points = shapely.get_coordinates(ring.simplify(_FLAT_MM))
                for i, (x, y) in enumerate(points[:-1]):
                    (path.lineTo if i else path.moveTo)(*self._at(float(x), float(y)))
                path.close()
        if colour is not None:
            canvas.setFillColorRGB(*(c / 255 for c in colour))
        if edge is not None:
            canvas.setStrokeColorRGB(*(c / 255 for c in edge))
            canvas.setLineWidth(0.4)
            canvas.setDash((1.2, 1.2) if dash else ())
        canvas.drawPath(
            path, stroke=int(edge is not None), fill=int(colour is not None), fillMode=0
        )
        canvas.setDash(())
