"""Tidying a lay: angles straightened, rows found, gaps made equal, rows and pairs centred.

Vocabulary
----------
row tree
    The lay is cut along straight gaps that run right across it, first into bands above each
    other, each band into columns, and so on, until nothing can be cut. A *row* is a node whose
    children stand side by side, a *stack* one whose children stand above each other.
limit
    No tool is moved within its row by more than the given shift, nor turned by more than the
    given angle; a row that would need more stays as it was, and says so.

Because a node's children only ever move along with gaps that stay open, tidying cannot make
openings overlap.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import Polygon

from tracer.panel.layout.axis import axis_rad
from tracer.panel.layout.placement import Item, middle

__all__ = ["Change", "Tidied", "same_shape", "tidy"]

Box = tuple[float, float, float, float]

#: openings of one shape differ by the outlines' noise, not by more
SAME_SHAPE_MM = 1.5
#: cells of a row that differ by no more are made alike for the sake of a pair
UNEVEN_MM = 12.0
#: a gap this many times the middle one, and this much wider, parts groups
WIDE_GAP, WIDER_BY_MM = 2.5, 25.0


@dataclass(frozen=True)
class Change:
    """What tidying did to one tool, apart from the shift of the whole lay."""

    pocket_id: str
    dx_mm: float
    dy_mm: float
    turn_deg: float


@dataclass(frozen=True)
class Tidied:
    """The lay after tidying: items, what was changed, and what was left because of a limit.

    ``rows`` lists the pocket ids of each row from left to right; ``refused`` pairs the ids of a
    row with the shift it would have needed.
    """

    items: tuple[Item, ...]
    changes: tuple[Change, ...]
    rows: tuple[tuple[str, ...], ...] = ()
    refused: tuple[tuple[tuple[str, ...], float], ...] = ()


def straightened(item: Item, max_turn_rad: float) -> tuple[Item, float]:
    """The item turned so that its axis runs along or across the panel; and by how much."""
    axis = axis_rad(item.placed)
    if axis is None:
        return item, 0.0
    turn = round(axis / (math.pi / 2)) * (math.pi / 2) - axis
    if abs(turn) > max_turn_rad or abs(turn) < 1e-9:
        return item, 0.0
    return item.turned(turn), turn


def same_shape(first: Polygon, second: Polygon) -> str | None:
    """``same`` or ``mirrored`` when two shapes agree after moving one onto the other, else None."""
    if abs(first.area - second.area) > SAME_SHAPE_MM * first.length:
        return None
    turns = (axis_rad(first), axis_rad(second))
    if turns[0] is None or turns[1] is None:
        return None
    a = _upright(first, turns[0])
    for mirrored in (False, True):
        flipped = affinity.scale(second, -1, 1, origin=(0, 0)) if mirrored else second
        axis = -turns[1] if mirrored else turns[1]
        for half_turn in (0.0, math.pi):
            b = _upright(flipped, axis + half_turn)
            if shapely.hausdorff_distance(a.exterior, b.exterior, densify=0.2) < SAME_SHAPE_MM:
                return "mirrored" if mirrored else "same"
    return None


def _upright(shape: Polygon, axis: float) -> Polygon:
    turned = affinity.rotate(shape, -axis, origin=(0, 0), use_radians=True)
    x, y = middle(turned.bounds)
    return affinity.translate(turned, -x, -y)


# -- the row tree -------------------------------------------------------------------------------


@dataclass
class _Node:
    """A cell of the row tree: members, the axis its children stand along (0 x, 1 y)."""

    members: list[int]
    axis: int = -1
    children: list[_Node] = field(default_factory=list)


def _cut(members: list[int], boxes: Sequence[Box], axis: int) -> list[list[int]]:
    """Members parted along the gaps that run right across, in rising order of the axis."""
    order = sorted(members, key=lambda i: (boxes[i][axis], i))
    groups, reach = [[order[0]]], boxes[order[0]][axis + 2]
    for i in order[1:]:
        if boxes[i][axis] > reach:
            groups.append([i])
        else:
            groups[-1].append(i)
        reach = max(reach, boxes[i][axis + 2])
    return groups


def _tree(members: list[int], boxes: Sequence[Box], first: int = 1) -> _Node:
    if len(members) > 1:
        for axis in (first, 1 - first):
            groups = _cut(members, boxes, axis)
            if len(groups) > 1:
                children = [_tree(g, boxes, 1 - axis) for g in groups]
                return _Node(members, axis, _clustered(children, boxes, axis))
    return _Node(members)


def _clustered(children: list[_Node], boxes: Sequence[Box], axis: int) -> list[_Node]:
    """Children that stand in a group of their own, a wide gap away from the rest, as one child.

    Equal gaps are made within a group; the wide gap between groups was meant.
    """
    cells = [_box(child.members, boxes) for child in children]
    gaps = [b[axis] - a[axis + 2] for a, b in pairwise(cells)]
    wide = max(WIDE_GAP * float(np.median(gaps)), float(np.median(gaps)) + WIDER_BY_MM)
    groups = [[children[0]]]
    for child, gap in zip(children[1:], gaps, strict=True):
        if gap > wide:
            groups.append([child])
        else:
            groups[-1].append(child)
    if len(groups) < 2:
        return children
    return [
        g[0] if len(g) == 1 else _Node([i for c in g for i in c.members], axis, g) for g in groups
    ]


def _box(members: Sequence[int], boxes: Sequence[Box]) -> Box:
    b = np.array([boxes[i] for i in members])
    (x0, y0), (x1, y1) = b[:, :2].min(axis=0), b[:, 2:].max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


@dataclass
class _Layout:
    """Working state: boxes as they move, and findings."""

    boxes: list[Box]
    gap_mm: float
    room_mm: tuple[float, float]
    max_shift_mm: float
    pairs: set[tuple[int, int]]
    rows: list[list[int]] = field(default_factory=list)
    refused: list[tuple[list[int], float]] = field(default_factory=list)

    def shift(self, members: Sequence[int], dx: float, dy: float) -> None:
        for i in members:
            x0, y0, x1, y1 = self.boxes[i]
            self.boxes[i] = (x0 + dx, y0 + dy, x1 + dx, y1 + dy)

    def run(self, node: _Node) -> None:
        for child in node.children:
            self.run(child)
        if not node.children:
            return
        if node.axis == 0:
            self.rows.append([i for child in node.children for i in child.members])
        cells = [_box(child.members, self.boxes) for child in node.children]
        targets = self._targets(node, cells)
        moves = [
            (tx - (c[0] + c[2]) / 2, ty - (c[1] + c[3]) / 2)
            for (tx, ty), c in zip(targets, cells, strict=True)
        ]
        worst = max(max(abs(dx), abs(dy)) for dx, dy in moves)
        if worst > self.max_shift_mm:
            self.refused.append((list(node.members), worst))
            return
        for child, (dx, dy) in zip(node.children, moves, strict=True):
            self.shift(child.members, dx, dy)

    def _targets(self, node: _Node, cells: list[Box]) -> list[tuple[float, float]]:
        """Middle of each child: equal gaps along the axis, one line across it."""
        a = node.axis
        widths = [c[a + 2] - c[a] for c in cells]
        if a == 0:
            widths = self._paired(node, widths)
        spaces = [cells[k + 1][a] - cells[k][a + 2] for k in range(len(cells) - 1)]
        room = self.room_mm[a] - sum(widths)
        gap = max(float(np.mean(spaces)), self.gap_mm)
        gap = max(min(gap, room / len(spaces)), min(spaces), 0.0)
        start, end = _box(node.members, self.boxes)[a], _box(node.members, self.boxes)[a + 2]
        at = (start + end - sum(widths) - gap * len(spaces)) / 2
        across = [(c[1 - a] + c[3 - a]) / 2 for c in cells]
        line = (min(across) + max(across)) / 2
        targets = []
        for width in widths:
            along = at + width / 2
            targets.append((along, line) if a == 0 else (line, along))
            at += width + gap
        return targets

    def _paired(self, node: _Node, widths: list[float]) -> list[float]:
        """Cells of a row made symmetric when it holds a pair at mirrored places."""
        n = len(node.children)
        mirrored = [
            (node.children[k].members[0], node.children[n - 1 - k].members[0])
            for k in range(n // 2)
            if len(node.children[k].members) == len(node.children[n - 1 - k].members) == 1
        ]
        if not any((min(p), max(p)) in self.pairs for p in mirrored):
            return widths
        even = [max(w, widths[n - 1 - k]) for k, w in enumerate(widths)]
        # a row that is not nearly symmetric already would be torn apart for one pair
        return (
            even if max(e - w for e, w in zip(even, widths, strict=True)) <= UNEVEN_MM else widths
        )


def tidy(
    items: Sequence[Item],
    *,
    room_mm: tuple[float, float],
    gap_mm: float,
    max_shift_mm: float,
    max_turn_deg: float,
    pairs: bool = True,
) -> Tidied:
    """Straighten, equalise and centre a lay.

    Parameters
    ----------
    room_mm
        Width and height that rows and stacks may fill: the panel less its edge margins.
    gap_mm
        Gaps below this are opened to it where there is room; wider ones are only made equal.
    """
    if not items:
        return Tidied((), ())
    straight = [straightened(item, math.radians(max_turn_deg)) for item in items]
    boxes: list[Box] = [item.placed.bounds for item, _ in straight]
    twins = _twins([item for item, _ in straight]) if pairs else set()
    layout = _Layout(list(boxes), gap_mm, room_mm, max_shift_mm, twins)
    layout.run(_tree(list(range(len(items))), boxes))
    shift = [
        (after[0] - before[0], after[1] - before[1])
        for before, after in zip(boxes, layout.boxes, strict=True)
    ]
    out, changes = [], []
    for item, (turned, turn), (dx, dy) in zip(items, straight, shift, strict=True):
        out.append(turned.shifted(dx, dy))
        if turn or abs(dx) > 0.05 or abs(dy) > 0.05:
            changes.append(Change(item.pocket_id, dx, dy, math.degrees(turn)))

    def ids(members: Sequence[int]) -> tuple[str, ...]:
        ordered = sorted(members, key=lambda i: (layout.boxes[i][0], items[i].pocket_id))
        return tuple(items[i].pocket_id for i in ordered)

    return Tidied(
        tuple(out),
        tuple(changes),
        tuple(ids(row) for row in layout.rows),
        tuple((ids(members), worst) for members, worst in layout.refused),
    )


def _twins(items: Sequence[Item]) -> set[tuple[int, int]]:
    return {
        (i, j)
        for i in range(len(items))
        for j in range(i + 1, len(items))
        if same_shape(items[i].opening, items[j].opening)
    }
