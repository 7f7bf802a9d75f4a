"""Layouts in rows: who stands with whom, and where that puts every piece.

A `Scheme` says which blocks stand in which row, in which order, and how rows are set; `realised`
turns it into places. The search changes schemes, never places, so that every layout it looks at
is one of straight rows with even gaps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

from tracer.panel.fresh.blocks import FAR, Block, Blocks, stacked
from tracer.panel.packing.task import Spot, Task

__all__ = ["Align", "RowBuilder", "Scheme", "filled", "realised", "room_of"]

Array = NDArray[np.float64]
Stack = tuple[tuple[int, int], ...]  # (piece, turn) from the top
Align = int  # -1 on one line at the bottom, 0 by their middles, 1 at the top

#: a row fuller than this is spread over the whole width
_NEARLY_FULL = 0.72
#: gaps are not opened by more than this share of the gap
_WIDEST = 0.75
_STEP_MM = 3.0


@dataclass(frozen=True)
class Scheme:
    """Rows from the top, each of stacks from the left.

    ``columns``: the rows stand upright. ``spread``: free room is shared out between the gaps;
    otherwise it is kept in one piece at the right and bottom (0, 0) or as ``keep`` says.
    """

    rows: tuple[tuple[Stack, ...], ...]
    columns: bool = False
    align: Align = 0
    spread: float = 1.0
    keep: tuple[int, int] = (0, 0)


def room_of(task: Task, columns: bool) -> tuple[float, float, float, float]:
    """Greatest box within the bay, row frame: left, bottom, right, top."""
    x0, y0, x1, y1 = task.shape.bounds
    for nx, ny, c in np.column_stack([task.rim.normals, task.rim.offsets]):
        # a slanted side: the box ends where the side is furthest in
        if nx > abs(ny):
            x1 = min(x1, *((c - ny * y) / nx for y in (y0, y1)))
        elif nx < -abs(ny):
            x0 = max(x0, *((c - ny * y) / nx for y in (y0, y1)))
        elif ny > 0:
            y1 = min(y1, *((c - nx * x) / ny for x in (x0, x1)))
        else:
            y0 = max(y0, *((c - nx * x) / ny for x in (x0, x1)))
    return (y0, x0, y1, x1) if columns else (x0, y0, x1, y1)


@dataclass(eq=False)
class _Row:
    """A row being filled: blocks with their x, the right profile so far."""

    low: int
    profile: Array
    blocks: list[tuple[float, Block]]

    @classmethod
    def empty(cls, height: int) -> _Row:
        return cls(-height, np.full(2 * height + 1, -FAR), [])

    def place(self, block: Block, room: tuple[float, float, float, float]) -> float | None:
        """x of a further block, or None where the row is full."""
        rows = slice(block.low - self.low, block.low - self.low + len(block.left))
        if rows.start < 0 or rows.stop > len(self.profile):
            return None
        gap = self.profile[rows] - block.left
        x = max(room[0] + block.reach[0], float(gap.max()) + 1.0)
        return x if x + block.reach[2] <= room[2] + 1e-9 else None

    def add(self, block: Block, x: float) -> None:
        rows = slice(block.low - self.low, block.low - self.low + len(block.left))
        self.profile[rows] = np.maximum(self.profile[rows], block.right + x)
        self.blocks.append((x, block))


def _levelled(block: Block, align: Align) -> Block:
    """The block with its openings' bottom, middle or top at height 0."""
    edge = (block.box[1], (block.box[1] + block.box[3]) / 2, block.box[3])[align + 1]
    return block.shifted(0.0, -round(edge))


class RowBuilder:
    """Makes schemes and realises them; keeps the blocks of all pieces."""

    def __init__(self, task: Task) -> None:
        self.task = task
        self.blocks = Blocks(task)
        self._stacks: dict[tuple[Stack, bool], Block] = {}
        self._levels: dict[tuple[Stack, bool, Align], Block] = {}
        tallest = max((v.envelope.length for p in task.pieces for v in p.variants), default=1.0)
        self.tall = int(tallest) + 2

    def block(self, stack: Stack, columns: bool) -> Block:
        """The block of a stack."""
        key = stack, columns
        if key not in self._stacks:
            self._stacks[key] = stacked([self.blocks.single(p, t, columns) for p, t in stack])
        return self._stacks[key]

    def level(self, stack: Stack, columns: bool, align: Align) -> Block:
        """The block of a stack, its openings' bottom, middle or top at height 0."""
        key = stack, columns, align
        if key not in self._levels:
            self._levels[key] = _levelled(self.block(stack, columns), align)
        return self._levels[key]

    def blocked(self, columns: bool) -> list[BaseGeometry]:
        """What is blocked, in the row frame, as boxes."""
        boxes = [b.bounds for b in self.task.blocked]
        return [box(b[1], b[0], b[3], b[2]) if columns else box(*b) for b in boxes]


