"""From the sheet and from a photo's pixels to places in a picture that shows a part of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.model.view import PlaneMap

__all__ = ["Frame"]

Array = NDArray[np.float64]
DENSIFY_MM = 8.0  # straight stretches bend under the lens


@dataclass(frozen=True)
class Frame:
    """Sheet to canvas for one photo, of which a part is shown: its upper left corner, its scale."""

    view: PlaneMap
    scale: float
    corner_px: tuple[float, float] = (0.0, 0.0)

    def px(self, points_mm: NDArray[np.float64]) -> Array:
        """Canvas places of sheet points (N, 2)."""
        return self.photo(self.view.to_photo(points_mm))

    def photo(self, points_px: NDArray[np.float64]) -> Array:
        """Canvas places of photo pixels: centres of pixels stay centres."""
        points = np.asarray(points_px, np.float64).reshape(-1, 2) - self.corner_px
        return (points + 0.5) * self.scale - 0.5

    def ring(self, polygon_ring: shapely.LinearRing) -> Array:
        """A sheet ring on the canvas, closing point left out."""
        return self.px(shapely.get_coordinates(polygon_ring.segmentize(DENSIFY_MM))[:-1])
