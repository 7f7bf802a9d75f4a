"""Before and after: what a change of one tool took away and added."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO

import numpy as np
import shapely
from PIL import Image, ImageDraw
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.pictures.canvas import font

__all__ = ["swap_png"]

LONG_SIDE_PX = 1400
AROUND_MM = 30.0
PAPER, INK, FAINT = (250, 249, 245), (40, 44, 52), (190, 188, 180)
GONE, NEW, KEPT = (222, 132, 92), (92, 158, 138), (214, 220, 214)
RING = {"old": (160, 78, 40), "new": (28, 98, 80)}


def swap_png(
    old: BaseGeometry,
    new: BaseGeometry,
    neighbours: Sequence[Polygon],
    title: str,
    lines: Sequence[str],
) -> bytes:
    """Picture of two regions over one another, with their neighbours, as PNG bytes.

    Area that only the old one has is drawn in one colour, area that only the new one has in
    another, with words beside them for those who cannot tell the two.
    """
    shapes = [s for s in (old, new) if not s.is_empty]
    x0, y0, x1, y1 = shapely.total_bounds(shapes).tolist()
    x0, y0, x1, y1 = x0 - AROUND_MM, y0 - AROUND_MM, x1 + AROUND_MM, y1 + AROUND_MM
    scale = LONG_SIDE_PX / max(x1 - x0, y1 - y0)
    foot = 60 + 34 * (len(lines) + 2)
    width, height = max(int((x1 - x0) * scale), 900), int((y1 - y0) * scale)
    image = Image.new("RGB", (width, height + foot), PAPER)
    draw = ImageDraw.Draw(image)
    left = (width - (x1 - x0) * scale) / 2

    def px(coords: BaseGeometry) -> list[tuple[float, float]]:
        points = shapely.get_coordinates(coords)
        xy = np.column_stack([left + (points[:, 0] - x0) * scale, (y1 - points[:, 1]) * scale])
        return [(float(x), float(y)) for x, y in xy]

    def fill(region: BaseGeometry, colour: tuple[int, int, int]) -> None:
        for part in _polygons(region):
            mask = Image.new("L", image.size)
            pen = ImageDraw.Draw(mask)
            pen.polygon(px(part.exterior), fill=255)
            for hole in part.interiors:
                pen.polygon(px(hole), fill=0)
            image.paste(colour, mask=mask)

    def rings(region: BaseGeometry, colour: tuple[int, int, int], line_px: int) -> None:
        for part in _polygons(region):
            for ring in (part.exterior, *part.interiors):
                draw.line(px(ring), fill=colour, width=line_px, joint="curve")

    for neighbour in neighbours:
        rings(neighbour, FAINT, 3)
    fill(old.intersection(new), KEPT)
    fill(old.difference(new), GONE)
    fill(new.difference(old), NEW)
    rings(old, RING["old"], 3)
    rings(new, RING["new"], 5)
    draw.rectangle((0, height, width, height + foot), fill=PAPER)
    draw.line((0, height, width, height), fill=FAINT, width=2)
    draw.text((24, height + 14), title, fill=INK, font=font(30))
    x, y = 24, height + 62
    for colour, text in ((GONE, "only before"), (NEW, "only now"), (KEPT, "both")):
        draw.rectangle((x, y + 2, x + 30, y + 26), fill=colour, outline=INK)
        draw.text((x + 42, y), text, fill=INK, font=font(22))
        x += 42 + int(draw.textlength(text, font=font(22))) + 40
    for k, line in enumerate(lines):
        draw.text((24, y + 40 + 34 * k), line, fill=INK, font=font(22))
    out = BytesIO()
    image.save(out, "PNG", optimize=True)
    return out.getvalue()


def _polygons(region: BaseGeometry) -> list[Polygon]:
    return [
        g for g in getattr(region, "geoms", [region]) if isinstance(g, Polygon) and not g.is_empty
    ]
