"""Several copies of one panel: what they need together, for a shop that quotes for them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from shapely.geometry import Polygon

from tracer.model.bill import KitBill
from tracer.model.panel import Panel
from tracer.model.stack import Stock
from tracer.panel.rules import Rules
from tracer.panel.stock.bill import consumables

__all__ = ["MOST_COPIES", "kit_bill", "serials"]

MOST_COPIES = 200


def serials(title: str, revision: int, copies: int) -> tuple[str, ...]:
    """A serial per copy.

    Examples
    --------
    >>> serials("bench", 3, 12)[0], serials("bench", 3, 12)[-1]
    ('bench r3 01/12', 'bench r3 12/12')
    """
    digits = max(len(str(copies)), 2)
    return tuple(
        f"{title} r{revision} {n:0{digits}d}/{copies:0{digits}d}" for n in range(1, copies + 1)
    )


def kit_bill(
    panel: Panel, rules: Rules, *, copies: int, machine: str, seconds: float, pieces: int
) -> KitBill:
    """The bill of all copies: pieces of one stock share its sheets, whichever copy they are of.

    Parameters
    ----------
    seconds, pieces
        Time at the machine, and pieces, of one copy.
    """
    wanted: dict[Stock, list[Polygon]] = {}
    thickness: dict[Stock, float] = {}
    for slab in panel.slabs:
        stock = slab.plies[0].stock
        wanted.setdefault(stock, []).extend(t.region for t in panel.tiles if t.slab == slab.index)
        thickness[stock] = slab.thickness_mm
    for pocket in panel.pockets:
        if pocket.floor_insert is not None:
            stock = pocket.floor_insert.stock
            wanted.setdefault(stock, []).append(pocket.floor_insert.region)
            thickness.setdefault(stock, stock.thickness_mm)
    stocks = []
    for stock, own in wanted.items():
        sheets = _sheets(own * copies, stock, rules)
        used = copies * sum(p.area for p in own)
        bought = sheets * math.prod(stock.size_mm)
        mass = None
        if stock.density_kg_m3 is not None:
            mass = used / 1e6 * thickness[stock] / 1000 * stock.density_kg_m3
        price = None if stock.price is None else stock.price * sheets
        name = f"{stock.colour} {stock.thickness_mm:g} mm, {stock.material}"
        stocks.append((name, sheets, max(1 - used / bought, 0.0) if bought else 0.0, price, mass))
    return KitBill(
        panel.title,
        machine,
        serials(panel.title, panel.revision, copies),
        tuple(stocks),
        seconds,
        pieces,
        consumables(panel),
    )


def _sheets(pieces: Sequence[Polygon], stock: Stock, rules: Rules) -> int:
    """Sheets for pieces by their boxes, in rows, tallest first, each row on the first sheet with
    room: what a shop can do by hand, and quick for hundreds of pieces.
    """
    width, height = max(stock.size_mm), min(stock.size_mm)
    gap = rules.nest_gap_mm
    rows: list[list[float]] = []  # left, tall
    for piece in sorted(pieces, key=lambda p: (-_sides(p)[1], -_sides(p)[0])):
        long, short = _sides(piece)
        if long > width + 1e-6 or short > height + 1e-6:
            rows.append([0.0, height])  # more than a sheet: the checks tell, one is counted
            continue
        row = next((r for r in rows if r[0] >= long and r[1] >= short - 1e-6), None)
        if row is None:
            rows.append([width + gap, short])
            row = rows[-1]
        row[0] -= long + gap
    free: list[float] = []
    for _, tall in sorted(rows, key=lambda r: -r[1]):
        sheet = next((k for k, left in enumerate(free) if left >= tall - 1e-6), None)
        if sheet is None:
            free.append(height)
            sheet = len(free) - 1
        free[sheet] -= tall + gap
    return len(free)


def _sides(piece: Polygon) -> tuple[float, float]:
    x0, y0, x1, y1 = piece.bounds
    return max(x1 - x0, y1 - y0), min(x1 - x0, y1 - y0)
