"""Laying loose pieces (floor inserts, inlays) on sheets of their stock.

Pieces are turned to their least box and set in rows, tallest first: simple, the same on every
run, and good enough for a few inserts; offcuts of contrast foam are seldom what a panel costs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from shapely.geometry import Polygon

from tracer.model.panel import Placement
from tracer.panel.layout.axis import axis_rad

__all__ = ["Nested", "nest"]


@dataclass(frozen=True)
class Nested:
    """Where a piece lies: its index, the sheet's number (1, 2 ...), and the motion onto it."""

    piece: int
    sheet: int
    placement: Placement


def nest(
    pieces: Sequence[Polygon], size_mm: tuple[float, float], *, gap_mm: float, rim_mm: float
) -> tuple[list[Nested], list[int]]:
    """Pieces onto sheets.

    Returns
    -------
    The places, in the order of the pieces, and the indices of pieces larger than a sheet.
    """
    width, height = max(size_mm), min(size_mm)
    flat, too_large = [], []
    for i, piece in enumerate(pieces):
        placement = _lying(piece)
        x0, y0, x1, y1 = placement.apply(piece).bounds
        w, h = x1 - x0, y1 - y0
        if w > width - 2 * rim_mm + 1e-9 or h > height - 2 * rim_mm + 1e-9:
            too_large.append(i)
        else:
            flat.append((h, w, i, placement.then(Placement(-x0, -y0))))
    flat.sort(key=lambda f: (-round(f[0], 3), -round(f[1], 3), f[2]))
    out = []
    sheet, x, y, row = 1, rim_mm, rim_mm, 0.0
    for h, w, i, placement in flat:
        if x + w > width - rim_mm + 1e-9:
            x, y, row = rim_mm, y + row + gap_mm, 0.0
        if y + h > height - rim_mm + 1e-9:
            sheet, x, y, row = sheet + 1, rim_mm, rim_mm, 0.0
        out.append(Nested(i, sheet, placement.then(Placement(x, y))))
        x += w + gap_mm
        row = max(row, h)
    return sorted(out, key=lambda n: n.piece), too_large


def _lying(piece: Polygon) -> Placement:
    """Turn that lays a piece's long side along x."""
    angle = axis_rad(piece)
    if angle is None:
        x0, y0, x1, y1 = piece.bounds
        angle = math.pi / 2 if y1 - y0 > x1 - x0 else 0.0
    return Placement(0.0, 0.0, -angle)
