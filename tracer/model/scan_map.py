"""Where the pixels of a flatbed scan lie on the sheet: an affine map, since there is no camera.

The scanner looks at the glass from below. The sheet of a scan is the glass as it would be seen
from *above*, where the maker stands: x right, y up, z up from the glass. So what a scan gives goes
into a pocket as the part lay, with the side that touched the glass on the foam's floor. The picture
itself is the mirror image of that; the turn from one to the other is part of this map and of
nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["ScanMap"]

Array = NDArray[np.float64]
INCH_MM = 25.4


@dataclass(frozen=True, eq=False)
class ScanMap:
    """A calibrated scan.

    Attributes
    ----------
    photo_id
        Identity of the file.
    size_px
        Width and height of the upright picture in pixels.
    to_px
        (2, 3) sheet mm to pixels: ``px = to_px[:, :2] @ mm + to_px[:, 2]``.

    Examples
    --------
    Half a millimetre a pixel, nothing turned: what lies on the right of the glass as seen from
    above is on the left of the scan.

    >>> scan = ScanMap("s", (401, 301), np.array([[-2.0, 0, 400], [0, -2.0, 300]]))
    >>> scan.to_sheet([[400, 300], [0, 300], [400, 0]])
    array([[  0.,   0.],
           [200.,   0.],
           [  0., 150.]])
    """

    photo_id: str
    size_px: tuple[int, int]
    to_px: Array

    def to_sheet(self, points_px: ArrayLike, z_mm: ArrayLike = 0.0) -> Array:  # noqa: ARG002
        """Points (N, 2) in px to (N, 2) mm; height moves nothing along a scanner's travel."""
        p = np.asarray(points_px, np.float64).reshape(-1, 2) - self.to_px[:, 2]
        return np.asarray(p @ np.linalg.inv(self.to_px[:, :2]).T + 0.0, np.float64)

    def to_photo(self, points_mm: ArrayLike) -> Array:
        """Points (N, 2) on the sheet or (N, 3) in space, in mm, to pixels (N, 2)."""
        p = np.atleast_2d(np.asarray(points_mm, np.float64))[:, :2]
        return np.asarray(p @ self.to_px[:, :2].T + self.to_px[:, 2], np.float64)

    def mm_per_px(self, points_mm: ArrayLike) -> Array:
        """Root of the area of a pixel (N,), the same everywhere."""
        count = len(np.asarray(points_mm, np.float64).reshape(-1, 2))
        return np.full(count, 1 / np.sqrt(abs(np.linalg.det(self.to_px[:, :2]))))

    @property
    def dpi(self) -> tuple[float, float]:
        """Pixels an inch along the picture's rows and along its columns.

        A step of one pixel along a row is a column of the inverse map.
        """
        x, y = np.linalg.norm(np.linalg.inv(self.to_px[:, :2]), axis=0)
        return INCH_MM / float(x), INCH_MM / float(y)
