"""Search for places without overlap: guided local search on a raster.

Every piece that overlaps others is taken out in turn and set down where, over all nodes and turns,
its weighted overlap is least; then the weights of the pairs that still overlap are raised, so that
what stays stuck is pushed apart at last. The idea is that of guided local search for cutting and
packing (Egeblad, Nielsen, Odgaard 2007; Gardeyn, Vanden Berghe, Wauters 2025), with the least of a
correlation in place of samples.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from tracer.panel.packing.grid import Field, Grid
from tracer.panel.packing.task import Spot

__all__ = ["OverlapRemoval", "dropped"]

Nodes = list[tuple[int, int, int]]  # turn, column, row, by piece

_BLOCKED = 1e4
#: weights double at most in a sweep, and go no higher than a transform in single precision can tell
#: from one shared node elsewhere
_RAISE, _MOST = 1.0, 1e3
#: sweeps without less overlap in all before it is given up
_PATIENCE = 30
#: pull towards one end among places that are as good
_PULL = 1e-4


class OverlapRemoval:
    """Places of all pieces on a raster, and the search that parts them."""

    def __init__(self, grid: Grid, seed: int, along_y: bool = False) -> None:
        self.grid = grid
        self.task = grid.task
        count = len(self.task.pieces)
        self.turns = [range(len(p.variants)) for p in self.task.pieces]
        self.free = self.task.free
        self.rng = np.random.default_rng(seed)
        self.at: dict[int, tuple[int, int, int]] = {}
        self.weights: NDArray[np.float32] = np.ones((count, count), np.float32)
        self.limit_mm = float("inf")  # length of a strip shorter than the bay
        self._rooms: dict[
            tuple[int, int, float], tuple[slice, slice, NDArray[np.bool_]] | None
        ] = {}
        x = np.arange(grid.nx, dtype=np.float32)[None, :]
        y = np.arange(grid.ny, dtype=np.float32)[:, None]
        pull = y * grid.nx + x if along_y else x * grid.ny + y
        self._pull: Field = (_PULL / pull.max()) * pull

    # -- fields ---------------------------------------------------------------------------------

    def field(self, piece: int, others: Sequence[int]) -> Field:
        """What is taken, weighted, seen by one piece."""
        taken = _BLOCKED * self.grid.blocked
        for j in others:
            if j != piece and j in self.at:
                turn, column, row = self.at[j]
                rows, columns = self.grid.window(j, turn, column, row)
                taken[rows, columns] += self.weights[piece, j] * self.grid.bits(j, turn).on
        return taken

    def best(self, piece: int, others: Sequence[int]) -> tuple[float, tuple[int, int, int]] | None:
        """Least weighted overlap of a piece with others, over all nodes and turns."""
        wave = self.grid.transform(self.field(piece, others))
        found: tuple[float, tuple[int, int, int]] | None = None
        for turn in self.turns[piece]:
            room = self.room(piece, turn)
            if room is None:
                continue
            rows, columns, allowed = room
            cost = self.grid.overlap(wave, piece, turn)[rows, columns]
            # what a transform leaves of nothing is not an overlap
            cost = np.where(cost < 0.3, 0.0, cost) + self._pull[rows, columns]
            cost = np.where(allowed, cost, np.inf)
            k = int(cost.argmin())
            value = float(cost.flat[k])
            if np.isfinite(value) and (found is None or value < found[0]):
                row, column = divmod(k, cost.shape[1])
                found = value, (turn, columns.start + column, rows.start + row)
        return found

    def room(self, piece: int, turn: int) -> tuple[slice, slice, NDArray[np.bool_]] | None:
        """Rows and columns where a piece's middle may be, and which nodes of them."""
        key = piece, turn, self.limit_mm
        if key not in self._rooms:
            self._rooms[key] = self._room(piece, turn)
        return self._rooms[key]

    def _room(self, piece: int, turn: int) -> tuple[slice, slice, NDArray[np.bool_]] | None:
        room = self.grid.room(piece, turn)
        rows = np.flatnonzero(room.any(axis=1))
        columns = np.flatnonzero(room.any(axis=0))
        if not len(rows):
            return None
        last = int(columns[-1])
        if np.isfinite(self.limit_mm):
            last = min(last, self.grid.node(self.limit_mm - self._right_mm(piece, turn), 0.0)[0])
        if last < columns[0]:
            return None
        r, c = slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), last + 1)
        return r, c, room[r, c]

    def _right_mm(self, piece: int, turn: int) -> float:
        right = int(self.task.rim.normals[:, 0].argmax())
        return float(self.task.pieces[piece].variants[turn].reach_mm[right])

    def drop_outside(self) -> None:
        """Take out what lies beyond the bay or the strip; it is set down anew."""
        for i, (turn, column, row) in list(self.at.items()):
            room = self.room(i, turn)
            if room is not None:
                rows, columns, allowed = room
                r, c = row - rows.start, column - columns.start
                within = 0 <= r < allowed.shape[0] and 0 <= c < allowed.shape[1]
                if within and allowed[r, c]:
                    continue
            del self.at[i]

    # -- search ---------------------------------------------------------------------------------

    def overlaps(self) -> NDArray[np.float32]:
        """(N + 1, N + 1) nodes shared by each pair; the last one is what is blocked."""
        n = len(self.task.pieces)
        found: NDArray[np.float32] = np.zeros((n + 1, n + 1), np.float32)
        boxes = np.zeros((n, 4))
        for i, (turn, column, row) in self.at.items():
            rows, columns = self.grid.window(i, turn, column, row)
            boxes[i] = columns.start, rows.start, columns.stop, rows.stop
            on = self.grid.bits(i, turn).on
            found[i, n] = found[n, i] = (self.grid.blocked[rows, columns] * on).sum()
        for i in sorted(self.at):
            a = boxes[i]
            near = (boxes[:, 0] < a[2]) & (boxes[:, 2] > a[0])
            near &= (boxes[:, 1] < a[3]) & (boxes[:, 3] > a[1])
            for j in np.flatnonzero(near):
                if j > i and j in self.at:
                    found[i, j] = found[j, i] = self._shared(i, int(j))
        return found

    def _shared(self, i: int, j: int) -> float:
        (ti, ci, ri), (tj, cj, rj) = self.at[i], self.at[j]
        a, b = self.grid.bits(i, ti), self.grid.bits(j, tj)
        x0, y0 = max(ci + a.left, cj + b.left), max(ri + a.low, rj + b.low)
        x1 = min(ci + a.left + a.on.shape[1], cj + b.left + b.on.shape[1])
        y1 = min(ri + a.low + a.on.shape[0], rj + b.low + b.on.shape[0])
        if x1 <= x0 or y1 <= y0:
            return 0.0
        ya, xa, yb, xb = y0 - ri - a.low, x0 - ci - a.left, y0 - rj - b.low, x0 - cj - b.left
        h, w = y1 - y0, x1 - x0
        return float((a.on[ya : ya + h, xa : xa + w] * b.on[yb : yb + h, xb : xb + w]).sum())

    def solve(self, sweeps: int, tick: Callable[[], None] = lambda: None) -> bool:
        """Part all pieces; True when nothing overlaps on the raster.

        ``tick`` is called before each move and may raise to stop.
        """
        every = list(range(len(self.task.pieces)))
        missing = [i for i in self.free if i not in self.at]
        for i in missing:
            tick()
            found = self.best(i, every)
            if found is None:
                return False
            self.at[i] = found[1]
        n = len(self.task.pieces)
        shared = self.overlaps()
        best_left, stuck = np.inf, 0
        for _ in range(sweeps):
            left = shared[:n, :].sum()
            if left == 0:
                return True
            stuck = 0 if left < 0.98 * best_left else stuck + 1
            if stuck > _PATIENCE:
                return False
            best_left = min(best_left, float(left))
            hit = [i for i in self.free if shared[i].sum() > 0]
            self.rng.shuffle(hit)
            for i in hit:
                tick()
                if not self._hit(i):
                    continue
                found = self.best(i, every)
                if found is not None:
                    self.at[i] = found[1]
            shared = self.overlaps()
            most = shared[:n, :n].max()
            if most > 0:
                self.weights *= 1 + _RAISE * shared[:n, :n] / most
                # pairs that are apart are slowly forgotten
                kept = np.where(shared[:n, :n] > 0, self.weights, 0.95 * self.weights)
                self.weights = np.clip(kept, 1.0, _MOST)
        return bool(shared[:n, :].sum() == 0)

    def _hit(self, piece: int) -> bool:
        turn, column, row = self.at[piece]
        rows, columns = self.grid.window(piece, turn, column, row)
        on = self.grid.bits(piece, turn).on
        if (self.grid.blocked[rows, columns] * on).any():
            return True
        return any(self._shared(piece, j) > 0 for j in self.at if j != piece)

    def spots(self) -> tuple[Spot, ...]:
        """Places in mm, those that stay included."""
        found = {s.piece: s for s in self.task.stays}
        for i, (turn, column, row) in self.at.items():
            found[i] = Spot(i, turn, *self.grid.place(column, row))
        return tuple(found[i] for i in sorted(found))


def dropped(search: OverlapRemoval, order: Sequence[int]) -> bool:
    """Set pieces down one after another at the first free place from the lower left.

    False as soon as one finds no free place; it and those after it are left out.
    """
    placed: list[int] = list(search.at)
    for i in order:
        found = search.best(i, placed)
        if found is None or found[0] >= 0.3:
            return False
        search.at[i] = found[1]
        placed.append(i)
    return True
