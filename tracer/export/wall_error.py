"""How the walls that a file cuts stand to the walls that were asked for.

The file is read back; where it allows for the kerf, half the kerf is given back to every opening
first. The distance is signed: positive where the finished wall stands outside, the pocket loose.
Deepened corners, which the cutter's radius makes on purpose, are part of it: the mean and the
middle of the distribution tell of the walls, the extremes of the corners.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import Polygon

from tracer.export.reading.curves import ReadCurve
from tracer.geometry.compare import sample_boundary
from tracer.geometry.offset import grown
from tracer.geometry.rings import largest_polygon
from tracer.model.drawing import Drawing, Loop, Operation

__all__ = ["WallError", "kinks", "wall_error"]

#: at a joint of two smooth pieces the direction turns by no more than this
_SMOOTH_DEG = 3.0
#: from this angle on a turn is a corner that the tool has
_CORNER_DEG = 30.0
_WALLS = {Operation.THROUGH, Operation.POCKET}


@dataclass(frozen=True)
class WallError:
    """Signed distance of finished walls from the walls asked for, mm.

    ``low_mm`` and ``high_mm`` hold 95 % of all wall length between them.
    """

    mean_mm: float
    low_mm: float
    high_mm: float
    walls: int

    def sentence(self) -> str:
        """For people."""
        return (
            f"walls {self.mean_mm:+.2f} mm from where they were asked for, 95 % within "
            f"{self.low_mm:+.2f} and {self.high_mm:+.2f}"
        )


def wall_error(
    drawing: Drawing, curves: Sequence[ReadCurve], wanted: Mapping[str, Polygon]
) -> WallError | None:
    """Error of the outer walls of pockets in a file.

    Parameters
    ----------
    drawing
        What the file was written from; curves are in its order.
    curves
        What a reader found in the file, in mm.
    wanted
        Walls asked for by pocket, in the frame that the drawing's origin counts in. Paths of
        other things, and of several pockets that share one opening, are left out.
    """
    found: list[NDArray[np.float64]] = []
    dx, dy = drawing.origin_mm
    for path, curve in zip(drawing.paths, curves, strict=True):
        asked = wanted.get(path.subject_id)
        if asked is None or path.island or path.layer.operation not in _WALLS:
            continue
        shape = largest_polygon(grown(Polygon(curve.points), drawing.kerf.compensated_mm))
        found.append(_signed(affinity.translate(shape, dx, dy), asked))
    if not found:
        return None
    every = np.concatenate(found)
    low, high = np.percentile(every, [2.5, 97.5])
    return WallError(float(every.mean()), float(low), float(high), len(found))


def _signed(finished: Polygon, asked: Polygon) -> NDArray[np.float64]:
    """Distances from points along the finished wall to the wall asked for, + outside."""
    rim = Polygon(asked.exterior)
    points = shapely.points(sample_boundary(Polygon(finished.exterior)))
    shapely.prepare(rim)
    distance = np.asarray(shapely.distance(rim.exterior, points))
    return np.where(shapely.contains(rim, points), -distance, distance)


def kinks(loop: Loop) -> int:
    """Joints of a loop that are neither smooth nor a corner: where a wall looks traced, not made.

    The direction at a joint is that of the tangents of both pieces.

    Examples
    --------
    >>> kinks(Loop.circle(0, 0, 10)), kinks(Loop.rectangle(0, 0, 10, 10))
    (0, 0)
    """
    v = loop.vertices
    chord = np.roll(v[:, :2], -1, axis=0) - v[:, :2]
    direction = np.arctan2(chord[:, 1], chord[:, 0])
    half = 2 * np.arctan(v[:, 2])  # half the arc's angle
    leaving, arriving = direction - half, direction + half
    turn = leaving - np.roll(arriving, 1)
    turn = np.degrees(np.abs((turn + np.pi) % (2 * np.pi) - np.pi))
    return int(((turn > _SMOOTH_DEG) & (turn < _CORNER_DEG)).sum())
