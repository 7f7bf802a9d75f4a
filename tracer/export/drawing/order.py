"""The order of cutting: inside before outside, and small before large.

Once a piece is cut free it may shift, so everything inside it must be finished first; and of
two pieces the smaller one disturbs the sheet less (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from shapely import STRtree

from tracer.geometry.loops import polygon_of
from tracer.model.drawing import CutPath, Operation

__all__ = ["in_cutting_order", "nesting_levels"]

_RANK = {operation: rank for rank, operation in enumerate(Operation)}


def nesting_levels(paths: Sequence[CutPath]) -> list[int]:
    """How many other paths contain each path."""
    if not paths:
        return []
    areas = [polygon_of(path.loop, 0.05) for path in paths]
    # the point on the boundary decides: it lies inside each curve around it, and in no hole
    inner, outer = STRtree(areas).query([a.buffer(-1e-3) or a for a in areas], predicate="within")
    pairs = [(i, o) for i, o in zip(inner, outer, strict=True) if areas[o].area > areas[i].area]
    return [int(n) for n in np.bincount([i for i, _ in pairs], minlength=len(areas))]


def in_cutting_order(paths: Sequence[CutPath]) -> tuple[CutPath, ...]:
    """Paths deepest nested first; at one level layer by layer, and small before large."""
    levels = nesting_levels(paths)
    areas = [polygon_of(path.loop, 0.05).area for path in paths]
    order = sorted(
        range(len(paths)),
        key=lambda i: (
            -levels[i],
            _RANK[paths[i].layer.operation],
            paths[i].layer.depth_mm or 0.0,
            areas[i],
            paths[i].subject_id,
        ),
    )
    return tuple(paths[i] for i in order)
