"""The smallest strip that holds all pieces: separation on a raster, narrower step by step."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from tracer.panel.packing.grid import Grid
from tracer.panel.packing.overlap import OverlapRemoval, dropped
from tracer.panel.packing.settle import exact
from tracer.panel.packing.task import Spot, Task

__all__ = ["packed", "solved", "used_mm"]

Tick = Callable[[], None]

#: growth of the raster's shapes in cells, and sweeps, from easy to tight
_STAGES = ((0.5, 12), (0.35, 40), (0.2, 80))
#: a strip is narrowed by this share of its length at first, then by ever less
_STEPS = (0.06, 0.03, 0.015, 0.008)


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
    for grown in (0.5, 0.25):
        grid = Grid(task, grown)
        for step in _STEPS:
            failures = 0
            while failures < effort:
                length = used_mm(task, best) * (1 - step)
                search = OverlapRemoval(grid, seed + 101 * failures)
                search.limit_mm = length
                for s in best:
                    if s.piece in task.free:
                        search.at[s.piece] = (s.turn, *grid.node(s.x_mm, s.y_mm))
                search.drop_outside()
                found = (
                    exact(task, search.spots()) if search.solve(20 + 12 * effort, tick) else None
                )
                if found is None or used_mm(task, found) >= used_mm(task, best) - 0.1:
                    failures += 1
                    continue
                best = found
                keep(best)
