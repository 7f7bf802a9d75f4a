"""How a sheet is spread over pages of paper at full size.

Each page shows a *tile*; neighbours share an overlap in which crosses tell how the pages lie on
one another. Pages are named like a map: letters for rows from above, numbers for columns.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon, box

from tracer.errors import UsageError

__all__ = ["PAPERS_MM", "ROLL_WIDTHS_MM", "Tile", "TileGrid", "tile_grid"]

#: ISO 216 A sizes; ANSI/ASME Y14.1 Letter and Tabloid, inches times 25.4
PAPERS_MM: dict[str, tuple[float, float]] = {
    "a4": (210.0, 297.0),
    "a3": (297.0, 420.0),
    "a2": (420.0, 594.0),
    "a1": (594.0, 841.0),
    "a0": (841.0, 1189.0),
    "letter": (215.9, 279.4),
    "tabloid": (279.4, 431.8),
}
#: widths of rolls that are printed on, mm; no sheet is longer than a page of PDF may be
ROLL_WIDTHS_MM = (200.0, 1600.0)
#: ISO 32000-1, annex C: 14 400 units of 1/72 inch
LONGEST_PAGE_MM = 5080.0
#: printers cannot reach the paper's edge: 5 to 10 mm (common practice, no source)
MARGIN_MM, OVERLAP_MM = 10.0, 10.0
#: strips inside the margins for the measured bars, left and below
STRIP_LEFT_MM, STRIP_BELOW_MM = 9.0, 16.0
_SHIFT_TRIES = 5


@dataclass(frozen=True)
class Tile:
    """One page: its name, and the part of the sheet it shows (x0, y0, x1, y1), mm."""

    name: str
    window_mm: tuple[float, float, float, float]
    empty: bool


@dataclass(frozen=True)
class TileGrid:
    """Pages of one paper size.

    ``tiles`` row by row from above. ``offset_mm`` places the grid's lower left corner on the sheet.
    """

    paper: str
    paper_mm: tuple[float, float]
    rows: int
    columns: int
    window_mm: tuple[float, float]
    offset_mm: tuple[float, float]
    tiles: tuple[Tile, ...]

    def crosses(self, tile: Tile) -> list[tuple[float, float]]:
        """Sheet points in the middle of the overlaps that this page shows."""
        pitch = [w - OVERLAP_MM for w in self.window_mm]
        x0, y0, x1, y1 = tile.window_mm
        found = []
        for i, j in product(range(1, self.columns), range(self.rows + 1)):
            found.append((i * pitch[0] + OVERLAP_MM / 2, j * pitch[1] + OVERLAP_MM / 2))
        for i, j in product(range(self.columns + 1), range(1, self.rows)):
            found.append((i * pitch[0] + OVERLAP_MM / 2, j * pitch[1] + OVERLAP_MM / 2))
        ox, oy = self.offset_mm
        placed = {(round(x + ox, 6), round(y + oy, 6)) for x, y in found}
        return sorted(p for p in placed if x0 <= p[0] <= x1 and y0 <= p[1] <= y1)


def _cuts(shapes: Sequence[Polygon], seams: list[LineString], largest: float) -> int:
    """How many shapes that would fit one page are cut by a seam."""
    small = [s for s in shapes if max(np.ptp(np.array(s.exterior.coords), axis=0)) < largest]
    if not small or not seams:
        return 0
    lines = shapely.union_all(seams)
    return int(shapely.intersects(np.array(small, dtype=object), lines).sum())


def _axis(size: float, window: float) -> tuple[int, float]:
    """Number of pages along one axis and the room to shift them."""
    pitch = window - OVERLAP_MM
    count = max(math.ceil((size - OVERLAP_MM) / pitch - 1e-9), 1)
    return count, max(count * pitch + OVERLAP_MM - size, 0.0)


def _pages(paper: str, size_mm: tuple[float, float]) -> list[tuple[float, float]]:
    """Pages of a paper, upright and crosswise; of a roll as long as the sheet either way round."""
    if paper in PAPERS_MM:
        upright = PAPERS_MM[paper]
        return [upright, upright[::-1]]
    try:
        width = float(paper.removeprefix("roll-")) if paper.startswith("roll-") else 0.0
    except ValueError:
        width = 0.0
    if not ROLL_WIDTHS_MM[0] <= width <= ROLL_WIDTHS_MM[1]:
        raise UsageError(
            "paper-unknown",
            f"There is no paper size '{paper}'.",
            f"Known are {', '.join(PAPERS_MM)}, and roll-610 for a roll 610 mm wide.",
        )
    along, across = 2 * MARGIN_MM + STRIP_LEFT_MM, 2 * MARGIN_MM + STRIP_BELOW_MM
    return [
        (width, min(size_mm[1] + across, LONGEST_PAGE_MM)),
        (min(size_mm[0] + along, LONGEST_PAGE_MM), width),
    ]


def tile_grid(
    size_mm: tuple[float, float], shapes: Sequence[Polygon], paper: str = "a4"
) -> TileGrid:
    """Pages for a sheet, upright or crosswise, whichever needs fewer; seams where they cut least.

    Parameters
    ----------
    shapes
        Outlines on the sheet: seams avoid cutting those that fit one page.
    paper
        A key of `PAPERS_MM`, or ``roll-`` and a width in mm: as long as the sheet needs.

    Raises
    ------
    UsageError
        ``paper-unknown``.
    """
    options = []
    for page in _pages(paper.lower(), size_mm):
        window = (
            page[0] - 2 * MARGIN_MM - STRIP_LEFT_MM,
            page[1] - 2 * MARGIN_MM - STRIP_BELOW_MM,
        )
        columns, spare_x = _axis(size_mm[0], window[0])
        rows, spare_y = _axis(size_mm[1], window[1])
        options.append((columns * rows, page, window, columns, rows, spare_x, spare_y))
    _, page, window, columns, rows, spare_x, spare_y = min(options, key=lambda o: o[0])
    pitch = window[0] - OVERLAP_MM, window[1] - OVERLAP_MM
    best: tuple[tuple[int, float], tuple[float, float]] = ((len(shapes) + 1, 0.0), (0.0, 0.0))
    for a, b in product(np.linspace(0, 1, _SHIFT_TRIES), repeat=2):
        ox, oy = -float(a) * spare_x, -float(b) * spare_y
        seams = [
            LineString([(ox + i * pitch[0] + OVERLAP_MM / 2, -1e4), (ox + i * pitch[0] + 5, 1e4)])
            for i in range(1, columns)
        ]
        seams += [
            LineString([(-1e4, oy + j * pitch[1] + OVERLAP_MM / 2), (1e4, oy + j * pitch[1] + 5)])
            for j in range(1, rows)
        ]
        # equal cuts: the sheet sits in the middle of the pages
        key = (_cuts(shapes, seams, min(pitch)), float(abs(a - 0.5) + abs(b - 0.5)))
        best = min(best, (key, (ox, oy)))
    ox, oy = best[1]
    sheet = box(0, 0, *size_mm)
    tiles = []
    for row, column in product(range(rows), range(columns)):
        x0 = ox + column * pitch[0]
        y0 = oy + (rows - 1 - row) * pitch[1]
        view = box(x0, y0, x0 + window[0], y0 + window[1])
        touched = [s for s in (sheet, *shapes) if s.exterior.intersects(view)]
        name = f"{_letters(row)}{column + 1}"
        tiles.append(Tile(name, (x0, y0, x0 + window[0], y0 + window[1]), not touched))
    return TileGrid(paper.lower(), page, rows, columns, window, (ox, oy), tuple(tiles))


def _letters(row: int) -> str:
    text = ""
    while True:
        row, rest = divmod(row, 26)
        text = chr(ord("A") + rest) + text
        if row == 0:
            return text
        row -= 1
