"""Blocks of rows: profiles of pieces, and how near two of them may stand.

A block is one piece, or a few small ones above each other, that takes one place in a row. Its
left and right profile at each millimetre of height say how near its neighbours may come, so that
rows are as close as the true shapes allow. In the *row frame* rows run along x; for columns the
panel is looked at with x and y exchanged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tracer.panel.packing.grid import Bitmap
from tracer.panel.packing.task import Task

__all__ = ["FAR", "Block", "Blocks", "Part", "stacked"]

Array = NDArray[np.float64]

FAR = 1e6
#: profiles lie this far outside the envelope, so that nothing between two rows is missed
_OUTSIDE_MM = 0.55
_CELL_MM = 1.0


@dataclass(frozen=True)
class Part:
    """A piece within a block: its turn, and its middle from the block's origin."""

    piece: int
    turn: int
    dx_mm: float
    dy_mm: float


@dataclass(frozen=True, eq=False)
class Block:
    """Pieces that take one place in a row.

    Attributes
    ----------
    low
        Height of the first entry of the profiles, whole mm from the origin.
    left, right
        (H, ) profile at each mm of height; FAR and -FAR where there is nothing.
    reach
        How far it reaches with its distances to the rim: left, down, right, up.
    box
        Of its openings alone: left, bottom, right, top from the origin.
    """

    parts: tuple[Part, ...]
    low: int
    left: Array
    right: Array
    reach: tuple[float, float, float, float]
    box: tuple[float, float, float, float]

    @cached_property
    def span(self) -> tuple[int, Array, Array]:
        """`across` of the block wherever it stands between two millimetres."""
        first, low, high = self.across
        low = np.minimum(np.append(low, FAR), np.insert(low, 0, FAR))
        high = np.maximum(np.append(high, -FAR), np.insert(high, 0, -FAR))
        return first, low, high

    @cached_property
    def across(self) -> tuple[int, Array, Array]:
        """Bottom and top at each mm of x: the first x, bottoms, tops."""
        return _across(self)

    @property
    def height_mm(self) -> float:
        """Height of the profiles."""
        return float(len(self.left))

    @property
    def width_mm(self) -> float:
        """Widest extent of the profiles."""
        return float(self.right.max() - self.left.min())

    def shifted(self, dx: float, dy: int) -> Block:
        """The block about another origin."""
        moved = tuple(replace(p, dx_mm=p.dx_mm + dx, dy_mm=p.dy_mm + dy) for p in self.parts)
        left, down, right, up = self.reach
        x0, y0, x1, y1 = self.box
        return Block(
            moved,
            self.low + dy,
            self.left + dx,
            self.right + dx,
            (left - dx, down - dy, right + dx, up + dy),
            (x0 + dx, y0 + dy, x1 + dx, y1 + dy),
        )


class Blocks:
    """Blocks of single pieces, made once per piece, turn and direction."""

    def __init__(self, task: Task) -> None:
        self.task = task
        self._made: dict[tuple[int, int, bool], Block] = {}

    def single(self, piece: int, turn: int, columns: bool) -> Block:
        """A piece by itself, its middle at the origin."""
        key = piece, turn, columns
        if key not in self._made:
            self._made[key] = self._single(piece, turn, columns)
        return self._made[key]

    def _single(self, piece: int, turn: int, columns: bool) -> Block:
        variant = self.task.pieces[piece].variants[turn]
        bits = Bitmap(variant.envelope.buffer(_OUTSIDE_MM, quad_segs=2), _CELL_MM)
        on, x0, y0 = bits.on > 0, bits.left, bits.low
        normals = self.task.rim.normals
        sides = []
        for axis in ((-1.0, 0.0), (0.0, -1.0), (1.0, 0.0), (0.0, 1.0)):
            facing = normals @ np.array(axis) > 0.7
            sides.append(float(variant.reach_mm[facing].max()))
        box = tuple(float(v) for v in variant.tool.bounds)
        if columns:
            on, x0, y0 = on.T, y0, x0
            sides = [sides[1], sides[0], sides[3], sides[2]]
            box = (box[1], box[0], box[3], box[2])
        any_on = on.any(axis=1)
        width = on.shape[1]
        left = np.where(any_on, x0 + on.argmax(axis=1), FAR)
        right = np.where(any_on, x0 + width - 1 - on[:, ::-1].argmax(axis=1), -FAR)
        return Block(
            (Part(piece, turn, 0.0, 0.0),),
            y0,
            left.astype(np.float64),
            right.astype(np.float64),
            (sides[0], sides[1], sides[2], sides[3]),
            (box[0], box[1], box[2], box[3]),
        )


def _across(block: Block) -> tuple[int, Array, Array]:
    x0 = int(np.floor(block.left.min()))
    x1 = int(np.ceil(block.right.max())) + 1
    low: Array = np.full(x1 - x0, FAR)
    high: Array = np.full(x1 - x0, -FAR)
    for k in range(len(block.left)):
        if block.left[k] >= FAR:
            continue
        a, b = int(block.left[k]) - x0, int(np.ceil(block.right[k])) - x0 + 1
        y = block.low + k
        low[a:b] = np.minimum(low[a:b], y)
        high[a:b] = np.maximum(high[a:b], y)
    return x0, low, high


def stacked(blocks: Sequence[Block]) -> Block:
    """Blocks above each other, the first on top, as near as their profiles allow."""
    whole = blocks[0]
    for below in blocks[1:]:
        xa, low, _ = whole.across
        xb, _, high = below.across
        a, b = max(xa, xb), min(xa + len(low), xb + len(high))
        room = low[a - xa : b - xa] - high[a - xb : b - xb] if b > a else np.array([0.0])
        room = room[np.abs(room) < FAR / 2]
        down = int(np.floor(room.min())) - 1 if len(room) else 0
        moved = below.shifted(0.0, down)
        bottom = min(whole.low, moved.low)
        top = max(whole.low + len(whole.left), moved.low + len(moved.left))
        left, right = np.full(top - bottom, FAR), np.full(top - bottom, -FAR)
        for part in (whole, moved):
            rows = slice(part.low - bottom, part.low - bottom + len(part.left))
            left[rows] = np.minimum(left[rows], part.left)
            right[rows] = np.maximum(right[rows], part.right)
        whole = Block(
            (*whole.parts, *moved.parts),
            bottom,
            left,
            right,
            _widest(whole.reach, moved.reach),
            _joint(whole.box, moved.box),
        )
    # about its own middle, so that it lines up with the rest of the row
    middle = round((whole.box[1] + whole.box[3]) / 2)
    return whole.shifted(0.0, -middle)


def _widest(
    a: tuple[float, float, float, float], b: tuple[float, float, float, float]
) -> tuple[float, float, float, float]:
    return max(a[0], b[0]), max(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3])


def _joint(
    a: tuple[float, float, float, float], b: tuple[float, float, float, float]
) -> tuple[float, float, float, float]:
    return min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3])
