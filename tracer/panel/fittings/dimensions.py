"""The distances that a maker checks with a tape before cutting and after gluing.

Both ends of every distance are places that a tape can touch: a rim of the panel, or a point of a
wall. From the nearer upright rim and the nearer level rim to a pocket the tape lies square to the
rim and ends where the pocket comes nearest to it; between two pockets it spans the foam at its
narrowest. Pockets are taken with their finger notches and wells, as they are open in the face.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry

from tracer.model.panel import Dimension, Panel
from tracer.panel.fittings.openings import opening

__all__ = ["tape_dimensions"]

#: wider spans of foam tell nothing that the rims do not tell
_WIDEST_WEB_MM = 60.0
#: hand-held tapes are read to half a millimetre; walls nearer than this to an extreme one count
_FLAT_MM = 0.05
#: the far rim is taken where it is nearer by so much
_NEARER_MM = 1.0


def tape_dimensions(panel: Panel) -> tuple[Dimension, ...]:
    """Panel width, height and diagonals; then of each pocket from two rims and to its neighbour."""
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
    openings = [opening(p) for p in panel.pockets]
    names = [str(p.number) for p in panel.pockets]
    for axis, rims in ((0, ("left edge", "right edge")), (1, ("lower edge", "upper edge"))):
        measured = (
            _from_rim(panel, shape, name, axis, rims)
            for shape, name in zip(openings, names, strict=True)
        )
        found += [dimension for dimension in measured if dimension is not None]
    return (*found, *_webs(openings, names))


def _from_rim(
    panel: Panel, shape: BaseGeometry, name: str, axis: int, rims: tuple[str, str]
) -> Dimension | None:
    """Square from the nearer rim of an axis to where the opening comes nearest to it.

    None where an opening reaches beyond the panel, so that no rim lies square to that place.
    """
    box, whole = shape.bounds, panel.shape.bounds
    far = whole[axis + 2] - box[axis + 2] < box[axis] - whole[axis] - _NEARER_MM
    points = shapely.get_coordinates(shape)
    at = box[axis + 2] if far else box[axis]
    # on a wall along the rim the middle of what touches is shown
    flat = points[np.abs(points[:, axis] - at) < _FLAT_MM][:, 1 - axis]
    across = float(flat[np.argmin(np.abs(flat - (flat.min() + flat.max()) / 2))])
    beam = _beam(axis, across, whole)
    touched = beam.intersection(panel.shape.exterior)
    ends = sorted(float(c[axis]) for c in shapely.get_coordinates(touched))
    if not ends:
        return None
    rim = ends[-1] if far else ends[0]
    start, end = (across, rim), (across, float(at))
    if axis == 0:
        start, end = start[::-1], end[::-1]
    return Dimension(f"{rims[far]} to {name}", start, end)


def _beam(axis: int, across: float, whole: Sequence[float]) -> LineString:
    """A line right across the panel along an axis."""
    low, high = whole[axis] - 1.0, whole[axis + 2] + 1.0
    if axis == 0:
        return LineString([(low, across), (high, across)])
    return LineString([(across, low), (across, high)])


def _webs(openings: Sequence[BaseGeometry], names: Sequence[str]) -> list[Dimension]:
    """Each opening to its nearest neighbour, each pair once."""
    found: dict[tuple[int, int], Dimension] = {}
    for i, shape in enumerate(openings):
        near = [(shape.distance(o), j) for j, o in enumerate(openings) if j != i]
        if not near or not 0 < min(near)[0] <= _WIDEST_WEB_MM:
            continue
        j = min(near)[1]
        a, b = sorted((i, j))
        line = shapely.shortest_line(openings[a], openings[b])
        (ax, ay), (bx, by) = shapely.get_coordinates(line)
        name = f"{names[a]} to {names[b]}"
        found[a, b] = Dimension(name, (float(ax), float(ay)), (float(bx), float(by)))
    return [found[key] for key in sorted(found)]
