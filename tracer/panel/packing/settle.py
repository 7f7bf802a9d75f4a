"""From the raster to exact places: what still overlaps by less than a cell is pushed apart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import STRtree, affinity
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.panel.packing.task import Spot, Task, clashes

__all__ = ["exact", "rounded"]

Array = NDArray[np.float64]

_ROUNDS = 80
#: pushed a little further than the overlap, so that the pushing ends
_OVER_MM = 0.06


def rounded(spot: Spot) -> Spot:
    """The spot at whole tenths, as it is written."""
    return replace(spot, x_mm=round(spot.x_mm, 1), y_mm=round(spot.y_mm, 1))


def _within(task: Task, spot: Spot) -> Spot:
    """The spot moved inside the rim and its reach, along the normals."""
    x, y = spot.x_mm, spot.y_mm
    for _ in range(4):
        slack = task.slack_mm(replace(spot, x_mm=x, y_mm=y))
        k = int(slack.argmin())
        if slack[k] >= 0:
            break
        x += float(slack[k] * task.rim.normals[k, 0])
        y += float(slack[k] * task.rim.normals[k, 1])
    reach = task.reach[spot.piece]
    if reach is not None:
        y = min(max(y, reach[0]), reach[1])
    return replace(spot, x_mm=x, y_mm=y)


def push(first: BaseGeometry, second: BaseGeometry) -> tuple[float, float]:
    """Shift of the first shape that about parts it from the second, across their overlap."""
    common = first.intersection(second)
    if common.area < 1e-4:
        return 0.0, 0.0
    parts = [g for g in getattr(common, "geoms", [common]) if g.area > 1e-4]
    part = max(parts, key=lambda g: float(g.area))
    ring = shapely.get_coordinates(part.minimum_rotated_rectangle)
    a, b = ring[1] - ring[0], ring[2] - ring[1]
    if np.hypot(*a) > np.hypot(*b):
        a, b = b, a
    width = float(np.hypot(*a))
    if width < 1e-9:
        return 0.0, 0.0
    across = a / width
    # away from the second: its own mass near the overlap says which way that is
    near = part.buffer(2.0 + width)
    other, own = second.intersection(near), first.intersection(near)
    if not other.is_empty and not own.is_empty:
        away = np.array([own.centroid.x - other.centroid.x, own.centroid.y - other.centroid.y])
        if float(away @ across) < 0:
            across = -across
    return float(across[0] * width), float(across[1] * width)


def exact(task: Task, spots: Sequence[Spot], rounds: int = _ROUNDS) -> tuple[Spot, ...] | None:
    """Exact places near those given, or None where the overlaps cannot be undone."""
    stay = {s.piece for s in task.stays}
    now = [s if s.piece in stay else rounded(_within(task, s)) for s in spots]
    shapes: list[Polygon] = [task.envelope(s) for s in now]
    for step in range(rounds):
        moves = np.zeros((len(now), 2))
        count = np.zeros(len(now))
        tree = STRtree(shapes)
        i, j = tree.query(shapes, predicate="intersects")
        for a, b in sorted(zip(i.tolist(), j.tolist(), strict=True)):
            if a >= b:
                continue
            dx, dy = push(shapes[a], shapes[b])
            if dx == dy == 0:
                continue
            share_a = 0.0 if now[a].piece in stay else 1.0 if now[b].piece in stay else 0.5
            share_b = 0.0 if now[b].piece in stay else 1.0 - share_a
            moves[a] += share_a * np.array([dx, dy])
            moves[b] -= share_b * np.array([dx, dy])
            count[[a, b]] += 1
        for region in task.blocked:
            for k in tree.query(region, predicate="intersects").tolist():
                if now[k].piece not in stay:
                    dx, dy = push(shapes[k], region)
                    moves[k] += (dx, dy)
                    count[k] += 1
        if not moves.any():
            break
        damp = 1.0 if step < rounds // 2 else 0.6
        for k in np.flatnonzero(np.abs(moves).max(axis=1)):
            dx, dy = damp * moves[k]
            far = math.hypot(dx, dy)
            scale = (far + _OVER_MM) / far
            now[k] = rounded(
                _within(
                    task,
                    replace(now[k], x_mm=now[k].x_mm + scale * dx, y_mm=now[k].y_mm + scale * dy),
                )
            )
            shapes[k] = affinity.translate(task.variant(now[k]).envelope, now[k].x_mm, now[k].y_mm)
    return None if clashes(task, now) else tuple(now)
