"""Where a photo was taken from: the map between its pixels and the sheet, both ways.

`PlaneMap` is what segmentation and pictures need of a photo. `View` is the calibrated camera;
`ScaledPicture` is a picture of known scale (a rectified one) with no camera at all. A flatbed
scan has `tracer.model.scan_map.ScanMap`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["PlaneMap", "ScaledPicture", "View", "distort", "undistort"]

Array = NDArray[np.float64]


class PlaneMap(Protocol):
    """A two-way map between pixels of one picture and the sheet (z = 0)."""

    @property
    def photo_id(self) -> str:
        """Identity of the picture."""
        ...

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of the picture in pixels."""
        ...

    def to_sheet(self, points_px: ArrayLike, z_mm: ArrayLike = 0.0) -> Array:
        """Points (N, 2) in pixels to the sheet (N, 2) in mm, seen at height ``z_mm``."""
        ...

    def to_photo(self, points_mm: ArrayLike) -> Array:
        """Points (N, 2) on the sheet, or (N, 3) in space, in mm to pixels (N, 2)."""
        ...

    def mm_per_px(self, points_mm: ArrayLike) -> Array:
        """Ground sample distance (N,) at sheet points (N, 2): root of the area per pixel."""
        ...


def distort(xy: ArrayLike, dist: ArrayLike) -> Array:
    """Brown-Conrady lens distortion of normalised camera coordinates.

    Parameters
    ----------
    xy
        (N, 2) ideal coordinates x/z, y/z.
    dist
        (k1, k2, p1, p2, k3), the order used by OpenCV.

    References
    ----------
    D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37 (1971).

    Examples
    --------
    >>> distort([[0.4, 0.0]], [-0.05, 0, 0, 0, 0])
    array([[0.3968, 0.    ]])
    """
    p = np.asarray(xy, np.float64).reshape(-1, 2)
    k1, k2, p1, p2, k3 = np.asarray(dist, np.float64)
    x, y = p[:, 0], p[:, 1]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return np.column_stack(
        [
            x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x),
            y * radial + 2 * p2 * x * y + p1 * (r2 + 2 * y * y),
        ]
    )


def undistort(xy: ArrayLike, dist: ArrayLike) -> Array:
    """Inverse of `distort`, by Newton's method; NaN where it does not converge.

    Examples
    --------
    >>> undistort([[0.3968, 0.0]], [-0.05, 0, 0, 0, 0]).round(12)
    array([[0.4, 0. ]])
    """
    target = np.asarray(xy, np.float64).reshape(-1, 2)
    k1, k2, p1, p2, k3 = np.asarray(dist, np.float64)
    p = target.copy()
    if not np.any([k1, k2, p1, p2, k3]):
        return p
    for _ in range(20):
        x, y = p[:, 0], p[:, 1]
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        slope = k1 + r2 * (2 * k2 + r2 * 3 * k3)  # d radial / d r2
        jxx = radial + 2 * x * x * slope + 2 * p1 * y + 6 * p2 * x
        jxy = 2 * x * y * slope + 2 * p1 * x + 2 * p2 * y
        jyy = radial + 2 * y * y * slope + 2 * p2 * x + 6 * p1 * y
        error = distort(p, dist) - target
        det = jxx * jyy - jxy * jxy
        step = np.column_stack(
            [jyy * error[:, 0] - jxy * error[:, 1], jxx * error[:, 1] - jxy * error[:, 0]]
        )
        with np.errstate(all="ignore"):
            p = p - step / det[:, None]
            if not np.nanmax(np.abs(step / det[:, None]), initial=0.0) > 1e-14:
                break
    with np.errstate(all="ignore"):
        bad = ~(np.abs(distort(p, dist) - target).max(axis=1) < 1e-9)
    p[bad] = np.nan
    return p


