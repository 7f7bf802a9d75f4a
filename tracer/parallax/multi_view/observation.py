"""What one photo shows of one tool."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.model.silhouette import Silhouette
from tracer.parallax.multi_view.edges import Camera

__all__ = ["Observation"]

#: how deep into two pieces a bridge between them reaches
FACING_MM = 3.0


@dataclass(frozen=True, eq=False)
class Observation:
    """One photo's part of a tool.

    Attributes
    ----------
    photo
        Index of the photo.
    camera
        Where it was taken from.
    silhouettes
        The tool, several when the photo shows it in pieces.
    frame_mm
        Part of the sheet the photo shows.
    whole
        False when the frame cuts the tool or a neighbour runs into it.
    """

    photo: int
    camera: Camera
    silhouettes: tuple[Silhouette, ...]
    frame_mm: Polygon
    whole: bool

    @cached_property
    def region(self) -> BaseGeometry:
        """All pieces together, on z = 0."""
        return shapely.union_all([s.region for s in self.silhouettes])

    @cached_property
    def joined(self) -> BaseGeometry:
        """All pieces, those of a broken tool bridged where they face each other."""
        whole, *rest = sorted((s.region for s in self.silhouettes), key=lambda r: -r.area)
        joined: BaseGeometry = whole
        for piece in rest:
            reach = piece.distance(joined) + FACING_MM
            ends = shapely.union(
                piece.intersection(joined.buffer(reach)), joined.intersection(piece.buffer(reach))
            )
            joined = shapely.union_all([joined, piece, ends.convex_hull])
        return joined

    @cached_property
    def lean(self) -> float:
        """How aslant the photo looks at the tool: distance from the nadir over camera height."""
        c = self.region.centroid
        away = np.hypot(c.x - self.camera.nadir_mm[0], c.y - self.camera.nadir_mm[1])
        return float(away / self.camera.height_mm)

    @cached_property
    def largest_share(self) -> float:
        """Area of the largest piece over that of all: below 1 when the tool is broken."""
        areas = [s.region.area for s in self.silhouettes]
        return float(max(areas) / max(sum(areas), 1e-9))