def filled(
    builder: RowBuilder, order: Sequence[tuple[int, int]], columns: bool, align: Align = 0
) -> Scheme | None:
    """A scheme that takes pieces in the order given, small ones stacked where a row is high.

    None where a piece alone is wider than the bay or the rows become higher than it.
    """
    room = room_of(builder.task, columns)
    left: list[tuple[int, int]] = list(order)
    rows: list[tuple[Stack, ...]] = []
    height = 0.0
    while left:
        first = builder.block((left[0],), columns)
        row = _Row.empty(builder.tall)
        tall = first.height_mm
        chosen: list[Stack] = []
        waiting: list[tuple[int, int]] = []
        for one in left:
            single = builder.block((one,), columns)
            if single.height_mm > tall + 1.0:
                waiting.append(one)
                continue
            into = _onto(builder, chosen, single, one, tall, columns)
            if into is not None:
                chosen[into] = (*chosen[into], one)
                row = _refilled(builder, chosen, columns, align, room)
                continue
            level = builder.level((one,), columns, align)
            x = row.place(level, room)
            if x is None:
                waiting.append(one)
            else:
                row.add(level, x)
                chosen.append((one,))
        if not chosen:
            return None
        rows.append(tuple(chosen))
        height += tall
        left = waiting
        if height > 1.6 * (room[3] - room[1]) + tall:
            return None
    return Scheme(tuple(rows), columns, align)


def _refilled(
    builder: RowBuilder,
    chosen: Sequence[Stack],
    columns: bool,
    align: Align,
    room: tuple[float, float, float, float],
) -> _Row:
    row = _Row.empty(builder.tall)
    for stack in chosen:
        level = builder.level(stack, columns, align)
        row.add(level, row.place(level, room) or room[0] + level.reach[0])
    return row


def _onto(
    builder: RowBuilder,
    chosen: Sequence[Stack],
    single: Block,
    one: tuple[int, int],
    tall: float,
    columns: bool,
) -> int | None:
    """The stack that a small piece goes onto: about as wide, and with room in the row."""
    best: tuple[float, int] | None = None
    for k, stack in enumerate(chosen):
        under = builder.block(stack, columns)
        if under.height_mm + single.height_mm > tall + 4.0:
            continue
        wide = abs(under.width_mm - single.width_mm)
        if wide > 0.45 * max(under.width_mm, single.width_mm):
            continue
        grown = builder.block((*stack, one), columns)
        if grown.height_mm <= tall + 1.0 and (best is None or wide < best[0]):
            best = wide, k
    return None if best is None else best[1]


def realised(builder: RowBuilder, scheme: Scheme) -> tuple[Spot, ...] | None:
    """Places of a scheme, or None where it does not fit the bay."""
    columns = scheme.columns
    room = room_of(builder.task, columns)
    blocked = builder.blocked(columns)
    rows: list[list[tuple[float, Block]]] = []
    floors: list[float] = []
    x0 = int(np.floor(room[0])) - 200
    floor: Array = np.full(int(np.ceil(room[2])) + 200 - x0, FAR)
    for stacks in scheme.rows:
        levels = [builder.level(s, columns, scheme.align) for s in stacks]
        top = min(room[3] - b.reach[3] for b in levels)
        placed = _in_row(levels, room, builder.tall, ())
        if placed is None:
            return None
        y = _drop(placed, floor, x0, top)
        if blocked:
            found = _around(levels, room, builder.tall, blocked, min(y, top), floor, x0)
            if found is None:
                return None
            placed, y = found
        if any(y - b.reach[1] < room[1] - 1e-6 for _, b in placed):
            return None
        _lower(placed, floor, x0, y)
        rows.append(placed)
        floors.append(y)
    spare = min(
        y - b.reach[1] - room[1] for row, y in zip(rows, floors, strict=True) for _, b in row
    )
    if not blocked:
        rows, floors = _set(rows, floors, scheme, room, spare, builder.task.gap_mm)
    spots = {s.piece: s for s in builder.task.stays}
    for row, y in zip(rows, floors, strict=True):
        for x, b in row:
            for p in b.parts:
                px, py = x + p.dx_mm, y + p.dy_mm
                px, py = (py, px) if columns else (px, py)
                spots[p.piece] = Spot(p.piece, p.turn, round(px, 1), round(py, 1))
    return tuple(spots[k] for k in sorted(spots))


