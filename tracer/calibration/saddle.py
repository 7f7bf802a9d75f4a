"""Corners of printed chessboards as saddle points of brightness.

Where four squares meet, blur, ink spread and exposure leave the saddle in place, while the edges
of a marker 3.5 mm away pull a windowed gradient search off by up to 2 px. So a quadratic surface
is fitted to a disc that stays well inside the squares.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Lattice", "Saddles", "apply_homography", "fit_homography", "fit_lattice", "fit_saddles"]

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

DISC_SHARE = 0.12  # disc radius as a share of the square; the card's marker begins at 0.125
ROUNDS = 3
STEPS = 6
STILL_PX = 1e-3
MIN_CONTRAST_SHARE = 0.25  # of the median saddle; less is glare, a hand or a tool
OUTLIER_SIGMAS = 4.0
MARGIN_PX = 12


@dataclass(frozen=True, eq=False)
class Saddles:
    """Saddle points found near given points.

    ``points_px`` (N, 2); ``strength`` (N,) root of minus the determinant of the fitted surface,
    grey levels per px^2, 0 where there is no saddle.
    """

    points_px: Array
    strength: Array


@dataclass(frozen=True, eq=False)
class Lattice:
    """A flat lattice of saddles found in a picture.

    Attributes
    ----------
    kept
        (K,) indices of the lattice points that were found.
    points_px
        (K, 2) their places.
    homography
        (3, 3) lattice to picture.
    sigma_px
        sqrt(SSR / (2 K - 8)): how far they are from one plane seen without distortion, per axis.
    spacing_px
        Smallest distance between neighbours.
    """

    kept: NDArray[np.intp]
    points_px: Array
    homography: Array
    sigma_px: float
    spacing_px: float


def apply_homography(homography: ArrayLike, points: ArrayLike) -> Array:
    """Map points (N, 2)."""
    p = np.asarray(points, np.float64).reshape(-1, 2)
    q = np.column_stack([p, np.ones(len(p))]) @ np.asarray(homography, np.float64).T
    with np.errstate(all="ignore"):
        return np.asarray(q[:, :2] / q[:, 2:], np.float64)


def fit_homography(source: Array, target: Array, *, robust_px: float | None = None) -> Array | None:
    """Homography (3, 3) by least squares, or by RANSAC with the given tolerance; None if none."""
    if len(source) < 4:
        return None
    method = 0 if robust_px is None else cv2.RANSAC
    found, _ = cv2.findHomography(
        np.ascontiguousarray(source), np.ascontiguousarray(target), method, robust_px or 3.0
    )
    if found is None or not np.all(np.isfinite(found)):
        return None
    return np.asarray(found, np.float64)


def fit_saddles(grey: Grey, points_px: ArrayLike, radius_px: float) -> Saddles:
    """Move points (N, 2) to the saddle of the quadratic surface through a disc around each.

    Least squares ``I = a x^2 + b x y + c y^2 + d x + e y + g``; the saddle, where
    ``4 a c - b^2 < 0``, lies where both derivatives vanish. Repeated about the new place until
    it rests. Points that leave the picture come back with strength 0.
    """
    start = np.asarray(points_px, np.float64).reshape(-1, 2)
    points = start.copy()
    strength = np.zeros(len(points))
    radius = max(2, round(radius_px))
    rim = radius + MARGIN_PX
    height, width = grey.shape
    inside = np.all((start > 1) & (start < (width - 2, height - 2)), axis=1)
    if not inside.any():
        return Saddles(points, strength)
    low = np.maximum(np.floor(start[inside].min(axis=0)).astype(int) - rim, 0)
    high = np.minimum(np.ceil(start[inside].max(axis=0)).astype(int) + rim + 1, (width, height))
    crop = grey[low[1] : high[1], low[0] : high[0]].astype(np.float32)
    smooth = cv2.GaussianBlur(crop, (0, 0), max(0.7, 0.35 * radius))
    dx, dy = np.meshgrid(*[np.arange(-radius, radius + 1, dtype=np.float64)] * 2)
    disc = np.hypot(dx, dy) <= radius
    dx, dy = dx[disc], dy[disc]
    solve = np.linalg.pinv(np.column_stack([dx * dx, dx * dy, dy * dy, dx, dy, np.ones_like(dx)]))
    active = np.flatnonzero(inside)
    for _ in range(STEPS):
        p = points[active] - low
        values = cv2.remap(
            smooth,
            (p[:, :1] + dx).astype(np.float32),
            (p[:, 1:] + dy).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        a, b, c, d, e, _ = solve @ values.T.astype(np.float64)
        det = 4 * a * c - b * b
        saddle = det < 0
        strength[active] = np.where(saddle, np.sqrt(np.maximum(-det, 0)), 0.0)
        with np.errstate(all="ignore"):
            step = np.column_stack([(b * e - 2 * c * d) / det, (b * d - 2 * a * e) / det])
        length = np.hypot(step[:, 0], step[:, 1])
        usable = saddle & (length < 3 * radius)
        strength[active[~usable]] = 0.0
        points[active[usable]] += step[usable]
        here = points[active]
        usable &= np.all((here > 1) & (here < (width - 2, height - 2)), axis=1)
        strength[active[~usable]] = 0.0
        active = active[usable & (length > STILL_PX)]
        if not len(active):
            break
    return Saddles(points, strength)


def fit_lattice(
    grey: Grey, lattice: Array, neighbours: NDArray[np.intp], homography: Array
) -> Lattice | None:
    """Find all saddles of a flat lattice from a rough homography.

    Parameters
    ----------
    grey
        (H, W) uint8.
    lattice
        (N, 2) lattice points in any unit.
    neighbours
        (M, 2) integer pairs of lattice points one square apart.
    homography
        (3, 3) rough map from lattice to picture, good to a third of a square.

    Returns
    -------
    Lattice or None
        None when fewer than 6 saddles in two rows and two columns are found.
    """
    kept = np.arange(len(lattice))
    found = np.empty((0, 2))
    spacing = 0.0
    for round_ in range(ROUNDS):
        predicted = apply_homography(homography, lattice)
        if not np.all(np.isfinite(predicted)):
            return None
        spacing = float(
            np.linalg.norm(predicted[neighbours[:, 0]] - predicted[neighbours[:, 1]], axis=1).min()
        )
        if spacing < 4:
            return None
        saddles = fit_saddles(grey, predicted, DISC_SHARE * spacing)
        # a rough start may miss by more than the lens later bends the lattice
        reach = max(1.5, (0.3 if round_ == 0 else 0.15) * spacing)
        moved = np.linalg.norm(saddles.points_px - predicted, axis=1)
        real = saddles.strength > 0
        if real.sum() < 4:
            return None
        floor = MIN_CONTRAST_SHARE * np.median(saddles.strength[real])
        kept = np.flatnonzero(real & (saddles.strength >= floor) & (moved <= reach))
        found = saddles.points_px[kept]
        if round_ == 0:
            fitted = fit_homography(lattice[kept], found, robust_px=0.1 * spacing)
        else:
            fitted = fit_homography(lattice[kept], found)
        if fitted is None:
            return None
        homography = fitted
    for _ in range(3):
        residual = np.linalg.norm(found - apply_homography(homography, lattice[kept]), axis=1)
        limit = OUTLIER_SIGMAS * max(1.4826 * np.median(residual), 0.1)
        if len(kept) <= 6 or residual.max() <= limit:
            break
        kept, found = kept[residual <= limit], found[residual <= limit]
        fitted = fit_homography(lattice[kept], found)
        if fitted is None:
            return None
        homography = fitted
    if len(kept) < 6 or np.any(np.linalg.matrix_rank(lattice[kept] - lattice[kept[0]]) < 2):
        return None
    residual = found - apply_homography(homography, lattice[kept])
    sigma = float(np.sqrt(np.sum(residual**2) / (2 * len(kept) - 8)))
    return Lattice(kept, found, homography, sigma, spacing)
