"""The distances that a maker checks with a tape before cutting and after gluing.

Level distances run between the widest points of a tool's pocket (finger notches apart) and of its
neighbour to the left (or the panel's rim), upright ones to its neighbour below; so every place can
be checked from one that has been checked before.
"""

from __future__ import annotations

from collections.abc import Sequence

from tracer.model.panel import Dimension, Panel

__all__ = ["tape_dimensions"]

Box = tuple[float, float, float, float]


def tape_dimensions(panel: Panel) -> tuple[Dimension, ...]:
    """Panel width, height and diagonals; then of each pocket left and below."""
    x0, y0, x1, y1 = panel.shape.bounds
    found = [
        Dimension("width", (x0, y0), (x1, y0)),
        Dimension("height", (x0, y0), (x0, y1)),
    ]
    corners = [(float(x), float(y)) for x, y in panel.shape.exterior.coords[:-1]]
    if len(corners) == 4:
        lower_left = min(corners, key=lambda c: c[0] + c[1])
        upper_right = max(corners, key=lambda c: c[0] + c[1])
        upper_left = min(corners, key=lambda c: c[0] - c[1])
        lower_right = max(corners, key=lambda c: c[0] - c[1])
        found += [
            Dimension("rising diagonal", lower_left, upper_right),
            Dimension("falling diagonal", upper_left, lower_right),
        ]
    boxes: list[Box] = [p.region.bounds for p in panel.pockets]
    names = [str(p.number) for p in panel.pockets]
    for axis, rim, far in ((0, "left edge", "right edge"), (1, "lower edge", "upper edge")):
        limits = panel.shape.bounds[axis], panel.shape.bounds[axis + 2]
        for i, me in enumerate(boxes):
            j = _before(i, boxes, axis)
            start = limits[0] if j is None else boxes[j][axis + 2]
            found.append(
                _span(f"{rim if j is None else names[j]} to {names[i]}", axis, start, me, me[axis])
            )
        for i, me in enumerate(boxes):
            if not any(_after(me, box, axis) for box in boxes):
                found.append(_span(f"{names[i]} to {far}", axis, me[axis + 2], me, limits[1]))
    return tuple(found)


def _before(i: int, boxes: Sequence[Box], axis: int) -> int | None:
    """The nearest box that lies wholly before box ``i`` along an axis and beside it across."""
    me, a, b = boxes[i], axis, 1 - axis
    nearest = None
    for j, box in enumerate(boxes):
        beside = min(me[b + 2], box[b + 2]) - max(me[b], box[b])
        if j == i or box[a + 2] > me[a] or beside <= 0:
            continue
        if nearest is None or box[a + 2] > boxes[nearest][a + 2]:
            nearest = j
    return nearest


def _after(me: Box, box: Box, axis: int) -> bool:
    """Whether a box lies wholly after another along an axis and beside it across."""
    beside = min(me[3 - axis], box[3 - axis]) - max(me[1 - axis], box[1 - axis])
    return beside > 0 and box[axis] >= me[axis + 2]


def _span(name: str, axis: int, start: float, me: Box, end: float) -> Dimension:
    across = (me[1 - axis] + me[3 - axis]) / 2
    if axis == 0:
        return Dimension(name, (start, across), (end, across))
    return Dimension(name, (across, start), (across, end))
