"""The smallest strip that holds all pieces: separation on a raster, narrower step by step."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from shapely.geometry import box

from tracer.panel.packing.grid import Grid
from tracer.panel.packing.overlap import OverlapRemoval, dropped
from tracer.panel.packing.settle import exact
from tracer.panel.packing.task import Spot, Task

__all__ = ["packed", "solved", "used_mm"]

Tick = Callable[[], None]

#: growth of the raster's shapes in cells, and sweeps, from easy to tight
_STAGES = ((0.5, 12), (0.35, 40), (0.2, 80))
#: where these fail: nodes, growth, sweeps, and starts from another order each
_AGAIN = (30_000, 0.1, 120, 4)
#: nodes of the raster and growth of its shapes in cells, from quick to exact; shares of its length
#: by which a strip is narrowed there, ever less
_PHASES = (
    (12_000, 0.15, (0.03, 0.015)),
    (30_000, 0.1, (0.015, 0.008, 0.004, 0.002)),
)
_SWEEPS = 100


def used_mm(task: Task, spots: Sequence[Spot]) -> float:
    """How far from the left side the bay is used, distances to the rim included."""
    right = int((task.rim.normals[:, 0]).argmax())
    return max(
        float(s.x_mm + task.variant(s).reach_mm[right])
        for s in spots
        if s.piece not in {k.piece for k in task.stays}
    )


def solved(task: Task, seed: int, tick: Tick) -> tuple[Spot, ...] | None:
    """Any layout that keeps the hard rules, or None where none was found."""
    order = sorted(task.free, key=lambda i: -task.pieces[i].variants[0].envelope.area)
    for n, (grown, sweeps) in enumerate(_STAGES):
        search = OverlapRemoval(Grid(task, grown), seed + n)
        if n == 0:
            dropped(search, order)
        if search.solve(sweeps, tick):
            spots = exact(task, search.spots())
            if spots is not None:
                return spots
    nodes, grown, sweeps, starts = _AGAIN
    grid = Grid(task, grown, nodes)
    rng = np.random.default_rng(seed)
    for n in range(starts):
        search = OverlapRemoval(grid, seed + 11 * n + 7, along_y=n % 2 == 1)
        size = {i: task.pieces[i].variants[0].envelope.area for i in order}
        shaken = {i: a * math.exp(0.4 * rng.standard_normal()) for i, a in size.items()}
        dropped(search, sorted(order, key=lambda i: -shaken[i]))
        if search.solve(sweeps, tick):
            spots = exact(task, search.spots())
            if spots is not None:
                return spots
    return None


def packed(
    task: Task,
    seed: int,
    effort: int,
    tick: Tick,
    keep: Callable[[tuple[Spot, ...]], None],
) -> None:
    """Ever narrower layouts, each handed to ``keep``.

    Parameters
    ----------
    effort
        Times that each step is tried before a smaller one is taken.
    """
    best = solved(task, seed, tick)
    if best is None:
        return
    keep(best)
    rng = np.random.default_rng(seed)
    for nodes, grown, steps in _PHASES:
        grid = Grid(_cropped(task, used_mm(task, best)), grown, nodes)
        for step in steps:
            failures = 0
            while failures < effort:
                search = OverlapRemoval(grid, seed + 101 * failures)
                search.limit_mm = used_mm(task, best) * (1 - step)
                for s in best:
                    if s.piece in task.free:
                        search.at[s.piece] = (s.turn, *grid.node(s.x_mm, s.y_mm))
                if failures:
                    _swapped(search, rng)
                search.drop_outside()
                found = exact(task, search.spots()) if search.solve(_SWEEPS, tick) else None
                if found is None or used_mm(task, found) >= used_mm(task, best) - 0.1:
                    failures += 1
                    continue
                best, failures = found, 0
                keep(best)


def _cropped(task: Task, length_mm: float) -> Task:
    """The task in a bay no longer than the strip, where the bay is rectangular."""
    width, height = task.size_mm
    if task.shape.area < 0.9999 * width * height or length_mm >= width:
        return task
    return replace(task, shape=box(0, 0, length_mm, height))


def _swapped(search: OverlapRemoval, rng: np.random.Generator) -> None:
    """Two pieces, large ones rather, change places: a way out of an arrangement that is stuck."""
    free = [i for i in search.free if i in search.at]
    if len(free) < 2:
        return
    area = np.array([search.task.pieces[i].variants[0].envelope.area for i in free])
    a, b = rng.choice(len(free), 2, replace=False, p=area / area.sum())
    one, other = free[a], free[b]
    (ta, ca, ra), (tb, cb, rb) = search.at[one], search.at[other]
    search.at[one], search.at[other] = (ta, cb, rb), (tb, ca, ra)
