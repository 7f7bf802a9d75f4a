"""First guesses: the pose of each photo and the place of each card, from each photo alone.

A board's pose has two likely solutions that mirror each other's tilt (T. Collins and A. Bartoli,
"Infinitesimal plane-based pose estimation", IJCV 109, 2014); a board seen from straight above
cannot tell them apart. Cards lying on one plane can, since they share its normal.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.calibration.detect import SeenCard
from tracer.model.card import BOARD_MM

__all__ = ["Guess", "card_on_plane", "guess_photo", "rigid_2d"]

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Guess:
    """One guess for one photo in a frame of its own (that of the card ``base``).

    ``pose`` (6,) rotation vector and shift, sheet to camera; ``places`` per card number: middle
    and direction; ``misfit_px`` rms residual of the cards placed so; ``pose_ratio`` how much worse
    the other solution of a single card fits.
    """

    pose: Array
    places: dict[int, tuple[float, float, float]]
    misfit_px: float


def rigid_2d(source: Array, target: Array) -> tuple[float, Array]:
    """Angle and shift of the rigid motion that takes points (N, 2) to (N, 2) best.

    Procrustes without scale or mirror (S. Umeyama, PAMI 13, 1991).

    >>> angle, shift = rigid_2d(np.array([[0., 0], [1, 0]]), np.array([[2., 3], [2, 4]]))
    >>> round(float(np.degrees(angle))), shift.round(6)
    (90, array([2., 3.]))
    """
    a, b = source - source.mean(axis=0), target - target.mean(axis=0)
    angle = float(np.arctan2(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), np.sum(a * b)))
    c, s = np.cos(angle), np.sin(angle)
    shift = target.mean(axis=0) - np.array([[c, -s], [s, c]]) @ source.mean(axis=0)
    return angle, shift


def _board_points(card: SeenCard, size_mm: tuple[float, float]) -> Array:
    """Corners (n, 2) about the board's middle, x along the long side, y up, mm."""
    middle = np.array(BOARD_MM) / 2
    scale = np.array(size_mm) / BOARD_MM
    return (card.corners_card_mm - middle) * (1, -1) * scale


def card_on_plane(
    card: SeenCard, size_mm: tuple[float, float], ideal: Array, R: Array, t: Array
) -> tuple[tuple[float, float, float], float]:
    """Place of a card (middle, direction) on a plane of known pose, and its rms misfit in mm.

    ``ideal`` (n, 2) are its corners as x/z, y/z.
    """
    rays = np.column_stack([ideal, np.ones(len(ideal))]) @ R
    centre = -R.T @ t
    with np.errstate(all="ignore"):
        on_plane = centre[:2] - centre[2] / rays[:, 2:] * rays[:, :2]
    board = _board_points(card, size_mm)
    angle, shift = rigid_2d(board, on_plane)
    c, s = np.cos(angle), np.sin(angle)
    rest = board @ np.array([[c, s], [-s, c]]) + shift - on_plane
    return (float(shift[0]), float(shift[1]), angle), float(np.sqrt(np.mean(np.sum(rest**2, 1))))


def guess_photo(
    cards: Mapping[int, SeenCard],
    sizes_mm: Mapping[int, tuple[float, float]],
    ideal: Mapping[int, Array],
    focal_px: float,
) -> list[Guess]:
    """One to four guesses for one photo, best first.

    Parameters
    ----------
    cards
        Cards by number.
    sizes_mm
        Printed size of each.
    ideal
        Corners of each as normalised camera coordinates (n, 2), lens removed.
    focal_px
        Turns misfits into pixels.
    """
    poses: list[tuple[Array, Array, float]] = []
    for number, card in cards.items():
        board = _board_points(card, sizes_mm[number])
        board3 = np.ascontiguousarray(np.column_stack([board, np.zeros(len(board))]))
        found, turns, shifts, _ = cv2.solvePnPGeneric(
            board3, np.ascontiguousarray(ideal[number]), np.eye(3), None, flags=cv2.SOLVEPNP_IPPE
        )
        for turn, shift in zip(turns[:found], shifts[:found], strict=False):
            R, t = cv2.Rodrigues(turn)[0], np.asarray(shift, np.float64).ravel()
            if np.all(np.isfinite(R)) and t[2] > 0 and R[2, 2] < 0:
                poses.append((np.asarray(R, np.float64), t, float(len(board))))
    if not poses:
        return []
    # the plane's normal on which most corners agree decides between the mirror solutions
    normals = np.array([R[:, 2] for R, _, _ in poses])
    weights = np.array([weight for _, _, weight in poses])
    turns_rad = np.arccos(np.clip(normals @ normals.T, -1, 1))
    agreement = np.exp(-((turns_rad / 0.1) ** 2)) @ weights
    guesses = []
    for k in np.argsort(-agreement)[:4]:
        R, t, _ = poses[k]
        places, squares = {}, []
        for number, card in cards.items():
            places[number], rest_mm = card_on_plane(card, sizes_mm[number], ideal[number], R, t)
            squares.append((rest_mm * focal_px / t[2]) ** 2)
        # a single curled card must not decide
        misfit = float(np.sqrt(np.mean(np.sort(squares)[: max(1, len(squares) - 1)])))
        guesses.append(Guess(np.concatenate([cv2.Rodrigues(R)[0].ravel(), t]), places, misfit))
    return sorted(guesses, key=lambda g: g.misfit_px)
