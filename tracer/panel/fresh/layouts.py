"""Layouts made from nothing: outlines and rules in, the best different layouts out.

Every style is searched by counted steps, never by the clock, so that the same task and seed give
the same layouts everywhere. What is returned has passed the exact test of every hard rule.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from tracer.model.panel_plan import Style
from tracer.panel.fresh.lines import Taste, lined_up
from tracer.panel.fresh.score import score, weights_for
from tracer.panel.fresh.search import Found, Pool, RowSearch, different
from tracer.panel.packing.dense import packed, solved, used_mm
from tracer.panel.packing.grid import Grid
from tracer.panel.packing.settle import exact
from tracer.panel.packing.task import Spot, Task, clashes

__all__ = ["EFFORTS", "Effort", "Wishes", "make_layouts"]


@dataclass(frozen=True)
class Effort:
    """How long to search: orders of rows, changes to the best, lines, tries at a strip."""

    rows: int
    changes: int
    lines: int
    strips: int


EFFORTS = {
    "quick": Effort(12, 10, 5, 1),
    "usual": Effort(40, 80, 24, 2),
    "long": Effort(150, 600, 120, 6),
}


@dataclass(frozen=True)
class Wishes:
    """What is asked of the layouts.

    ``even``: free room is spread evenly, else kept in one piece. ``first``: the first layout that
    keeps the hard rules is enough.
    """

    style: Style = Style.ROWS
    seed: int = 0
    effort: Effort = EFFORTS["usual"]
    weights: Mapping[str, float] = field(default_factory=dict)
    even: bool = False
    count: int = 3
    first: bool = False


class _Enough(Exception):
    """What was asked for is there."""


#: side that is filled from, and whether long tools stand (0) or lie (1), best ones first
_SIDES = ((0, 0), (3, 1), (2, 0), (1, 1), (3, 0), (1, 0), (0, 1))


class _Ticker:
    """Counts moves towards an expected number, and tells how far the search is."""

    def __init__(self, expected: int, tell: Callable[[float], None] | None) -> None:
        self.expected, self.tell, self.count = max(expected, 1), tell, 0
        self.enough: Callable[[], bool] = lambda: False

    def __call__(self) -> None:
        self.count += 1
        if self.enough():
            raise _Enough
        if self.tell and self.count % 8 == 0:
            # the number of moves is not known in advance: an ever slower approach to the end
            self.tell(self.count / (self.count + self.expected / 2))


def make_layouts(
    task: Task, wishes: Wishes, progress: Callable[[float], None] | None = None
) -> tuple[Found, ...]:
    """The best different layouts, best first; empty where none was found.

    A `KeyboardInterrupt` that ``progress`` raises, or that comes from outside, ends the search and
    keeps the best so far; without any it goes through.
    """
    weights = weights_for(task.kind, wishes.weights)
    pool = Pool(task)
    n = len(task.free)
    effort = wishes.effort
    tick = _Ticker(effort.rows + 3 * effort.changes + n * effort.lines, progress)
    if wishes.first:
        tick.enough = lambda: bool(pool.found)
    try:
        if wishes.style is Style.DENSE:
            _dense(task, wishes, weights, pool, tick)
        else:
            _rows(task, wishes, weights, pool, tick)
    except KeyboardInterrupt:
        if not pool.found:
            raise
    except _Enough:
        pass
    return tuple(_three(task, pool, wishes))


def _three(task: Task, pool: Pool, wishes: Wishes) -> list[Found]:
    if wishes.style is not Style.DENSE:
        return pool.best(wishes.count)
    chosen: list[Found] = []
    for one in sorted(pool.found, key=lambda f: used_mm(task, f.spots)):
        if all(different(task, one.spots, c.spots) for c in chosen):
            chosen.append(one)
    return chosen[: wishes.count]


def _rows(
    task: Task, wishes: Wishes, weights: Mapping[str, float], pool: Pool, tick: _Ticker
) -> None:
    spread = 9.0 if wishes.style is Style.SPREAD else 1.0 if wishes.even else 0.5
    even = wishes.even or wishes.style is Style.SPREAD
    search = RowSearch(task, weights, spread, even, wishes.seed)
    search.pool = pool
    search.style = wishes.style.value
    search.begin(wishes.effort.rows, tick)
    _on_lines(task, wishes, weights, pool, tick)
    search.climb(wishes.effort.changes, tick)
    if not pool.found:
        spots = solved(task, wishes.seed, tick)
        if spots is not None:
            figures = score(task, spots, weights, spread=even)
            pool.add(Found(spots, figures, Style.DENSE.value))


def _on_lines(
    task: Task, wishes: Wishes, weights: Mapping[str, float], pool: Pool, tick: _Ticker
) -> None:
    """Layouts on lines from all sides, with tastes shaken; wider gaps first where wanted."""
    rng = np.random.default_rng(wishes.seed + 7)
    even = wishes.even or wishes.style is Style.SPREAD
    area = {i: task.pieces[i].variants[0].envelope.area for i in task.free}
    widths: tuple[float, ...] = (0.5,)
    base = Grid(task, 0.5)
    if wishes.style is Style.SPREAD:
        widths = (*tuple(0.5 + f * task.gap_mm / base.cell_mm for f in (0.5, 0.25)), 0.5)
    grids = [base if w == 0.5 else Grid(task, w) for w in widths]
    ways = [p.way for p in task.pieces if p.long]
    main = 1 if sum(ways) >= 0 else -1
    plain = [Taste(side, upright, main) for side, upright in _SIDES]
    for k in range(wishes.effort.lines):
        if k < len(plain):
            taste, noise = plain[k], 0.0
        else:
            taste = replace(
                plain[int(rng.integers(4))],
                line=float(rng.uniform(20, 80)),
                cross=float(rng.uniform(5, 40)),
                kin=float(rng.uniform(0, 0.8)),
                along=float(rng.uniform(0.05, 0.6)),
                askew=float(rng.uniform(60, 300)),
                head=float(rng.uniform(20, 200)),
            )
            noise = 0.25
        large = {i: a * (1 + noise * float(rng.standard_normal())) for i, a in area.items()}
        kin: dict[str, float] = {}
        for i, a in large.items():
            name = task.pieces[i].kin
            kin[name] = max(kin.get(name, 0.0), a)
        together = k % 2 == 1
        order = sorted(
            task.free,
            key=lambda i: (-kin[task.pieces[i].kin] if together else -large[i], -large[i], i),
        )
        for grid in grids:
            # only the first tries are helped on where a piece finds no place
            sweeps = 12 if k < 4 and grid is base else 0
            spots = lined_up(grid, order, taste, wishes.seed + k, sweeps, tick)
            if spots is None:
                continue
            for variant in _set_in(task, spots, even):
                figures = score(task, variant, weights, spread=even)
                pool.add(Found(variant, figures, wishes.style.value))
            break


def _set_in(task: Task, spots: tuple[Spot, ...], even: bool) -> list[tuple[Spot, ...]]:
    """The layout as found, set in the middle, and spread over the bay, where these are sound."""
    if task.stays or task.blocked:
        return [spots]
    out = [spots]
    centred = _shifted(task, spots)
    if not clashes(task, centred):
        out.append(centred)
    if even:
        wide = exact(task, _stretched(task, spots), rounds=20)
        if wide is not None:
            out.append(wide)
    return out


def _slack(task: Task, spots: Sequence[Spot]) -> tuple[float, float, float, float]:
    """Room left: left, bottom, right, top."""
    slack = np.min([task.slack_mm(s) for s in spots], axis=0)
    normals = task.rim.normals
    found = [
        float(slack[normals @ np.array(axis) > 0.7].min())
        for axis in ((-1.0, 0.0), (0.0, -1.0), (1.0, 0.0), (0.0, 1.0))
    ]
    return found[0], found[1], found[2], found[3]


def _shifted(task: Task, spots: Sequence[Spot]) -> tuple[Spot, ...]:
    left, bottom, right, top = _slack(task, spots)
    dx, dy = round((right - left) / 2, 1), round((top - bottom) / 2, 1)
    return tuple(replace(s, x_mm=round(s.x_mm + dx, 1), y_mm=round(s.y_mm + dy, 1)) for s in spots)


def _stretched(task: Task, spots: Sequence[Spot]) -> tuple[Spot, ...]:
    """Middles spread in proportion until the outermost tools stand at their margins."""
    left, bottom, right, top = _slack(task, spots)
    out = list(spots)
    for axis, low, high in ((0, left, right), (1, bottom, top)):
        at = np.array([(s.x_mm, s.y_mm)[axis] for s in out])
        span = np.ptp(at)
        if span < 1.0:
            continue
        new = (at - at.min()) / span * (span + low + high) + at.min() - low
        at_mm = [round(float(v), 1) for v in new]
        out = [
            replace(s, x_mm=v) if axis == 0 else replace(s, y_mm=v)
            for s, v in zip(out, at_mm, strict=True)
        ]
    return tuple(out)


def _dense(
    task: Task, wishes: Wishes, weights: Mapping[str, float], pool: Pool, tick: _Ticker
) -> None:
    def keep(spots: tuple[Spot, ...]) -> None:
        figures = score(task, spots, weights, spread=False)
        pool.found.append(Found(spots, figures, Style.DENSE.value))

    for seed in range(min(wishes.effort.strips, wishes.count)):
        packed(task, wishes.seed + 1000 * seed, wishes.effort.strips, tick, keep)
        if not pool.found:
            return
