"""What calibration finds: the camera of each photo, the cards, and how far to trust both."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from shapely.geometry import Polygon

from tracer.model.report import Check
from tracer.model.scan_map import ScanMap
from tracer.model.view import View

__all__ = ["Calibration", "CardFit", "SigmaMap"]

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SigmaMap:
    """Standard deviation of the photo-to-sheet map, free of the lay's rigid motion.

    Attributes
    ----------
    x_mm, y_mm
        Grid lines (M,), (N,), increasing.
    sigma_mm
        (N, M) standard deviation per axis at the grid points, mm. Outside the grid the nearest
        edge value is scaled by the distance (`at` does it).
    """

    x_mm: Array
    y_mm: Array
    sigma_mm: Array

    def at(self, points_mm: ArrayLike) -> Array:
        """Bilinear interpolation at points (N, 2); clamped to the grid's rim."""
        p = np.asarray(points_mm, np.float64).reshape(-1, 2)
        cols = np.interp(p[:, 0], self.x_mm, np.arange(len(self.x_mm)))
        rows = np.interp(p[:, 1], self.y_mm, np.arange(len(self.y_mm)))
        c0 = np.clip(cols.astype(int), 0, max(len(self.x_mm) - 2, 0))
        r0 = np.clip(rows.astype(int), 0, max(len(self.y_mm) - 2, 0))
        u, v = cols - c0, rows - r0
        s = self.sigma_mm
        return np.asarray(
            (1 - v) * ((1 - u) * s[r0, c0] + u * s[r0, c0 + 1])
            + v * ((1 - u) * s[r0 + 1, c0] + u * s[r0 + 1, c0 + 1]),
            np.float64,
        )


@dataclass(frozen=True, eq=False)
class CardFit:
    """One scale card as placed by the fit.

    Attributes
    ----------
    number
        Card number.
    size_mm
        Printed long and short side of the board that the fit used.
    placement
        (x_mm, y_mm, angle_rad): sheet position of the board's *lower left* corner and the
        direction of its long side.
    used
        False when the card was left out; ``reason`` says why.
    corners_px
        Per photo id: (n, 2) measured inner corners.
    residuals_px
        Per photo id: (n, 2) measured minus predicted.
    board_mm, paper_mm
        The board and the whole cut card (184 x 132) as polygons on the sheet.
    """

    number: int
    size_mm: tuple[float, float]
    placement: tuple[float, float, float]
    used: bool
    reason: str
    corners_px: dict[str, Array]
    residuals_px: dict[str, Array]
    board_mm: Polygon
    paper_mm: Polygon

    @property
    def rms_px(self) -> float:
        """Root mean square residual (radial) over all photos, px."""
        r = [v for v in self.residuals_px.values() if len(v)]
        if not r:
            return float("nan")
        return float(np.sqrt(np.mean(np.sum(np.vstack(r) ** 2, axis=1))))


@dataclass(frozen=True, eq=False)
class Calibration:
    """Calibration of one lay.

    Attributes
    ----------
    views
        One per photo, in the order of the photos; the one of a flatbed scan is a `ScanMap`.
    cards
        All cards seen, used or left out, by number.
    hull_mm
        Convex hull of the used boards: the region of the stated accuracy.
    sigma
        Map of the standard deviation on the sheet.
    pose_cov
        Per photo id: (3, 3) covariance of (nadir x, nadir y, camera height), mm^2; none of a scan.
    sigma_px
        Corner noise that the fit settled on, px per axis.
    rms_px, max_px
        Residuals of the used corners (radial).
    leave_one_out_mm
        Per card number: rms distance (mm) of its corners predicted without it; empty with one card.
    scale_sigma
        Relative standard deviation of the overall scale (print size typed or assumed).
    checks
        Findings.
    """

    views: tuple[View | ScanMap, ...]
    cards: tuple[CardFit, ...]
    hull_mm: Polygon
    sigma: SigmaMap
    pose_cov: dict[str, Array]
    sigma_px: float
    rms_px: float
    max_px: float
    leave_one_out_mm: dict[int, float] = field(default_factory=dict)
    scale_sigma: float = 0.0
    checks: tuple[Check, ...] = ()

    @property
    def cameras(self) -> tuple[View, ...]:
        """The views that are cameras: all of photos, none of a scan."""
        return tuple(view for view in self.views if isinstance(view, View))
