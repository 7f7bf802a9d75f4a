"""What would help where a set does not fit: a larger bay, fewer tools, smaller gaps.

Every answer has been tried: a bay is named because a layout for it was found, tools because the
rest was laid out without them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from shapely import affinity
from shapely.geometry import Polygon, box

from tracer.panel.packing.grid import Grid
from tracer.panel.packing.overlap import OverlapRemoval, dropped
from tracer.panel.packing.settle import exact
from tracer.panel.packing.task import Task

__all__ = ["Shortfall", "closer", "fits", "least_bay", "least_sizes", "too_many", "without"]

Tick = Callable[[], None]

#: sizes that a person types
_STEP_MM = 5.0
_SWEEPS = 14
#: a bay is made smaller by this factor until no layout is found any more
_SHRINK = 0.96


@dataclass(frozen=True)
class Shortfall:
    """What was found to help.

    Attributes
    ----------
    of_width, of_height, of_shape
        Smallest bays found, in mm: of the same width, of the same height, of the same shape.
    left_out
        Ids of tools without which the rest fits.
    gap_mm
        Gap between tools with which all fit.
    closer_fit
        Whether all fit with a closer fit class (about a millimetre per side).
    """

    of_width: tuple[float, float] | None = None
    of_height: tuple[float, float] | None = None
    of_shape: tuple[float, float] | None = None
    left_out: tuple[str, ...] = ()
    gap_mm: float | None = None
    closer_fit: bool = False


def fits(task: Task, seed: int, tick: Tick, along_y: bool = False) -> bool:
    """Whether a layout is found with little effort."""
    return _tried(task, seed, tick, along_y) is not None


def _tried(task: Task, seed: int, tick: Tick, along_y: bool) -> tuple[float, float] | None:
    """Width and height used by a layout, distances to the rim included, or None."""
    if any(
        not any(task.fits_alone(i, t) for t in range(len(task.pieces[i].variants)))
        for i in task.free
    ):
        return None
    search = OverlapRemoval(Grid(task, 0.5), seed, along_y=along_y)
    order = sorted(task.free, key=lambda i: (-task.pieces[i].variants[0].envelope.area, i))
    dropped(search, order)
    if not search.solve(_SWEEPS, tick):
        return None
    spots = exact(task, search.spots())
    if spots is None:
        return None
    normals = task.rim.normals
    right, top = int(normals[:, 0].argmax()), int(normals[:, 1].argmax())
    return (
        max(s.x_mm + float(task.variant(s).reach_mm[right]) for s in spots),
        max(s.y_mm + float(task.variant(s).reach_mm[top]) for s in spots),
    )


def _resized(task: Task, width: float, height: float) -> Task:
    """The task in a bay of another size and the same shape."""
    shape = task.shape
    scaled = affinity.scale(shape, width / task.size_mm[0], height / task.size_mm[1], origin=(0, 0))
    assert isinstance(scaled, Polygon)
    return replace(task, shape=scaled)


def _rectangular(task: Task) -> bool:
    return bool(task.shape.equals_exact(box(*task.shape.bounds), 0.01)) or bool(
        abs(task.shape.area - box(*task.shape.bounds).area) < 1.0
    )


def least_sizes(
    task: Task, seed: int, tick: Tick
) -> tuple[tuple[float, float] | None, tuple[float, float] | None, tuple[float, float] | None]:
    """Smallest bays found of the same width, height, and shape; None where none was found.

    For a bay out of square only that of the same shape is looked for, since the distances of a
    slanted side change with it.
    """
    width, height = task.size_mm
    square = _rectangular(task)
    of_width = _least(task, lambda f: (width, height * f), seed, tick, True) if square else None
    of_height = _least(task, lambda f: (width * f, height), seed, tick, False) if square else None
    root = _least(task, lambda f: (width * math.sqrt(f), height * math.sqrt(f)), seed, tick, False)
    return of_width, of_height, root


def least_bay(task: Task, seed: int, tick: Tick) -> tuple[float, float] | None:
    """Smallest bay found of the task's shape, smaller than its own where that does."""
    width, height = task.size_mm
    return _least(
        task, lambda f: (width * math.sqrt(f), height * math.sqrt(f)), seed, tick, False, least=0.01
    )


def _least(
    task: Task,
    size: Callable[[float], tuple[float, float]],
    seed: int,
    tick: Tick,
    along_y: bool,
    least: float = 1.0,
) -> tuple[float, float] | None:
    """Smallest size found along a family of bays, by growing and then shrinking the area.

    ``least``: share of the task's own size that is the smallest of interest.
    """
    area = sum(task.pieces[i].variants[0].envelope.area for i in task.free)
    area += sum(float(b.area) for b in task.blocked)
    at = max(least, 1.25 * area / task.shape.area)
    found = None
    for _ in range(14 if least == 1.0 else 50):
        if fits(_resized(task, *size(at)), seed, tick, along_y):
            found = at
            break
        at *= 1.12
    if found is None:
        return None
    while found * _SHRINK > least and fits(
        _resized(task, *size(found * _SHRINK)), seed, tick, along_y
    ):
        found *= _SHRINK
    width, height = (math.ceil(v / _STEP_MM - 1e-6) * _STEP_MM for v in size(found))
    # a measure that was not to change is not rounded
    w0, h0 = task.size_mm
    same = size(found)
    return (w0 if same[0] == w0 else width, h0 if same[1] == h0 else height)


def without(task: Task, out: Sequence[int]) -> Task:
    """The task without some pieces."""
    keep = [i for i in range(len(task.pieces)) if i not in set(out)]
    number = {old: new for new, old in enumerate(keep)}
    return replace(
        task,
        pieces=tuple(task.pieces[i] for i in keep),
        reach=tuple(task.reach[i] for i in keep),
        stays=tuple(replace(s, piece=number[s.piece]) for s in task.stays if s.piece in number),
    )


def too_many(task: Task, seed: int, tick: Tick) -> tuple[str, ...]:
    """Fewest tools found to be left out, small ones where one is enough; empty where none help."""
    area = [task.pieces[i].variants[0].envelope.area for i in range(len(task.pieces))]
    alone = [
        i
        for i in task.free
        if not any(task.fits_alone(i, t) for t in range(len(task.pieces[i].variants)))
    ]
    rest = [i for i in sorted(task.free, key=lambda i: (-area[i], i)) if i not in alone]
    for count in range(0 if alone else 1, len(rest)):
        out = [*alone, *rest[:count]]
        if not fits(without(task, out), seed, tick):
            continue
        if count == 1:
            # a smaller one may do
            for k in np.unique(np.linspace(len(rest) - 1, 1, 6).astype(int))[::-1]:
                if fits(without(task, [*alone, rest[k]]), seed, tick):
                    out = [*alone, rest[k]]
                    break
        return tuple(m.pocket_id for i in out for m in task.pieces[i].members)
    return ()


def closer(task: Task, by_mm: float) -> Task:
    """The task with every opening narrower by so much on each side."""
    pieces = tuple(
        replace(
            p,
            variants=tuple(
                replace(v, envelope=_shrunk(v.envelope, by_mm), reach_mm=v.reach_mm - by_mm)
                for v in p.variants
            ),
        )
        for p in task.pieces
    )
    return replace(task, pieces=pieces)


def _shrunk(shape: Polygon, by_mm: float) -> Polygon:
    smaller = shape.buffer(-by_mm)
    return smaller if isinstance(smaller, Polygon) and not smaller.is_empty else shape
