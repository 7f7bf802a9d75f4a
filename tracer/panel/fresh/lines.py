"""Layouts on lines: pieces set down one after another where they line up with those that stand.

Where straight rows alone do not fit, a person still puts the large tools first and lines the
rest up with them. All free nodes of a raster are known at once (`grid`); of these the one is
taken that costs least: near the side that is filled from, on a line with the edge or middle of a
tool that stands, near its kin, parallel, heavy end the usual way.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracer.panel.packing.grid import Grid
from tracer.panel.packing.overlap import OverlapRemoval
from tracer.panel.packing.settle import exact
from tracer.panel.packing.task import Spot, Task, clashes

__all__ = ["Taste", "lined_up", "snapped"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Taste:
    """What a place costs, in mm from the side that is filled from.

    ``side``: 0 left, 1 bottom, 2 right, 3 top. ``upright`` 0: long sides stand, 1: they lie.
    """

    side: int = 3
    upright: int = 0
    way: int = 1
    line: float = 30.0
    cross: float = 15.0
    kin: float = 0.25
    askew: float = 80.0
    head: float = 40.0
    along: float = 0.35


def lined_up(
    grid: Grid,
    order: Sequence[int],
    taste: Taste,
    seed: int,
    sweeps: int,
    tick: Callable[[], None] = lambda: None,
) -> tuple[Spot, ...] | None:
    """Exact places of all pieces, or None where they were not found.

    Where a piece finds no free place, all are parted by ``sweeps`` rounds of `OverlapRemoval`, and
    lines are found again as far as they go.
    """
    task = grid.task
    search = OverlapRemoval(grid, seed)
    placed: list[int] = []
    stuck = False
    for i in order:
        tick()
        spot = _place(search, i, placed, taste)
        if spot is None:
            stuck = True
            if not sweeps:
                return None
            found = search.best(i, placed)
            if found is None:
                return None
            spot = found[1]
        search.at[i] = spot
        placed.append(i)
    if stuck and not search.solve(sweeps, tick):
        return None
    spots = exact(task, search.spots())
    return None if spots is None else snapped(task, spots, 1.3 * grid.cell_mm)


def _turn_costs(task: Task, piece: int, taste: Taste) -> list[tuple[int, float]]:
    p = task.pieces[piece]
    if not p.long:
        return [(t, 0.0 if t == 0 else 0.25 * taste.askew) for t in range(len(p.variants))]
    out = []
    for t in range(len(p.variants)):
        cost = 0.0 if t % 2 == taste.upright else taste.askew
        up = (t // 2 == 0) == (p.way >= 0)
        cost += 0.0 if not p.way or up == (taste.way > 0) else taste.head
        out.append((t, cost))
    return out


def _place(
    search: OverlapRemoval, piece: int, placed: Sequence[int], taste: Taste
) -> tuple[int, int, int] | None:
    grid, task = search.grid, search.task
    wave = grid.transform(search.field(piece, placed))
    best: tuple[float, tuple[int, int, int]] | None = None
    turns = sorted(_turn_costs(task, piece, taste), key=lambda t: t[1])
    boxes = [_box(task, search, j) for j in placed]
    boxes += [_spot_box(task, s) for s in task.stays]
    # the last ones of its kin are enough to stay near
    kin = [search.at[j] for j in placed if task.pieces[j].kin == task.pieces[piece].kin][-2:]
    for turn, price in turns:
        if best is not None and price > best[0] + 1e-9:
            continue
        room = search.room(piece, turn)
        if room is None:
            continue
        rows, columns, allowed = room
        free = allowed & (grid.overlap(wave, piece, turn)[rows, columns] < 0.3)
        if not free.any():
            continue
        x = (np.arange(columns.start, columns.stop) - grid.pad) * grid.cell_mm
        y = (np.arange(rows.start, rows.stop) - grid.pad) * grid.cell_mm
        cost = price + _fill_cost(task, piece, turn, x, y, taste)
        cost = cost - _line_gain(task, piece, turn, x, y, boxes, grid.cell_mm, taste)
        if kin:
            nearest = np.min(
                [
                    np.hypot(
                        x[None, :] - (c - grid.pad) * grid.cell_mm,
                        y[:, None] - (r - grid.pad) * grid.cell_mm,
                    )
                    for _, c, r in kin
                ],
                axis=0,
            )
            cost = cost + taste.kin * nearest
        cost = np.where(free, cost, np.inf)
        k = int(cost.argmin())
        if best is None or cost.flat[k] < best[0]:
            row, column = divmod(k, cost.shape[1])
            best = float(cost.flat[k]), (turn, columns.start + column, rows.start + row)
    return None if best is None else best[1]


def _fill_cost(task: Task, piece: int, turn: int, x: Array, y: Array, taste: Taste) -> Array:
    """How far the piece's far edge lies from the side that is filled from."""
    x0, y0, x1, y1 = task.pieces[piece].variants[turn].tool.bounds
    width, height = task.size_mm
    across, up = x[None, :], y[:, None]
    if taste.side == 0:
        return (across + x1) + taste.along * (height - up - y0)
    if taste.side == 2:
        return (width - across - x0) + taste.along * (height - up - y0)
    if taste.side == 1:
        return (up + y1) + taste.along * (across + x1)
    return (height - up - y0) + taste.along * (across + x1)


