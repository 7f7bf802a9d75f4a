"""Screws through the backing board: along the border, in the field under webs, beside heavy tools.

They hold the board to the wall; the foam is glued on afterwards and hides them, so each lies
under sound foam and never under an opening or a seam. This is a sketch: anchors, walls and loads
are for the anchor maker's data sheet, local building rules and, where required, a licensed person.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.model.panel import Fixing, PanelPocket
from tracer.panel.rules import Rules

__all__ = ["place_fixings"]

Array = NDArray[np.float64]

_GRID_MM = 5.0
#: distance of a screw from the rim of the board (common practice, no source)
_INSET_MM = 25.0
#: two screws nearer than this do the same work
_SAME_MM = 60.0


def place_fixings(
    shape: Polygon,
    openings: Sequence[BaseGeometry],
    seams: Sequence[BaseGeometry],
    pockets: Sequence[PanelPocket],
    *,
    pitch_mm: float,
    rules: Rules,
) -> list[Fixing]:
    """Places of screws, border first, then the field, then beside heavy tools.

    Each wanted place is moved to the nearest sound one within half the pitch; where none is, it
    is left out (the checks look for what that leaves bare).
    """
    sound = _sound_places(shape, openings, seams, rules)
    if not len(sound):
        return []
    chosen: list[Fixing] = []

    def add(x: float, y: float, reason: str, within: float) -> None:
        distance = np.hypot(sound[:, 0] - x, sound[:, 1] - y)
        best = int(distance.argmin())
        if distance[best] > within:
            return
        px, py = float(sound[best, 0]), float(sound[best, 1])
        if all(np.hypot(f.x_mm - px, f.y_mm - py) >= _SAME_MM for f in chosen):
            chosen.append(Fixing(px, py, reason))

    for pocket in pockets:
        if pocket.mass_kg is not None and pocket.mass_kg >= rules.heavy_kg:
            x0, y0, x1, y1 = pocket.region.bounds
            aside = rules.fixing_clear_mm
            for x in (x0 - aside, x1 + aside):
                add(x, (y0 + y1) / 2, "heavy", rules.heavy_near_mm - aside)
    rim = shape.buffer(-_INSET_MM).exterior
    if not rim.is_empty:
        corners = shapely.get_coordinates(rim.simplify(0.1))[:-1]
        for i, (ax, ay) in enumerate(corners):
            bx, by = corners[(i + 1) % len(corners)]
            n = max(int(np.ceil(np.hypot(bx - ax, by - ay) / pitch_mm - 1e-9)), 1)
            for k in range(n):
                add(ax + (bx - ax) * k / n, ay + (by - ay) * k / n, "border", pitch_mm / 2)
    x0, y0, x1, y1 = shape.bounds
    for x in _inner(x0 + _INSET_MM, x1 - _INSET_MM, pitch_mm):
        for y in _inner(y0 + _INSET_MM, y1 - _INSET_MM, pitch_mm):
            add(x, y, "field", pitch_mm / 2)
    return sorted(chosen, key=lambda f: (-f.y_mm, f.x_mm))


def _inner(start: float, end: float, pitch: float) -> list[float]:
    n = int(np.ceil((end - start) / pitch - 1e-9))
    return [start + (end - start) * k / n for k in range(1, n)]


def _sound_places(
    shape: Polygon, openings: Sequence[BaseGeometry], seams: Sequence[BaseGeometry], rules: Rules
) -> Array:
    """Grid points (N, 2) on the board with foam enough around them."""
    x0, y0, x1, y1 = shape.bounds
    grid = np.stack(
        np.meshgrid(
            np.arange(x0 + _INSET_MM, x1 - _INSET_MM + 1e-6, _GRID_MM),
            np.arange(y0 + _INSET_MM, y1 - _INSET_MM + 1e-6, _GRID_MM),
        ),
        axis=-1,
    ).reshape(-1, 2)
    bare = [*(o.buffer(rules.fixing_clear_mm) for o in openings)]
    bare += [s.buffer(rules.fixing_clear_mm) for s in seams]
    sound = shape.buffer(-_INSET_MM + 1e-6).difference(shapely.union_all(bare))
    shapely.prepare(sound)
    return np.asarray(grid[shapely.contains_xy(sound, grid[:, 0], grid[:, 1])], np.float64)