@dataclass(frozen=True, eq=False)
class View:
    """A calibrated camera over the sheet.

    Attributes
    ----------
    photo_id
        Identity of the photo.
    size_px
        Width and height of the upright photo in pixels.
    K
        (3, 3) camera matrix in px.
    dist
        (5,) Brown-Conrady coefficients k1, k2, p1, p2, k3.
    R, t
        Sheet to camera: ``X_cam = R X + t``, R (3, 3) a rotation, t (3,) in mm.
    """

    photo_id: str
    size_px: tuple[int, int]
    K: Array
    dist: Array
    R: Array
    t: Array

    @property
    def centre_mm(self) -> Array:
        """Optical centre (3,) in the sheet frame."""
        return np.asarray(-self.R.T @ self.t, np.float64)

    @property
    def nadir_mm(self) -> Array:
        """Sheet point (2,) straight below the optical centre."""
        return self.centre_mm[:2]

    @property
    def height_mm(self) -> float:
        """Height of the optical centre above the sheet."""
        return float(self.centre_mm[2])

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the sheet's normal."""
        return float(np.degrees(np.arccos(np.clip(-self.R[2, 2], -1.0, 1.0))))

    def rays(self, points_px: ArrayLike) -> Array:
        """Directions (N, 3) in the sheet frame of the rays through pixels (N, 2), z < 0 down."""
        p = np.asarray(points_px, np.float64).reshape(-1, 2)
        y = (p[:, 1] - self.K[1, 2]) / self.K[1, 1]
        x = (p[:, 0] - self.K[0, 2] - self.K[0, 1] * y) / self.K[0, 0]
        ideal = undistort(np.column_stack([x, y]), self.dist)
        return np.asarray(np.column_stack([ideal, np.ones(len(ideal))]) @ self.R, np.float64)

    def to_sheet(self, points_px: ArrayLike, z_mm: ArrayLike = 0.0) -> Array:
        """Points (N, 2) in px to (N, 2) mm at height ``z_mm``; NaN where the ray misses."""
        d = self.rays(points_px)
        c = self.centre_mm
        with np.errstate(all="ignore"):
            s = (np.asarray(z_mm, np.float64) - c[2]) / d[:, 2]
            s = np.where(s > 0, s, np.nan)
        return np.asarray(c[:2] + s[:, None] * d[:, :2], np.float64)

    def to_photo(self, points_mm: ArrayLike) -> Array:
        """Points (N, 2) on the sheet or (N, 3) in space, in mm, to pixels (N, 2)."""
        p = np.atleast_2d(np.asarray(points_mm, np.float64))
        cam = p @ self.R[:, : p.shape[1]].T + self.t
        with np.errstate(all="ignore"):
            q = distort(np.where(cam[:, 2:] > 0, cam[:, :2] / cam[:, 2:], np.nan), self.dist)
        return np.column_stack(
            [
                self.K[0, 0] * q[:, 0] + self.K[0, 1] * q[:, 1] + self.K[0, 2],
                self.K[1, 1] * q[:, 1] + self.K[1, 2],
            ]
        )

    def mm_per_px(self, points_mm: ArrayLike) -> Array:
        """Ground sample distance (N,) at sheet points (N, 2): root of the area per pixel."""
        p = np.asarray(points_mm, np.float64).reshape(-1, 2)
        half_x, half_y = np.array([0.5, 0.0]), np.array([0.0, 0.5])
        dx = self.to_photo(p + half_x) - self.to_photo(p - half_x)
        dy = self.to_photo(p + half_y) - self.to_photo(p - half_y)
        return np.asarray(1 / np.sqrt(np.abs(dx[:, 0] * dy[:, 1] - dx[:, 1] * dy[:, 0])))


@dataclass(frozen=True)
class ScaledPicture:
    """A picture of known scale: no lens, no perspective. Lower left pixel centre is (0, 0) mm."""

    photo_id: str
    size_px: tuple[int, int]
    scale_mm_per_px: float

    def to_sheet(self, points_px: ArrayLike, z_mm: ArrayLike = 0.0) -> Array:  # noqa: ARG002
        """Points (N, 2) in px to (N, 2) mm; height has no effect without a camera."""
        p = np.asarray(points_px, np.float64).reshape(-1, 2)
        return np.column_stack([p[:, 0], self.size_px[1] - 1 - p[:, 1]]) * self.scale_mm_per_px

    def to_photo(self, points_mm: ArrayLike) -> Array:
        """Points (N, 2) or (N, 3) in mm to pixels (N, 2)."""
        p = np.atleast_2d(np.asarray(points_mm, np.float64))[:, :2] / self.scale_mm_per_px
        return np.column_stack([p[:, 0], self.size_px[1] - 1 - p[:, 1]])

    def mm_per_px(self, points_mm: ArrayLike) -> Array:
        """The scale (N,), the same at all sheet points (N, 2)."""
        return np.full(len(np.asarray(points_mm).reshape(-1, 2)), self.scale_mm_per_px)