def _line_gain(
    task: Task,
    piece: int,
    turn: int,
    x: Array,
    y: Array,
    boxes: Sequence[tuple[float, float, float, float]],
    cell: float,
    taste: Taste,
) -> Array:
    if not boxes:
        return np.zeros((1, 1))
    x0, y0, x1, y1 = task.pieces[piece].variants[turn].tool.bounds
    b = np.array(boxes)
    hits = []
    for at, low, high, k in ((x, x0, x1, 0), (y, y0, y1, 1)):
        on = np.zeros(len(at), bool)
        for own, lines in (
            (low, b[:, k]),
            (high, b[:, k + 2]),
            ((low + high) / 2, (b[:, k] + b[:, k + 2]) / 2),
        ):
            on |= (np.abs(at[:, None] + own - lines[None, :]) <= 0.51 * cell).any(axis=1)
        hits.append(on)
    main, other = (taste.cross, taste.line) if taste.side in (1, 3) else (taste.line, taste.cross)
    gain: Array = main * hits[0][None, :] + other * hits[1][:, None]
    return gain


def _box(task: Task, search: OverlapRemoval, piece: int) -> tuple[float, float, float, float]:
    turn, column, row = search.at[piece]
    return _spot_box(task, Spot(piece, turn, *search.grid.place(column, row)))


def _spot_box(task: Task, spot: Spot) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = task.variant(spot).tool.bounds
    return x0 + spot.x_mm, y0 + spot.y_mm, x1 + spot.x_mm, y1 + spot.y_mm


def snapped(task: Task, spots: Sequence[Spot], within_mm: float) -> tuple[Spot, ...]:
    """Lines that nearly agree made to agree, one after another, where nothing then overlaps."""
    now = list(spots)
    stay = {s.piece for s in task.stays}
    for axis in (1, 0):
        for kind in (0, 1, 2):
            lines = np.array([_line(task, s, axis, kind) for s in now])
            for group in _clusters(lines, within_mm):
                wanted = float(np.median(lines[group]))
                trial = list(now)
                for k in group:
                    if now[k].piece in stay:
                        continue
                    by = wanted - _line(task, now[k], axis, kind)
                    s = now[k]
                    trial[k] = (
                        replace(s, y_mm=round(s.y_mm + by, 1))
                        if axis
                        else replace(s, x_mm=round(s.x_mm + by, 1))
                    )
                if trial != now and not clashes(task, trial):
                    now = trial
    return tuple(now)


def _line(task: Task, spot: Spot, axis: int, kind: int) -> float:
    box = _spot_box(task, spot)
    low, high = box[axis], box[axis + 2]
    return (low, (low + high) / 2, high)[kind]


def _clusters(lines: Array, within_mm: float) -> list[list[int]]:
    order = np.argsort(lines, kind="stable")
    groups: list[list[int]] = []
    for k in order.tolist():
        if groups and lines[k] - lines[groups[-1][0]] <= within_mm:
            groups[-1].append(k)
        else:
            groups.append([k])
    return [g for g in groups if len(g) > 1 and np.ptp(lines[g]) > 0.05]
