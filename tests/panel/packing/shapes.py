"""Tasks of plain shapes: each its own opening and envelope, at quarter turns."""

from __future__ import annotations

import numpy as np
from shapely import affinity
from shapely.geometry import Polygon, box

from tracer.model.panel import BayKind
from tracer.panel.packing.task import Member, Piece, Rim, Task, Variant

EMPTY = Polygon()


def piece(name: str, shape: Polygon, bay: Polygon) -> Piece:
    """A shape that is its own opening and envelope, at quarter turns."""
    normals = Rim.of(bay).normals
    variants = []
    for quarter in range(4):
        turned = affinity.rotate(shape, 90 * quarter, origin=(0, 0))
        corners = np.asarray(turned.exterior.coords)[:, :2]
        reach = (normals @ corners.T).max(axis=1)
        variants.append(Variant(90.0 * quarter, turned, turned, EMPTY, turned, reach))
    return Piece((Member(name),), tuple(variants), False, 0, name, 1.0, 1.0)


def task_for(shapes: list[Polygon], width: float, height: float, **more: object) -> Task:
    bay = box(0, 0, width, height)
    pieces = tuple(piece(f"T{n:02d}", s, bay) for n, s in enumerate(shapes, start=1))
    return Task(bay, BayKind.DRAWER, pieces, 0.0, **more)  # type: ignore[arg-type]


def centred(width: float, height: float) -> Polygon:
    return box(-width / 2, -height / 2, width / 2, height / 2)
