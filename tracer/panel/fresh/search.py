"""Search for layouts in rows: many orders to begin with, then small changes to the best.

Everything is counted, nothing is timed, so that the same input and seed give the same layouts on
every machine.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tracer.panel.fresh.rows import RowBuilder, Scheme, Stack, filled, realised, room_of
from tracer.panel.fresh.score import Score, score
from tracer.panel.packing.settle import exact
from tracer.panel.packing.task import Spot, Task, clashes

__all__ = ["Found", "Pool", "different", "row_layouts"]

Tick = Callable[[], None]
#: layouts count as different when tools stand this share of the bay's diagonal apart on average
_APART = 0.06


@dataclass(frozen=True, eq=False)
class Found:
    """A layout that keeps every hard rule, with its figures; and its scheme, if it is of rows."""

    spots: tuple[Spot, ...]
    score: Score
    style: str
    scheme: Scheme | None = None


def different(task: Task, first: Sequence[Spot], second: Sequence[Spot]) -> bool:
    """Whether a person sees two layouts rather than one with a tool nudged."""
    diagonal = math.hypot(*task.size_mm)
    pairs = list(zip(first, second, strict=True))
    moved = [math.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm) for a, b in pairs]
    turned = sum(a.turn % 2 != b.turn % 2 for a, b in pairs)
    return float(np.mean(moved)) > _APART * diagonal or turned > len(first) / 3


class Pool:
    """The best layouts so far, best first; near twins count once."""

    def __init__(self, task: Task, most: int = 24) -> None:
        self.task = task
        self.found: list[Found] = []
        self._most = most

    def add(self, one: Found) -> bool:
        """Keep a layout if it is among the best; True when it is the best of all."""
        for k, other in enumerate(self.found):
            if not different(self.task, one.spots, other.spots):
                if one.score.total <= other.score.total:
                    return False
                del self.found[k]
                break
        self.found.append(one)
        self.found.sort(key=lambda f: (-f.score.total, [(s.turn, s.x_mm, s.y_mm) for s in f.spots]))
        del self.found[self._most :]
        return self.found[0] is one

    def best(self, count: int) -> list[Found]:
        """The best different ones."""
        chosen: list[Found] = []
        for one in self.found:
            if all(different(self.task, one.spots, c.spots) for c in chosen):
                chosen.append(one)
            if len(chosen) == count:
                break
        return chosen


class RowSearch:
    """Schemes tried and kept."""

    def __init__(
        self, task: Task, weights: Mapping[str, float], spread: float, even: bool, seed: int
    ) -> None:
        self.task = task
        self.builder = RowBuilder(task)
        self.weights, self.spread, self.even = weights, spread, even
        self.rng = np.random.default_rng(seed)
        self.pool = Pool(task)
        self.style = "spread" if spread > 1 else "rows"

    # -- turns and orders -----------------------------------------------------------------------

    def turn(self, piece: int, columns: bool, way: int) -> int | None:
        """The turn of a piece in rows or columns: long sides across the row, heavy ends one way."""
        p = self.task.pieces[piece]
        upright = (1, 3) if columns else (0, 2)
        turns = list(upright if p.way in (0, way) else upright[::-1])
        if not p.long:
            turns = [0]
        turns += [k for k in range(len(p.variants)) if k not in turns]
        room = room_of(self.task, columns)
        for turn in turns:
            block = self.builder.blocks.single(piece, turn, columns)
            left, down, right, up = block.reach
            if left + right <= room[2] - room[0] + 1e-6 and down + up <= room[3] - room[1] + 1e-6:
                return turn
        return None

    def order(
        self, columns: bool, way: int, noise: float, kin: bool
    ) -> list[tuple[int, int]] | None:
        """Pieces by height with their turns, like ones together."""
        heights: dict[int, float] = {}
        turns: dict[int, int] = {}
        for i in self.task.free:
            turn = self.turn(i, columns, way)
            if turn is None:
                return None
            turns[i] = turn
            heights[i] = self.builder.blocks.single(i, turn, columns).height_mm
        shaken = {i: h * (1 + noise * self.rng.standard_normal()) for i, h in heights.items()}
        tallest: dict[str, float] = {}
        for i, h in shaken.items():
            name = self.task.pieces[i].kin
            tallest[name] = max(tallest.get(name, 0.0), h)

        def key(i: int) -> tuple[float, str, float, int]:
            piece = self.task.pieces[i]
            group = tallest[piece.kin] if kin else shaken[i]
            return (-group, piece.kin if kin else "", -shaken[i], i)

        return [(i, turns[i]) for i in sorted(self.task.free, key=key)]

    # -- trying ---------------------------------------------------------------------------------

    def judge(self, scheme: Scheme) -> Found | None:
        """The layout of a scheme with its figures, or None where it breaks a rule."""
        spots = realised(self.builder, scheme)
        if spots is None:
            return None
        if clashes(self.task, spots):
            settled = exact(self.task, spots, rounds=12)
            if settled is None:
                return None
            spots = settled
        return Found(
            spots, score(self.task, spots, self.weights, spread=self.even), self.style, scheme
        )

    def begin(self, tries: int, tick: Tick) -> None:
        """Orders by height, plain ones first, then shaken ones."""
        ways = [p.way for p in self.task.pieces if p.long]
        main = 1 if sum(ways) >= 0 else -1
        plain = [
            (columns, align, kin, main)
            for columns in (False, True)
            for kin in (True, False)
            for align in (0, -1, 1)
        ]
        for n in range(max(tries, len(plain))):
            tick()
            if n < len(plain):
                (columns, align, kin, way), noise = plain[n], 0.0
            else:
                columns, kin = bool(self.rng.integers(2)), bool(self.rng.integers(2))
                align, way = (
                    int(self.rng.integers(-1, 2)),
                    main if self.rng.random() < 0.8 else -main,
                )
                noise = float(self.rng.uniform(0.02, 0.5))
            order = self.order(columns, way, noise, kin)
            scheme = filled(self.builder, order, columns, align) if order else None
            if scheme is None:
                continue
            scheme = replace(scheme, spread=self.spread)
            for variant in (scheme, _by_weight(self.task, scheme), _by_size(self.task, scheme)):
                found = self.judge(variant)
                if found:
                    self.pool.add(found)

    def climb(self, steps: int, tick: Tick) -> None:
        """Small changes to the best different layouts; a change stays if it is no worse."""
        for start in self.pool.best(3):
            now = start
            for _ in range(steps):
                tick()
                if now.scheme is None:
                    break
                changed = self.changed(now.scheme)
                found = self.judge(changed) if changed else None
                if found and found.score.total >= now.score.total:
                    now = found
                    self.pool.add(found)

    def changed(self, scheme: Scheme) -> Scheme | None:
        """A scheme with one change: blocks or rows swapped, moved, turned over, aligned anew."""
        rows = [list(r) for r in scheme.rows]
        kind = int(self.rng.integers(8))
        a = int(self.rng.integers(len(rows)))
        i = int(self.rng.integers(len(rows[a])))
        b = int(self.rng.integers(len(rows)))
        j = int(self.rng.integers(len(rows[b])))
        if kind in (0, 1):
            rows[a][i], rows[b][j] = rows[b][j], rows[a][i]
        elif kind == 2:
            rows[a], rows[b] = rows[b], rows[a]
        elif kind == 3:
            moved = rows[a].pop(i)
            rows[b].insert(min(j, len(rows[b])), moved)
        elif kind == 4:
            rows[a].reverse()
        elif kind == 5:
            return replace(scheme, align=(scheme.align + 2) % 3 - 1)
        elif kind == 6:
            rows[a][i] = tuple((p, self._over(p, t)) for p, t in rows[a][i])
        elif self.spread <= 0:
            keep = (int(self.rng.integers(2)), int(self.rng.integers(2)))
            return replace(scheme, keep=keep)
        else:
            rows[a].sort(key=lambda s: (self.task.pieces[s[0][0]].kin, -_size(self.task, s)))
        return replace(scheme, rows=tuple(tuple(r) for r in rows if r))

    def _over(self, piece: int, turn: int) -> int:
        return (turn + 2) % 4 if len(self.task.pieces[piece].variants) == 4 else turn


def _size(task: Task, stack: Stack) -> float:
    return max(task.pieces[p].size_mm for p, _ in stack)


def _mass(task: Task, stack: Sequence[Stack]) -> float:
    return sum(task.pieces[p].mass_kg for s in stack for p, _ in s) / len(stack)


def _by_weight(task: Task, scheme: Scheme) -> Scheme:
    """Rows with the heaviest lowest; in columns the order is left as it is."""
    if scheme.columns:
        return scheme
    return replace(scheme, rows=tuple(sorted(scheme.rows, key=lambda r: _mass(task, r))))


def _by_size(task: Task, scheme: Scheme) -> Scheme:
    """Like tools of each row beside each other in order of size, largest kin in the middle."""
    rows = []
    for row in scheme.rows:
        ordered = sorted(row, key=lambda s: (task.pieces[s[0][0]].kin, -_size(task, s)))
        rows.append(tuple(ordered))
    return _by_weight(task, replace(scheme, rows=tuple(rows)))


def row_layouts(
    task: Task,
    weights: Mapping[str, float],
    *,
    spread: float,
    even: bool,
    seed: int,
    tries: int,
    steps: int,
    tick: Tick,
    pool: list[Pool] | None = None,
) -> Pool:
    """Layouts in rows. What ``tick`` raises goes through; ``pool`` then holds what was found."""
    search = RowSearch(task, weights, spread, even, seed)
    if pool is not None:
        pool.append(search.pool)
    search.begin(tries, tick)
    search.climb(steps, tick)
    return search.pool
