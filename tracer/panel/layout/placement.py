"""Where tools go: the lay as photographed set into the bay, copies and typed pockets into what
is free.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.errors import TracerError
from tracer.model.panel import Placement
from tracer.model.panel_plan import Anchor, MovePlan

__all__ = ["Item", "beside", "free_place", "moved_by_hand", "set_into"]

#: step of the search for a free place: finer than any gap that matters
STEP_MM = 10.0


@dataclass(frozen=True, eq=False)
class Item:
    """A tool to be placed: its opening in its own frame, and where it stands now."""

    pocket_id: str
    opening: Polygon
    placement: Placement

    @property
    def placed(self) -> Polygon:
        """The opening in the panel."""
        return self.placement.apply_polygon(self.opening)

    def shifted(self, dx_mm: float, dy_mm: float) -> Item:
        """The item moved."""
        p = self.placement
        return replace(self, placement=replace(p, x_mm=p.x_mm + dx_mm, y_mm=p.y_mm + dy_mm))

    def turned(self, angle_rad: float) -> Item:
        """The item turned about the middle of its box."""
        x, y = middle(self.placed.bounds)
        about = Placement(-x, -y).then(Placement(x, y, angle_rad))
        return replace(self, placement=self.placement.then(about))


def middle(box: tuple[float, float, float, float]) -> tuple[float, float]:
    """Middle of a bounding box."""
    return (box[0] + box[2]) / 2, (box[1] + box[3]) / 2


def joint_box(items: Sequence[Item]) -> tuple[float, float, float, float]:
    """Bounding box of all openings."""
    b = np.array([item.placed.bounds for item in items])
    x0, y0 = b[:, :2].min(axis=0)
    x1, y1 = b[:, 2:].max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def beside(lays: Sequence[Sequence[Item]], gap_mm: float, width_mm: float) -> list[Item]:
    """Several lays set next to each other, from the upper left in rows no wider than the bay."""
    out: list[Item] = []
    x = y = row_height = 0.0
    for lay in lays:
        if not lay:
            continue
        x0, y0, x1, y1 = joint_box(lay)
        if x > 0 and x + (x1 - x0) > width_mm:
            x, y, row_height = 0.0, y - row_height - gap_mm, 0.0
        out += [item.shifted(x - x0, y - y1) for item in lay]
        x += x1 - x0 + gap_mm
        row_height = max(row_height, y1 - y0)
    return out


def set_into(items: Sequence[Item], shape: Polygon, anchor: Anchor, edge_mm: float) -> list[Item]:
    """The whole lay shifted into the panel: centred, or by its edge margin from the lower left."""
    if not items:
        return []
    x0, y0, x1, y1 = joint_box(items)
    px, py = middle(shape.bounds)
    if anchor is Anchor.CENTRE:
        dx, dy = px - (x0 + x1) / 2, py - (y0 + y1) / 2
    else:
        dx, dy = edge_mm - x0, edge_mm - y0
    # whole tenths: figures that a tape can hold
    return [item.shifted(round(dx, 1), round(dy, 1)) for item in items]


def moved_by_hand(items: Sequence[Item], moves: Sequence[MovePlan]) -> list[Item]:
    """Places typed by hand win over the arrangement.

    Raises
    ------
    TracerError
        ``panel-unknown-tool`` when a move names no pocket of the panel.
    """
    by_id: Mapping[str, MovePlan] = {m.pocket_id: m for m in moves}
    unknown = sorted(set(by_id) - {item.pocket_id for item in items})
    if unknown:
        raise TracerError(
            "panel-unknown-tool",
            f"The panel has no tool {unknown[0]} to move.",
            "The overlay picture and tools.csv show the tools' ids.",
        )
    out = []
    for item in items:
        move = by_id.get(item.pocket_id)
        if move is not None:
            if move.turn_deg is not None:
                item = item.turned(math.radians(move.turn_deg))
            x, y = middle(item.placed.bounds)
            dx = 0.0 if move.x_mm is None else move.x_mm - x
            dy = 0.0 if move.y_mm is None else move.y_mm - y
            item = item.shifted(dx, dy)
        out.append(item)
    return out


def free_place(
    item: Item, taken: Sequence[BaseGeometry], room: BaseGeometry, gap_mm: float
) -> Item | None:
    """The item moved to the nearest place with ``gap_mm`` to everything taken, or None.

    Parameters
    ----------
    taken
        Openings and keep-outs, panel frame.
    room
        Region that the item must stay within.

    Notes
    -----
    Candidates lie on a grid of 10 mm around where the item stands; first boxes are held against
    the room, then true shapes against the rest, nearest first.
    """
    if room.is_empty:
        return None
    shape = item.placed
    x0, y0, x1, y1 = shape.bounds
    rx0, ry0, rx1, ry1 = room.bounds
    dx = np.arange(math.ceil((rx0 - x0) / STEP_MM), (rx1 - x1) / STEP_MM + 1e-9) * STEP_MM
    dy = np.arange(math.ceil((ry0 - y0) / STEP_MM), (ry1 - y1) / STEP_MM + 1e-9) * STEP_MM
    if not len(dx) or not len(dy):
        return None
    grid = np.stack(np.meshgrid(dx, dy), axis=-1).reshape(-1, 2)
    order = np.lexsort((grid[:, 0], -grid[:, 1], np.round(np.hypot(*grid.T), 6)))
    obstacles = shapely.union_all([t.buffer(gap_mm) for t in taken])
    shapely.prepare(obstacles)
    shapely.prepare(room)
    outline = shape.simplify(1.0)
    for x, y in grid[order]:
        there = affinity.translate(outline, x, y)
        if not obstacles.intersects(there) and room.contains(there):
            return item.shifted(float(x), float(y))
    return None
