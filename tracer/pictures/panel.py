"""The panel as a picture for the screen: as it will look, with checks marked by number."""

from __future__ import annotations

import io
from collections.abc import Sequence
from importlib import resources

import shapely
from PIL import Image, ImageDraw, ImageFont
from shapely.geometry import MultiPolygon, Polygon, box
from shapely.geometry.base import BaseGeometry

from tracer.model.panel import Panel, PanelPocket, PlyRole
from tracer.model.report import Check, Severity

__all__ = ["panel_png"]

RGB = tuple[int, int, int]
_GROUND, _INK, _SEAM, _KEEP = (255, 255, 255), (30, 32, 36), (190, 60, 150), (170, 174, 178)
_LEDGE: RGB = (214, 190, 158)
_MARKS: dict[Severity, RGB] = {
    Severity.FAIL: (200, 30, 30),
    Severity.WARN: (214, 120, 0),
    Severity.NOTE: (60, 110, 170),
}
#: drawn twice as large and halved: smooth edges
_OVERSAMPLE = 2
_RIM_MM, _MARK_PX, _LETTER_PX = 12.0, 11, 13


class _Canvas:
    """Drawing in panel millimetres, y up."""

    def __init__(self, panel: Panel, longest_px: int, words: Sequence[str]) -> None:
        width, height = panel.size_mm
        self._height = height
        height += panel.rail.height_mm if panel.rail else 0.0
        self.scale = longest_px * _OVERSAMPLE / (max(width, height) + 2 * _RIM_MM)
        # whole pixels after halving, so that nothing is stretched
        size = [
            round((v + 2 * _RIM_MM) * self.scale / _OVERSAMPLE) * _OVERSAMPLE
            for v in (width, height)
        ]
        self._font = _font(_LETTER_PX * _OVERSAMPLE)
        lines = [line for text in words for line in self._wrapped(text, size[0] * 0.96)]
        step = round(1.45 * _LETTER_PX) * _OVERSAMPLE
        foot = (len(lines) + 1) * step if lines else 0
        self.image = Image.new("RGB", (size[0], size[1] + foot), _GROUND)
        self.draw = ImageDraw.Draw(self.image)
        for row, line in enumerate(lines):
            place = (0.02 * size[0], size[1] + row * step)
            self.draw.text(place, line, fill=_INK, font=self._font)

    def _wrapped(self, text: str, width_px: float) -> list[str]:
        lines, line = [], ""
        for word in text.split():
            longer = f"{line} {word}".strip()
            if line and self._font.getlength(longer) > width_px:
                lines.append(line)
                line = word
            else:
                line = longer
        return [*lines, line]

    def at(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        return (x_mm + _RIM_MM) * self.scale, (self._height + _RIM_MM - y_mm) * self.scale

    def fill(self, region: BaseGeometry, colour: RGB, hole: RGB | None = None) -> None:
        for polygon in _polygons(region):
            self.draw.polygon(self._points(polygon.exterior), fill=colour)
            for ring in polygon.interiors:
                self.draw.polygon(self._points(ring), fill=hole or colour)

    def line(self, region: BaseGeometry, colour: RGB, width_px: int = 1) -> None:
        for polygon in _polygons(region):
            for ring in (polygon.exterior, *polygon.interiors):
                points = self._points(ring)
                self.draw.line([*points, points[0]], fill=colour, width=width_px * _OVERSAMPLE)

    def dashed(self, region: BaseGeometry, colour: RGB, dash_mm: float = 6.0) -> None:
        """What lies behind the face, as hidden edges are drawn."""
        for polygon in _polygons(region):
            for ring in (polygon.exterior, *polygon.interiors):
                steps = max(int(ring.length / dash_mm), 4) // 2 * 2
                ends = [ring.interpolate(k / steps, normalized=True) for k in range(steps + 1)]
                for a, b in zip(ends[::2], ends[1::2], strict=False):
                    line = [self.at(a.x, a.y), self.at(b.x, b.y)]
                    self.draw.line(line, fill=colour, width=_OVERSAMPLE)

    def circle(self, x_mm: float, y_mm: float, radius_mm: float, colour: RGB) -> None:
        x, y = self.at(x_mm, y_mm)
        r = max(radius_mm * self.scale, 2.0 * _OVERSAMPLE)
        self.draw.ellipse([x - r, y - r, x + r, y + r], outline=colour, width=_OVERSAMPLE)

    def middle(self, text: str, x_mm: float, y_mm: float, colour: RGB) -> None:
        """A word about a place."""
        self.draw.text(self.at(x_mm, y_mm), text, fill=colour, font=self._font, anchor="mm")

    def text(self, text: str, x_mm: float, y_mm: float, size_px: float, colour: RGB) -> None:
        self.draw.text(
            self.at(x_mm, y_mm), text, fill=colour, font=_font(size_px * _OVERSAMPLE), anchor="ls"
        )

    def mark(self, text: str, at_mm: tuple[float, float], colour: RGB) -> None:
        x, y = self.at(*at_mm)
        r = _MARK_PX * _OVERSAMPLE
        self.draw.ellipse(
            [x - r, y - r, x + r, y + r], fill=_GROUND, outline=colour, width=2 * _OVERSAMPLE
        )
        self.draw.text((x, y), text, fill=colour, font=self._font, anchor="mm")

    def _points(self, ring: BaseGeometry) -> list[tuple[float, float]]:
        return [self.at(float(x), float(y)) for x, y in shapely.get_coordinates(ring)[:-1]]

    def png(self) -> bytes:
        w, h = self.image.size
        small = self.image.resize((w // _OVERSAMPLE, h // _OVERSAMPLE), Image.Resampling.BOX)
        stream = io.BytesIO()
        small.save(stream, format="PNG")
        return stream.getvalue()


def _font(size_px: float) -> ImageFont.FreeTypeFont:
    file = resources.files("tracer") / "assets" / "fonts" / "DejaVuSans.ttf"
    return ImageFont.truetype(io.BytesIO(file.read_bytes()), max(round(size_px), 6))


def _polygons(region: BaseGeometry) -> list[Polygon]:
    if isinstance(region, Polygon):
        return [] if region.is_empty else [region]
    return list(region.geoms) if isinstance(region, MultiPolygon) else []


def _ink_on(rgb: RGB) -> RGB:
    bright = 0.299 * rgb[0] + 0.587 * rgb[1] + 0.114 * rgb[2]
    return (20, 20, 20) if bright > 140 else (245, 245, 245)


def _darker(rgb: RGB, share: float) -> RGB:
    # a black face has no darker shade: its openings are drawn lighter instead
    r, g, b = (round(c * share if max(rgb) > 70 else c + (1 - share) * 90) for c in rgb)
    return r, g, b


def panel_png(panel: Panel, checks: Sequence[Check] = (), *, longest_px: int = 1600) -> bytes:
    """PNG bytes of the panel from the front.

    Checks that have a place are marked by number and written below, the others after them.
    """
    placed = [check for check in checks if check.where_mm is not None]
    words = [f"[{number}] {check.sentence}" for number, check in enumerate(placed, start=1)]
    words += [f"- {check.sentence}" for check in checks if check.where_mm is None]
    canvas = _Canvas(panel, longest_px, words)
    face = next(p.stock.rgb for p in panel.plies if p.role is PlyRole.FACE)
    base = [p.stock.rgb for p in panel.plies if p.role is PlyRole.BASE]
    canvas.fill(panel.shape, face)
    for keep in panel.keep_outs:
        canvas.fill(keep.region, _GROUND if keep.hole else _KEEP)
    for pocket in panel.pockets:
        shown = base[0] if base and panel.shows_base(pocket) else None
        _pocket(canvas, pocket, face, shown)
    _fittings(canvas, panel, face)
    for tile in panel.tiles:
        if tile.slab == 0 and len([t for t in panel.tiles if t.slab == 0]) > 1:
            canvas.line(tile.region, _SEAM)
    canvas.line(panel.shape, _INK)
    for pocket in panel.pockets:
        if pocket.label is not None:
            size = pocket.label.cap_height_mm / 0.729 * canvas.scale / _OVERSAMPLE
            canvas.text(
                pocket.label.text, pocket.label.x_mm, pocket.label.y_mm, size, _ink_on(face)
            )
    for number, check in reversed(list(enumerate(placed, start=1))):
        if check.where_mm is not None:
            canvas.mark(str(number), _within(check.where_mm, panel), _MARKS[check.severity])
    return canvas.png()


def _within(at_mm: tuple[float, float], panel: Panel) -> tuple[float, float]:
    """A place moved onto the panel: tools over its edge are marked at the edge."""
    width, height = panel.size_mm
    return min(max(at_mm[0], 0.0), width), min(max(at_mm[1], 0.0), height)


def _fittings(canvas: _Canvas, panel: Panel, face: RGB) -> None:
    """Emblems, mounts, ledges and rail as they look; cable rooms as hidden edges."""
    behind = [p.stock.rgb for p in panel.plies if p.role is PlyRole.BACKING]
    for inlay in panel.inlays:
        canvas.fill(inlay.region, inlay.stock.rgb, hole=face)
    for mount in panel.mounts:
        if mount.opening is not None:
            canvas.fill(mount.opening, behind[0] if behind else _KEEP)
        ink = _INK if mount.opening is not None else _ink_on(face)
        if mount.body is not None:
            canvas.line(mount.body, ink)
            canvas.middle(mount.mount_id, *_centre(mount.body), ink)
        for hole in mount.holes:
            canvas.circle(hole.x_mm, hole.y_mm, hole.diameter_mm / 2, ink)
    for cavity in panel.back_cavities:
        canvas.dashed(cavity.whole, _ink_on(face))
        canvas.middle(cavity.cavity_id, *_centre(cavity.region), _ink_on(face))
    for ledge in panel.ledges:
        canvas.dashed(ledge.room, _ink_on(face), 3.0)
        canvas.fill(ledge.region, _LEDGE)
        canvas.line(ledge.region, _INK)
        canvas.middle(f"{ledge.ledge_id} {ledge.name}", *_centre(ledge.region), _INK)
    if panel.rail is not None:
        r = panel.rail
        canvas.fill(box(r.x_mm, -r.height_mm, r.x_mm + r.length_mm, 0.0), _LEDGE)
        canvas.line(box(r.x_mm, -r.height_mm, r.x_mm + r.length_mm, 0.0), _INK)
        for hole in r.holes:
            canvas.circle(hole.x_mm, hole.y_mm, hole.diameter_mm / 2, _INK)


def _centre(region: BaseGeometry) -> tuple[float, float]:
    at = region.representative_point()
    return float(at.x), float(at.y)


def _pocket(canvas: _Canvas, pocket: PanelPocket, face: RGB, base: RGB | None) -> None:
    floor = _darker(face, 0.7)
    if base is not None:
        floor = base
    elif pocket.floor_insert is not None:
        floor = pocket.floor_insert.stock.rgb
    for notch in pocket.notches:
        canvas.fill(notch.region, _darker(face, 0.7))
    canvas.fill(pocket.region, floor, hole=face)
    for well in pocket.wells:
        canvas.fill(well.region, _darker(floor, 0.7))
    canvas.line(pocket.outline, _ink_on(floor))
