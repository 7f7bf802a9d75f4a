"""How far two pieces would have to be moved apart, by how they stand to each other.

It depends on the step between their nodes alone. A table of all steps is made once for each pair
of turns: where a correlation says that they share nodes, the distance to the nearest step at which
they share none. Laid over the raster wherever the other pieces stand, and added up, the tables give
the cost of every place of a piece, at a small part of the cost of a transform of the whole raster.

The steps at which a pair overlaps are the no-fit polygon, and the distance is the penetration
depth, which guided local search works off (Umetani, Yagiura, Imahori, Imamichi, Nonobe, Ibaraki
2009, "Solving the irregular strip packing problem via guided local search for overlap
minimization", International Transactions in Operational Research 16, 661-683).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.ndimage import distance_transform_edt

from tracer.panel.packing.grid import Field, Grid

__all__ = ["Pairs"]

Counts = NDArray[Any]
At = tuple[int, int, int]  # turn, column, row

#: per node, above what any overlap of pairs costs
_BLOCKED = 1e9
#: with more pieces tables are kept short
_FEW = 32
#: depths are kept in these parts of a cell
_SCALE = 8.0


class Pairs:
    """Tables of pairs on one raster, made when they are first asked for."""

    def __init__(self, grid: Grid) -> None:
        self.grid = grid
        self._tables: dict[tuple[int, int, int, int], tuple[Counts, int, int]] = {}
        self._grounds: dict[tuple[int, int], Field] = {}
        # many pieces make many tables: these are kept short, few ones quick to add
        few = len(grid.task.pieces) <= _FEW
        self._kind: type[np.floating[Any]] | type[np.integer[Any]] = (
            np.float32 if few else np.uint16
        )
        self._blocked = grid.transform(grid.blocked) if grid.blocked.any() else None

    def table(self, i: int, ti: int, j: int, tj: int) -> tuple[Counts, int, int]:
        """Depth by the step from j's node to i's, in parts of a cell; its first row and column."""
        if i > j:
            counts, row, column = self.table(j, tj, i, ti)
            return counts[::-1, ::-1], -(row + counts.shape[0] - 1), -(column + counts.shape[1] - 1)
        key = i, ti, j, tj
        if key not in self._tables:
            a, b = self.grid.bits(i, ti), self.grid.bits(j, tj)
            shape = a.on.shape[0] + b.on.shape[0] - 1, a.on.shape[1] + b.on.shape[1] - 1
            size = tuple(fft.next_fast_len(n, real=True) for n in shape)
            both = fft.rfft2(b.on, s=size) * fft.rfft2(a.on[::-1, ::-1], s=size)
            hit = np.zeros((shape[0] + 2, shape[1] + 2), bool)
            hit[1:-1, 1:-1] = fft.irfft2(both, s=size)[: shape[0], : shape[1]] > 0.5
            deep = distance_transform_edt(hit)[1:-1, 1:-1]
            counts = np.rint(_SCALE * deep).astype(self._kind)
            row, column = b.low - a.low - a.on.shape[0] + 1, b.left - a.left - a.on.shape[1] + 1
            self._tables[key] = counts, row, column
        return self._tables[key]

    def shared(self, i: int, first: At, j: int, second: At) -> float:
        """How deep two pieces overlap where they stand, in parts of a cell."""
        counts, row, column = self.table(i, first[0], j, second[0])
        r, c = first[2] - second[2] - row, first[1] - second[1] - column
        if 0 <= r < counts.shape[0] and 0 <= c < counts.shape[1]:
            return float(counts[r, c])
        return 0.0

    def on_blocked(self, piece: int, at: At) -> float:
        """Nodes of a piece that are blocked where it stands."""
        if self._blocked is None:
            return 0.0
        rows, columns = self.grid.window(piece, *at)
        return float((self.grid.blocked[rows, columns] * self.grid.bits(piece, at[0]).on).sum())

    def ground(self, piece: int, turn: int) -> Field:
        """Cost of a piece's nodes without others: blocked dear, beyond the rim barred."""
        key = piece, turn
        if key not in self._grounds:
            ground = np.where(self.grid.room(piece, turn), 0.0, np.inf).astype(np.float32)
            if self._blocked is not None:
                cost = self.grid.overlap(self._blocked, piece, turn)
                ground += _BLOCKED * np.where(cost < 0.3, 0.0, cost)
            self._grounds[key] = ground
        return self._grounds[key]

    def cost(
        self,
        piece: int,
        turn: int,
        others: Iterable[int],
        at: Mapping[int, At],
        weights: NDArray[np.float32],
        rows: slice,
        columns: slice,
    ) -> Field:
        """Weighted overlap of a piece with others at the nodes of a part of the raster."""
        found = self.ground(piece, turn)[rows, columns].copy()
        for j in others:
            counts, row, column = self.table(piece, turn, j, at[j][0])
            top, left = at[j][2] + row - rows.start, at[j][1] + column - columns.start
            y0, x0 = max(top, 0), max(left, 0)
            y1 = min(top + counts.shape[0], found.shape[0])
            x1 = min(left + counts.shape[1], found.shape[1])
            if y0 < y1 and x0 < x1:
                found[y0:y1, x0:x1] += (
                    counts[y0 - top : y1 - top, x0 - left : x1 - left] * weights[piece, j]
                )
        return found
