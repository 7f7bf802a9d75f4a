"""Where a tool stands in the panel: a rigid motion with an inverse."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from shapely import affinity
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

__all__ = ["Placement"]


@dataclass(frozen=True)
class Placement:
    """Rigid motion from a tool's own frame to the panel: mirror (x -> -x), turn, shift."""

    x_mm: float
    y_mm: float
    angle_rad: float = 0.0
    mirrored: bool = False

    def _matrix(self) -> list[float]:
        c, s = math.cos(self.angle_rad), math.sin(self.angle_rad)
        m = -1.0 if self.mirrored else 1.0
        return [m * c, -s, m * s, c, self.x_mm, self.y_mm]

    def apply(self, geometry: BaseGeometry) -> BaseGeometry:
        """The geometry moved to the panel."""
        return affinity.affine_transform(geometry, self._matrix())

    def apply_polygon(self, polygon: Polygon) -> Polygon:
        """The polygon moved to the panel, rings turning as they should."""
        moved = affinity.affine_transform(polygon, self._matrix())
        return moved.reverse() if self.mirrored else moved

    def point(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        """One point moved to the panel."""
        a, b, d, e, x, y = self._matrix()
        return a * x_mm + b * y_mm + x, d * x_mm + e * y_mm + y

    def then(self, after: Placement) -> Placement:
        """This motion followed by another."""
        x, y = after.point(self.x_mm, self.y_mm)
        turn = -self.angle_rad if after.mirrored else self.angle_rad
        return Placement(x, y, after.angle_rad + turn, after.mirrored != self.mirrored)

    def inverse(self) -> Placement:
        """The motion back.

        Examples
        --------
        >>> p = Placement(10, 20, 0.5, mirrored=True)
        >>> there = p.then(p.inverse())
        >>> round(there.x_mm, 9), round(there.angle_rad, 9), there.mirrored
        (0.0, 0.0, False)
        """
        angle = self.angle_rad if self.mirrored else -self.angle_rad
        turned = Placement(0.0, 0.0, angle, self.mirrored)
        x, y = turned.point(self.x_mm, self.y_mm)
        return replace(turned, x_mm=-x, y_mm=-y)
