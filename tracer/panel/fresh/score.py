"""What makes a layout good: soft rules, each a figure from 0 to 1 with a weight.

Figures look at places alone, not at how a layout was made, so that a photographed lay and a
tidied one can be held against a fresh one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity

from tracer.model.panel import BayKind
from tracer.panel.packing.task import Spot, Task

__all__ = ["TERMS", "Score", "Term", "free_rectangle", "score", "weights_for"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Term:
    """A soft rule: what it asks, its weight on a wall and in a drawer, and where it comes from."""

    asks: str
    wall: float
    drawer: float
    basis: str


_HABIT, _OWN = "common practice, no source", "own choice"

TERMS: dict[str, Term] = {
    "rows": Term("share of tools in line with another one", 3.0, 3.0, _HABIT),
    "gaps": Term("even gaps along the rows", 2.0, 2.0, _HABIT),
    "axes": Term("share of long tools with parallel sides", 3.0, 3.0, _HABIT),
    "heads": Term("share of long tools with the heavy end the same way", 2.0, 2.0, _HABIT),
    "kin": Term("like tools beside each other", 2.0, 2.0, "grouped by task: " + _HABIT),
    "sizes": Term("sets in order of size", 1.5, 1.5, _OWN),
    "heavy": Term("heavy tools low on a wall, in front in a drawer", 3.0, 1.0, _HABIT),
    "daily": Term("daily tools in front or outermost", 2.0, 2.0, "within reach: " + _HABIT),
    "centred": Term("equal margins left and right, large tools in the middle", 2.0, 1.0, _HABIT),
    "spare": Term("free room in one piece, or spread, as asked", 1.0, 1.5, _OWN),
    "symmetry": Term("alike left and right of the middle", 1.0, 0.5, _OWN),
}

_IN_LINE_MM = 2.0
#: what the eye takes for parallel (own choice), and for pointing the same way
_PARALLEL_DEG, _ONE_WAY_DEG = 2.0, 10.0
_CELL_MM = 10.0


@dataclass(frozen=True)
class Score:
    """Figures by term (those that apply), and their weighted mean."""

    total: float
    terms: Mapping[str, float]
    spare_mm: tuple[float, float]


def weights_for(kind: BayKind, typed: Mapping[str, float]) -> dict[str, float]:
    """Weights in force."""
    usual = {n: t.wall if kind is BayKind.WALL else t.drawer for n, t in TERMS.items()}
    return usual | dict(typed)


def score(
    task: Task, spots: Sequence[Spot], weights: Mapping[str, float], *, spread: bool = False
) -> Score:
    """Figures of a layout. ``spread``: free room is wanted evenly, not in one piece."""
    boxes = np.array([_box(task, s) for s in spots])
    found: dict[str, float | None] = {
        "rows": _rows(boxes),
        "gaps": _gaps(task, spots, boxes),
        "axes": _axes(task, spots),
        "heads": _heads(task, spots),
        "kin": _kin(task, spots, boxes),
        "sizes": _sizes(task, spots, boxes),
        "heavy": _heavy(task, spots),
        "daily": _daily(task, spots, boxes),
        "centred": _centred(task, boxes),
        "symmetry": _symmetry(task, boxes),
    }
    rectangle = free_rectangle(task, boxes)
    if spread:
        found["spare"] = _evenness(task, boxes)
    else:
        free = max(task.shape.area - sum(task.variant(s).envelope.area for s in spots), 1.0)
        found["spare"] = min(rectangle[0] * rectangle[1] / free, 1.0)
    terms = {n: round(v, 4) for n, v in found.items() if v is not None}
    weight = sum(weights[n] for n in terms)
    total = sum(weights[n] * v for n, v in terms.items()) / weight if weight else 0.0
    return Score(round(total, 4), {n: terms[n] for n in TERMS if n in terms}, rectangle)


def _box(task: Task, spot: Spot) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = task.variant(spot).tool.bounds
    return x0 + spot.x_mm, y0 + spot.y_mm, x1 + spot.x_mm, y1 + spot.y_mm


def _lines(boxes: Array, axis: int) -> Array:
    """(N, 3) low edge, middle, high edge along an axis."""
    a, b = boxes[:, axis], boxes[:, axis + 2]
    return np.column_stack([a, (a + b) / 2, b])


def _rows(boxes: Array) -> float | None:
    if len(boxes) < 2:
        return None
    best = []
    for axis in (0, 1):
        lines = _lines(boxes, axis)
        apart = np.abs(lines[:, None, :] - lines[None, :, :]).min(axis=2)
        np.fill_diagonal(apart, np.inf)
        # in line with a tool beside it, not with one at the other end of the bay
        other = _lines(boxes, 1 - axis)
        reach = np.sort(np.abs(other[:, None, 1] - other[None, :, 1]), axis=1)
        furthest = reach[:, min(4, len(boxes) - 1)][:, None]
        near = np.abs(other[:, None, 1] - other[None, :, 1]) <= furthest
        best.append(((apart <= _IN_LINE_MM) & near).any(axis=1))
    return float(np.logical_or(*best).mean())


def _neighbours(boxes: Array, axis: int) -> list[tuple[int, int]]:
    """Each tool and the next one along an axis whose boxes overlap across it by half."""
    found = []
    a, b = 1 - axis, 3 - axis
    for i, box in enumerate(boxes):
        height = np.minimum(box[b] - box[a], boxes[:, b] - boxes[:, a])
        common = np.minimum(box[b], boxes[:, b]) - np.maximum(box[a], boxes[:, a])
        after = np.flatnonzero((common >= 0.5 * height) & (boxes[:, axis] > box[axis + 2] - 1e-6))
        if len(after):
            found.append((i, int(after[boxes[after, axis].argmin()])))
    return found


def _gaps(task: Task, spots: Sequence[Spot], boxes: Array) -> float | None:
    pairs = max((_neighbours(boxes, axis) for axis in (0, 1)), key=len)
    if len(pairs) < 2:
        return None
    shapes = [affinity.translate(task.variant(s).envelope, s.x_mm, s.y_mm) for s in spots]
    first, second = (np.array([shapes[p[k]] for p in pairs]) for k in (0, 1))
    apart = shapely.distance(first, second) + task.gap_mm
    return float(max(0.0, 1.0 - apart.std() / max(apart.mean(), 1e-9)))


def _alike(angles: Sequence[float], whole_deg: float, within_deg: float) -> float | None:
    """Largest share of angles that agree, going round."""
    if len(angles) < 2:
        return None
    a = np.array(angles)
    off = np.abs((a[:, None] - a[None, :] + whole_deg / 2) % whole_deg - whole_deg / 2)
    return float((off <= within_deg).mean(axis=1).max())


def _axes(task: Task, spots: Sequence[Spot]) -> float | None:
    long = [task.variant(s).stands_deg for s in spots if task.pieces[s.piece].long]
    return _alike(long, 180.0, _PARALLEL_DEG)


def _heads(task: Task, spots: Sequence[Spot]) -> float | None:
    ways = [(task.variant(s).stands_deg, task.pieces[s.piece].way) for s in spots]
    return _alike([a if w > 0 else a + 180.0 for a, w in ways if w], 360.0, _ONE_WAY_DEG)


def _groups(task: Task, spots: Sequence[Spot], least: int) -> list[list[int]]:
    kin: dict[str, list[int]] = {}
    for k, s in enumerate(spots):
        kin.setdefault(task.pieces[s.piece].kin, []).append(k)
    return [g for g in kin.values() if len(g) >= least]


def _kin(task: Task, spots: Sequence[Spot], boxes: Array) -> float | None:
    groups = _groups(task, spots, 2)
    if not groups or len(boxes) < 3:
        return None
    after = boxes[:, None, :2] - boxes[None, :, 2:]
    apart = np.linalg.norm(np.maximum(np.maximum(after, after.transpose(1, 0, 2)), 0.0), axis=2)
    np.fill_diagonal(apart, np.inf)
    held = total = 0
    for group in groups:
        for k in group:
            near = np.argsort(apart[k], kind="stable")[:2]
            held += any(int(n) in group for n in near)
            total += 1
    return held / total


def _sizes(task: Task, spots: Sequence[Spot], boxes: Array) -> float | None:
    groups = _groups(task, spots, 3)
    middles = (boxes[:, :2] + boxes[:, 2:]) / 2
    shares = []
    for group in groups:
        sizes = np.array([task.pieces[spots[k].piece].size_mm for k in group])
        if sizes.max() < 1.05 * sizes.min():
            continue  # all the same: no order to keep
        axis = int(np.ptp(middles[group], axis=0).argmax())
        order = np.argsort(middles[group, axis], kind="stable")
        steps = [float(b - a) for a, b in pairwise(sizes[order])]
        up = sum(d >= -0.5 for d in steps)
        down = sum(d <= 0.5 for d in steps)
        shares.append(max(up, down) / len(steps))
    return float(np.mean(shares)) if shares else None


def _heavy(task: Task, spots: Sequence[Spot]) -> float | None:
    mass = np.array([task.pieces[s.piece].mass_kg for s in spots])
    y = np.array([s.y_mm for s in spots])
    if len(mass) < 2 or np.ptp(mass) <= 0 or np.ptp(y) < 1.0:
        return None
    low, high = y.min(), y.max()
    # against the best that these heights allow: heaviest at the lowest of them, and the reverse
    order = np.sort(mass)
    best, worst = order @ np.sort(y)[::-1], order @ np.sort(y)
    value = (worst - mass @ y) / (worst - best) if worst > best else 1.0
    return float(value) if high > low else None


def _daily(task: Task, spots: Sequence[Spot], boxes: Array) -> float | None:
    daily = [k for k, s in enumerate(spots) if task.pieces[s.piece].daily]
    if not daily:
        return None
    width, height = task.size_mm
    values = []
    for k in daily:
        front = 1.0 - (boxes[k, 1] + boxes[k, 3]) / 2 / height
        side = 1.0 - min(boxes[k, 0], width - boxes[k, 2]) / (width / 2)
        values.append(front if task.kind is BayKind.DRAWER else max(side, front))
    return float(np.mean(values))


def _centred(task: Task, boxes: Array) -> float:
    width, _ = task.size_mm
    left, right = boxes[:, 0].min(), width - boxes[:, 2].max()
    margins = 1.0 - abs(left - right) / max(left + right, 1e-9)
    area = (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])
    large = np.flatnonzero(area > 2.5 * np.median(area))
    if not len(large):
        return float(margins)
    # several large ones are balanced about the middle
    x = np.average((boxes[large, 0] + boxes[large, 2]) / 2, weights=area[large])
    return float((margins + 1.0 - min(abs(x - width / 2) / (width / 2), 1.0)) / 2)


def _raster(task: Task, boxes: Array, grow_mm: float = 0.0) -> NDArray[np.bool_]:
    width, height = task.size_mm
    taken = np.zeros((math.ceil(height / _CELL_MM), math.ceil(width / _CELL_MM)), bool)
    low = np.floor((boxes[:, :2] - grow_mm) / _CELL_MM).astype(int).clip(0)
    high = np.ceil((boxes[:, 2:] + grow_mm) / _CELL_MM).astype(int)
    for (x0, y0), (x1, y1) in zip(low, high, strict=True):
        taken[y0:y1, x0:x1] = True
    return taken


def _symmetry(task: Task, boxes: Array) -> float:
    taken = _raster(task, boxes)
    other = taken[:, ::-1]
    return float((taken & other).sum() / max((taken | other).sum(), 1))


def _evenness(task: Task, boxes: Array) -> float:
    """How evenly free room is spread: tools in each ninth of the bay, against their mean."""
    taken = _raster(task, boxes)
    bands = np.array_split(taken, 3, axis=0)
    parts = [cell.mean() for band in bands for cell in np.array_split(band, 3, axis=1)]
    return float(max(0.0, 1.0 - np.std(parts) / max(float(np.mean(parts)), 1e-9)))


def free_rectangle(task: Task, boxes: Array) -> tuple[float, float]:
    """Width and height of the largest free rectangle, half a gap from the tools around it."""
    taken = _raster(task, boxes, task.gap_mm / 2)
    for region in task.blocked:
        if not region.is_empty:
            taken |= _raster(task, np.array([region.bounds]))
    heights = np.zeros(taken.shape[1], int)
    best, size = 0, (0.0, 0.0)
    for n, row in enumerate(taken):
        heights = np.where(row, 0, heights + 1)
        if n + 1 < len(taken) and not (taken[n + 1] & (heights > 0)).any():
            continue  # every rectangle that ends here can be made taller
        stack: list[tuple[int, int]] = []
        for k, h in enumerate([*heights.tolist(), 0]):
            start = k
            while stack and stack[-1][1] >= h:
                start, tall = stack.pop()
                if tall * (k - start) > best:
                    best = tall * (k - start)
                    size = (k - start) * _CELL_MM, tall * _CELL_MM
            stack.append((start, h))
    width, height = task.size_mm
    return min(size[0], width), min(size[1], height)