def _in_row(
    levels: Sequence[Block],
    room: tuple[float, float, float, float],
    tall: int,
    hurdles: Sequence[tuple[float, float, float, float]],
) -> list[tuple[float, Block]] | None:
    """x of each block; ``hurdles`` are boxes relative to the row's height that are not free."""
    row = _Row.empty(tall)
    for b in levels:
        x = row.place(b, room)
        while x is not None and (past := _hurdle(b, x, hurdles)) is not None:
            x = past if past + b.reach[2] <= room[2] + 1e-9 else None
        if x is None:
            return None
        row.add(b, x)
    return row.blocks


def _hurdle(
    b: Block, x: float, hurdles: Sequence[tuple[float, float, float, float]]
) -> float | None:
    """Where the block must go to be past the first hurdle it hits; None where it hits none."""
    for hx0, hy0, hx1, hy1 in hurdles:
        lo, hi = max(int(np.floor(hy0)) - b.low, 0), int(np.ceil(hy1)) - b.low + 1
        left, right = b.left[lo : max(hi, 0)], b.right[lo : max(hi, 0)]
        if len(left) and (right + x > hx0).any() and (left + x < hx1)[left < FAR].any():
            return float(hx1 - left.min()) + 0.5
    return None


def _around(
    levels: Sequence[Block],
    room: tuple[float, float, float, float],
    tall: int,
    blocked: Sequence[BaseGeometry],
    y: float,
    floor: Array,
    x0: int,
) -> tuple[list[tuple[float, Block]], float] | None:
    """The row set past what is blocked, lowered step by step where it must be."""
    lowest = max(room[1] + b.reach[1] for b in levels)
    while y >= lowest - 1e-6:
        hurdles = [(b.bounds[0], b.bounds[1] - y, b.bounds[2], b.bounds[3] - y) for b in blocked]
        placed = _in_row(levels, room, tall, hurdles)
        if placed is not None and _drop(placed, floor, x0, y) >= y - 1e-6:
            return placed, y
        y -= _STEP_MM
    return None


def _columns_of(x: float, b: Block, x0: int) -> tuple[slice, Array, Array]:
    """Where a block lies in a floor profile, and its bottoms and tops there."""
    first, low, high = b.span
    start = int(np.floor(x)) + first - x0
    return slice(start, start + len(low)), low, high


def _drop(placed: Sequence[tuple[float, Block]], floor: Array, x0: int, top: float) -> float:
    """Highest place of a row under what is above it."""
    y = top
    for x, b in placed:
        where, _, high = _columns_of(x, b, x0)
        room = (floor[where] - high)[high > -FAR / 2]
        if len(room):
            y = min(y, float(room.min()) - 1.0)
    return float(np.floor(y))


def _lower(placed: Sequence[tuple[float, Block]], floor: Array, x0: int, y: float) -> None:
    for x, b in placed:
        where, low, _ = _columns_of(x, b, x0)
        floor[where] = np.minimum(floor[where], low + y)


def _set(
    rows: list[list[tuple[float, Block]]],
    floors: list[float],
    scheme: Scheme,
    room: tuple[float, float, float, float],
    spare: float,
    gap_mm: float,
) -> tuple[list[list[tuple[float, Block]]], list[float]]:
    """Free room shared out between gaps and sides, or kept in one piece."""
    width = room[2] - room[0]
    free = [room[2] - max(x + b.reach[2] for x, b in row) for row in rows]
    most = _WIDEST * gap_mm * (scheme.spread if scheme.spread > 1 else 1.0)
    out = []
    for row, slack in zip(rows, free, strict=True):
        if scheme.spread <= 0:
            dx = 0.0 if scheme.keep[0] == 0 else slack
            out.append([(x + dx, b) for x, b in row])
            continue
        full = (width - slack) / width >= _NEARLY_FULL or scheme.spread > 1
        extra = slack / (len(row) + (0 if full else 1)) if len(row) > 1 else 0.0
        extra = min(slack / max(len(row) - 1, 1) if full else extra, most)
        start = (slack - extra * (len(row) - 1)) / 2
        out.append([(x + start + k * extra, b) for k, (x, b) in enumerate(row)])
    n = len(rows)
    if scheme.spread <= 0:
        dy = 0.0 if scheme.keep[1] == 0 else spare
        return out, [y - dy for y in floors]
    between = min(spare / (n + 1), most) if n > 1 else 0.0
    if scheme.spread > 1 and n > 1:
        between = min(spare / n, most)
    start = (spare - between * (n - 1)) / 2
    return out, [y - start - k * between for k, y in enumerate(floors)]


def mirrored_order(scheme: Scheme) -> Scheme:
    """The same rows with the other end first."""
    return replace(scheme, rows=tuple(tuple(reversed(r)) for r in scheme.rows))
