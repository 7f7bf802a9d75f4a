"""The camera over a panel: nine numbers, their pixels and derivatives.

A phone's camera is a pin hole with one radial term; the face may bulge gently, highest in the
middle. Parameters in a row: rotation vector (3), shift (3) in mm, natural logarithm of the focal
length in px, k1, bulge in mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from tracer.model.view import View

__all__ = ["PanelCamera", "from_points", "prior_focal_px"]

Array = NDArray[np.float64]

DIAGONAL_35MM = 43.267  # of a 36 x 24 mm frame; 35 mm equivalents by it: CIPA DCG-001
#: most phones' main cameras; own choice for photos that do not say
USUAL_35MM = 26.0
FOCAL_SIGMA_TOLD, FOCAL_SIGMA = 0.03, 0.15
K1_SIGMA, BULGE_SIGMA_MM = 0.04, 2.0


@dataclass(frozen=True, eq=False)
class PanelCamera:
    """Camera over a panel of a size; ``values`` (9,) as the module says."""

    values: Array
    size_px: tuple[int, int]
    panel_mm: tuple[float, float]

    def bulged(self, points_mm: ArrayLike) -> Array:
        """Points (N, 2) of the face, or (N, 3) relative to it, in space (N, 3)."""
        p = np.asarray(points_mm, np.float64)
        z = p[:, 2] if p.shape[1] == 3 else 0.0
        return np.column_stack([p[:, :2], z + self.values[8] * self.bump(p)])

    def bump(self, points_mm: Array) -> Array:
        """Shape (N,) of the bulge: 1 in the middle, 0 at the rim."""
        u = points_mm[:, :2] / np.array(self.panel_mm) * 2 - 1
        return np.asarray(np.prod(np.clip(1 - u * u, 0, 1), axis=1), np.float64)

    def project(self, points_mm: ArrayLike) -> tuple[Array, Array]:
        """Pixels (N, 2) and their derivatives (N, 2, 9)."""
        space = self.bulged(points_mm)
        f = float(np.exp(self.values[6]))
        K = np.array(
            [[f, 0, (self.size_px[0] - 1) / 2], [0, f, (self.size_px[1] - 1) / 2], [0, 0, 1]]
        )
        dist = np.array([self.values[7], 0, 0, 0, 0])
        rotation, shift = self.values[:3].copy(), self.values[3:6].copy()
        px, jacobian = cv2.projectPoints(space, rotation, shift, K, dist)
        n = len(space)
        j = np.asarray(jacobian, np.float64).reshape(n, 2, -1)
        R = cv2.Rodrigues(rotation)[0]
        by_z = j[:, :, 3:6] @ R[:, 2]
        by_f = (j[:, :, 6] + j[:, :, 7]) * f
        full = np.concatenate(
            [j[:, :, :6], by_f[..., None], j[:, :, 10:11],
             (by_z * self.bump(space)[:, None])[..., None]], axis=2,
        )  # fmt: skip
        return np.asarray(px, np.float64).reshape(n, 2), full

    def to_photo(self, points_mm: ArrayLike) -> Array:
        """Pixels (N, 2) of points (N, 2) on the face or (N, 3) relative to it."""
        return self.project(points_mm)[0]

    def scaled(self, factor: float, size_px: tuple[int, int]) -> PanelCamera:
        """The same camera for the picture resized by ``factor``."""
        values = self.values.copy()
        values[6] += np.log(factor)
        return PanelCamera(values, size_px, self.panel_mm)

    def view(self, photo_id: str) -> View:
        """As a calibrated view of the flat face."""
        f = float(np.exp(self.values[6]))
        K = np.array(
            [[f, 0, (self.size_px[0] - 1) / 2], [0, f, (self.size_px[1] - 1) / 2], [0, 0, 1]]
        )
        R = np.asarray(cv2.Rodrigues(self.values[:3].copy())[0], np.float64)
        dist = np.array([self.values[7], 0, 0, 0, 0])
        return View(photo_id, self.size_px, K, dist, R, self.values[3:6].copy())


def prior_focal_px(size_px: tuple[int, int], focal_35mm: float | None) -> float:
    """Focal length in px as the file says, or a usual one."""
    return (focal_35mm or USUAL_35MM) / DIAGONAL_35MM * float(np.hypot(*size_px))


def from_points(
    points_mm: ArrayLike,
    points_px: ArrayLike,
    size_px: tuple[int, int],
    panel_mm: tuple[float, float],
    focal_px: float,
) -> PanelCamera | None:
    """Camera from four or more points of the face; None where none looks at its front.

    Of the two poses that a plane allows the one with the smaller residual is taken.
    """
    mm = np.asarray(points_mm, np.float64).reshape(-1, 2)
    px = np.asarray(points_px, np.float64).reshape(-1, 2)
    space = np.column_stack([mm, np.zeros(len(mm))])
    K = np.array([[focal_px, 0, (size_px[0] - 1) / 2], [0, focal_px, (size_px[1] - 1) / 2],
                  [0, 0, 1.0]])  # fmt: skip
    try:
        _, turns, shifts, _ = cv2.solvePnPGeneric(
            space, px, K, np.zeros(5), flags=cv2.SOLVEPNP_IPPE
        )
    except cv2.error:
        return None
    for turn, shift in zip(turns, shifts, strict=True):
        R = cv2.Rodrigues(turn)[0]
        if (-R.T @ shift)[2, 0] <= 0:  # from behind
            continue
        values = np.concatenate([np.ravel(turn), np.ravel(shift), [np.log(focal_px), 0, 0]])
        return PanelCamera(values.astype(np.float64), size_px, panel_mm)
    return None
