"""The direction that the eye takes for a tool's: that of its long straight sides.

The axis of area leans where a jaw or a hook sits to one side, and the least rectangle leans with
any taper; the mean direction of the border near the axis does neither, since tapering sides
lean both ways and cancel.
"""

from __future__ import annotations

import math

import numpy as np
from shapely.geometry import Polygon

from tracer.geometry.register import long_axis

__all__ = ["ELONGATED", "axis_rad"]

#: a shape whose least rectangle is this much longer than wide shows an angle to the eye
ELONGATED = 1.6
#: border within this of the axis belongs to the long sides
_NEAR_RAD = math.radians(12.0)
_ROUNDS = 4


def axis_rad(shape: Polygon) -> float | None:
    """Direction of the long sides, in (-pi/2, pi/2]; None for a shape too compact to have one.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> axis_rad(box(0, 0, 10, 2)), axis_rad(box(0, 0, 3, 2))
    (0.0, None)
    """
    rectangle = shape.minimum_rotated_rectangle
    if not isinstance(rectangle, Polygon):
        return None
    lengths = np.hypot(*np.diff(np.asarray(rectangle.exterior.coords)[:3], axis=0).T)
    if lengths.max() < ELONGATED * lengths.min():
        return None
    _, angle, _ = long_axis(shape)
    steps = np.diff(np.asarray(shape.exterior.coords)[:, :2], axis=0)
    length = np.hypot(*steps.T)
    direction = np.arctan2(steps[:, 1], steps[:, 0])
    for _ in range(_ROUNDS):
        off = (direction - angle + math.pi / 2) % math.pi - math.pi / 2
        # the border fades out of the mean, so that no single step decides
        weight = length * np.clip(1 - np.abs(off) / _NEAR_RAD, 0.0, None)
        if weight.sum() < 1e-9:
            break
        angle += float(np.average(off, weights=weight))
    angle = math.pi / 2 - (math.pi / 2 - angle) % math.pi
    return 0.0 if abs(angle) < 1e-9 else angle
