"""Projection of a lay of cards into photos, with all derivatives.

A *camera* here is a lens setting: ln f, middle of the picture, k1, k2, k3, p1, p2 in the sensor's
own frame (the photo as stored, before it was turned upright). The lens model is Brown-Conrady's
(D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37, 1971).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["LENS_PARAMETERS", "cross_matrix", "project", "rotation", "turn_matrix", "unturn_px"]

Array = NDArray[np.float64]

#: ln f, cx, cy, k1, k2, k3, p1, p2
LENS_PARAMETERS = 8


def cross_matrix(v: Array) -> Array:
    """Matrix (3, 3) of the cross product: ``cross_matrix(a) @ b`` is ``a x b``."""
    return np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0.0]])


def rotation(vector_rad: Array) -> tuple[Array, Array]:
    """Rotation matrix (3, 3) of a rotation vector and its left Jacobian (3, 3).

    The Jacobian J gives ``exp(w + dw) = exp(J dw) exp(w)`` to first order (T. D. Barfoot, *State
    Estimation for Robotics*, 2017, eq. 7.77).
    """
    angle = float(np.linalg.norm(vector_rad))
    k = cross_matrix(vector_rad)
    if angle < 1e-6:
        return np.eye(3) + k, np.eye(3) + k / 2
    a = np.sin(angle) / angle
    b = (1 - np.cos(angle)) / angle**2
    c = (1 - a) / angle**2
    return np.eye(3) + a * k + b * k @ k, np.eye(3) + b * k + c * k @ k


def project(lens: Array, pose: Array, points_mm: Array) -> tuple[Array, Array, Array, Array]:
    """Points (N, 3) on the sheet to pixels of the stored photo, with derivatives.

    Parameters
    ----------
    lens
        (8,) parameters of the camera.
    pose
        (6,) rotation vector and shift, sheet to camera.
    points_mm
        (N, 3).

    Returns
    -------
    pixels (N, 2), and d pixel / d lens (N, 2, 8), / d pose (N, 2, 6), / d point (N, 2, 3).
    """
    R, left = rotation(pose[:3])
    turned = points_mm @ R.T
    cam = turned + pose[3:]
    depth = np.where(np.abs(cam[:, 2]) < 1e-6, 1e-6, cam[:, 2])
    x, y = cam[:, 0] / depth, cam[:, 1] / depth
    focal = np.exp(lens[0])
    k1, k2, k3, p1, p2 = lens[3:]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    xd = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
    yd = y * radial + 2 * p2 * x * y + p1 * (r2 + 2 * y * y)
    pixels = np.column_stack([focal * xd + lens[1], focal * yd + lens[2]])

    n = len(points_mm)
    by_lens = np.zeros((n, 2, LENS_PARAMETERS))
    by_lens[:, 0, 0], by_lens[:, 1, 0] = focal * xd, focal * yd
    by_lens[:, 0, 1] = by_lens[:, 1, 2] = 1.0
    for k in range(3):
        by_lens[:, 0, 3 + k] = focal * x * r2 ** (k + 1)
        by_lens[:, 1, 3 + k] = focal * y * r2 ** (k + 1)
    by_lens[:, 0, 6], by_lens[:, 1, 6] = focal * 2 * x * y, focal * (r2 + 2 * y * y)
    by_lens[:, 0, 7], by_lens[:, 1, 7] = focal * (r2 + 2 * x * x), focal * 2 * x * y

    slope = k1 + r2 * (2 * k2 + r2 * 3 * k3)  # d radial / d r2
    by_ideal = np.empty((n, 2, 2))
    by_ideal[:, 0, 0] = radial + 2 * x * x * slope + 2 * p1 * y + 6 * p2 * x
    by_ideal[:, 0, 1] = by_ideal[:, 1, 0] = 2 * x * y * slope + 2 * p1 * x + 2 * p2 * y
    by_ideal[:, 1, 1] = radial + 2 * y * y * slope + 2 * p2 * x + 6 * p1 * y
    by_cam = np.zeros((n, 2, 3))
    by_cam[:, 0, 0] = by_cam[:, 1, 1] = 1 / depth
    by_cam[:, 0, 2], by_cam[:, 1, 2] = -x / depth, -y / depth
    by_cam = focal * by_ideal @ by_cam
    # d cam / d w = -[R p]x J
    spin = np.zeros((n, 3, 3))
    spin[:, 0, 1], spin[:, 0, 2] = turned[:, 2], -turned[:, 1]
    spin[:, 1, 0], spin[:, 1, 2] = -turned[:, 2], turned[:, 0]
    spin[:, 2, 0], spin[:, 2, 1] = turned[:, 1], -turned[:, 0]
    by_pose = np.concatenate([by_cam @ (spin @ left), by_cam], axis=2)
    return pixels, by_lens, by_pose, by_cam @ R


def turn_matrix(quarter_turns: int) -> Array:
    """Matrix (2, 2) that takes directions of the stored photo to the upright one.

    ``quarter_turns`` are counter-clockwise as seen; x right, y down.

    >>> turn_matrix(1) @ [1, 0]  # right becomes up
    array([ 0., -1.])
    """
    step = np.array([[0.0, 1.0], [-1.0, 0.0]])
    return np.linalg.matrix_power(step, quarter_turns % 4) + 0.0


def unturn_px(points_px: Array, size_px: tuple[int, int], quarter_turns: int) -> Array:
    """Pixels (N, 2) of the upright photo to those of the stored one.

    ``size_px`` is the upright photo's width and height.
    """
    middle = (np.array(size_px, np.float64) - 1) / 2
    stored = middle if quarter_turns % 2 == 0 else middle[::-1]
    return np.asarray((points_px - middle) @ turn_matrix(quarter_turns) + stored, np.float64)
