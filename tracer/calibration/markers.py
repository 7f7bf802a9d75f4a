"""Which markers of the scale cards a picture shows, and roughly where.

Every id belongs to one card, so one search serves all cards. It runs on the half-size picture
first, which is fast and enough for most; what is missing is looked for again at full size and, in
the surroundings of what was seen, enlarged and sharpened.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.calibration.codes import (
    MARKERS_PER_CARD,
    dictionary,
    dictionary_of,
    possible_cards,
)
from tracer.calibration.saddle import Grey, apply_homography, fit_homography
from tracer.model.card import BOARD_MM, COLUMNS, MARKER_MM, ROWS, SQUARE_MM

__all__ = ["MARKERS_PER_CARD", "Markers", "charuco_board", "find_markers", "shows_mirrored_markers"]

Array = NDArray[np.float64]

HALVE_ABOVE_PX = 1600
ENLARGE_UP_TO_PX = 6_000_000
ALWAYS_ENLARGE_UP_TO_PX = 1_000_000  # a card seen small may be missed whole
#: markers of fewer pixels along one side cannot be read: 8 cells of 1.25 px
MIN_SIDE_PX = 10
#: of a card's 12: the corners are then found by prediction as well as with all
ENOUGH_MARKERS = 8


@dataclass(frozen=True, eq=False)
class Markers:
    """Markers of one card: ids (M,) within the card, 0 to 11, and corners (M, 4, 2) in px."""

    places: NDArray[np.intp]
    corners_px: Array
    #: the card seems to lie at two places at once
    doubled: bool = False


@cache
def charuco_board(number: int) -> cv2.aruco.CharucoBoard:
    """The board of card ``number`` as OpenCV describes it."""
    ids = np.arange(MARKERS_PER_CARD) + MARKERS_PER_CARD * number
    return cv2.aruco.CharucoBoard((COLUMNS, ROWS), SQUARE_MM, MARKER_MM, dictionary(), ids)


@cache
def marker_corners_card_mm() -> Array:
    """Corners (12, 4, 2) of the markers of any card, in ``card_mm``."""
    return np.asarray(charuco_board(0).getObjPoints(), np.float64)[:, :, :2]


def _detect(grey: Grey) -> tuple[Array, NDArray[np.intp]]:
    """All readable markers: corners (M, 4, 2), ids (M,)."""
    parameters = cv2.aruco.DetectorParameters()
    # the rate is relative to the longer side; the default loses small markers of large pictures
    rate = 4 * MIN_SIDE_PX / max(grey.shape)
    parameters.minMarkerPerimeterRate = float(np.clip(rate, 5e-3, 0.03))
    cards = possible_cards(grey, parameters)
    names = (cards[:, None] * MARKERS_PER_CARD + np.arange(MARKERS_PER_CARD)).ravel()
    if len(names):
        detector = cv2.aruco.ArucoDetector(dictionary_of(names), parameters)
        corners, ids, _ = detector.detectMarkers(grey)
        if ids is not None and len(corners):
            return np.asarray(corners, np.float64).reshape(-1, 4, 2), names[np.ravel(ids)]
    return np.empty((0, 4, 2)), np.empty(0, np.intp)


def _detect_scaled(grey: Grey, scale: float) -> tuple[Array, NDArray[np.intp]]:
    if scale == 1:
        return _detect(grey)
    if scale < 1:
        resized = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    else:
        resized = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
        soft = cv2.GaussianBlur(resized, (0, 0), 3)
        resized = cv2.addWeighted(resized, 3, soft, -2, 0)
    factors = np.array(grey.shape[::-1]) / np.array(resized.shape[::-1])
    corners, ids = _detect(np.asarray(resized, np.uint8))
    return (corners + 0.5) * factors - 0.5, ids  # pixel centres are whole numbers


def _merge(
    seen: dict[int, list[Array]], corners_px: Array, ids: Sequence[int] | NDArray[np.intp]
) -> None:
    """Add finds; a marker found again at nearly the same place is replaced by the later find."""
    for quad, marker in zip(corners_px, ids, strict=True):
        size = float(np.linalg.norm(quad[0] - quad[2]))
        places = seen.setdefault(int(marker), [])
        for k, other in enumerate(places):
            if np.linalg.norm(quad.mean(axis=0) - other.mean(axis=0)) < size:
                places[k] = quad
                break
        else:
            places.append(quad)


def find_markers(grey: Grey) -> dict[int, Markers]:
    """Markers per card number, from the half-size, full-size and enlarged picture.

    Parameters
    ----------
    grey
        (H, W) uint8, upright.
    """
    seen: dict[int, list[Array]] = {}
    large = max(grey.shape) >= HALVE_ABOVE_PX
    if large:
        _merge(seen, *_detect_scaled(grey, 0.5))
    if _incomplete(seen):
        _merge(seen, *_detect_scaled(grey, 1.0))
    if (not seen and grey.size <= ENLARGE_UP_TO_PX) or grey.size <= ALWAYS_ENLARGE_UP_TO_PX:
        _merge(seen, *_detect_scaled(grey, 2.0))
    elif _incomplete(seen):
        for window in _windows(seen, grey.shape):
            corners, ids = _detect_scaled(np.ascontiguousarray(grey[window]), 2.0)
            _merge(seen, corners + np.array([window[1].start, window[0].start]), ids)
    return _by_card(seen)


def shows_mirrored_markers(grey: Grey) -> bool:
    """Whether markers can be read in the flipped picture."""
    flipped = np.ascontiguousarray(grey[:, ::-1])
    scale = 0.5 if max(grey.shape) >= HALVE_ABOVE_PX else 1.0
    return any(len(_detect_scaled(flipped, s)[1]) >= 2 for s in dict.fromkeys([scale, 1.0]))


def _by_card(seen: dict[int, list[Array]]) -> dict[int, Markers]:
    cards: dict[int, Markers] = {}
    for number in sorted({m // MARKERS_PER_CARD for m in seen}):
        ids = [m for m in sorted(seen) if m // MARKERS_PER_CARD == number]
        cards[number] = Markers(
            np.array(ids, np.intp) % MARKERS_PER_CARD,
            np.array([seen[m][0] for m in ids]),
            # one marker read twice is a misreading, two are a second card
            doubled=sum(len(seen[m]) > 1 for m in ids) >= 2,
        )
    return cards


def _incomplete(seen: dict[int, list[Array]]) -> bool:
    """Whether no card, or one with few of its markers, was seen."""
    counts = Counter(m // MARKERS_PER_CARD for m in seen)
    return not counts or min(counts.values()) < ENOUGH_MARKERS


def _windows(seen: dict[int, list[Array]], shape: tuple[int, ...]) -> list[tuple[slice, slice]]:
    """Where the cards with missing markers lie in the picture, as (rows, columns)."""
    windows = []
    for card in _by_card(seen).values():
        if len(card.places) >= ENOUGH_MARKERS:
            continue
        rough = fit_homography(
            marker_corners_card_mm()[card.places].reshape(-1, 2),
            card.corners_px.reshape(-1, 2),
            robust_px=3.0,
        )
        if rough is None:
            continue
        corners = apply_homography(rough, np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * BOARD_MM)
        size = np.linalg.norm(card.corners_px[:, 0] - card.corners_px[:, 2], axis=1).max()
        reach = 12 * size  # a rough homography may run wild
        middle = card.corners_px.reshape(-1, 2).mean(axis=0)
        corners = np.clip(np.nan_to_num(corners, nan=0), middle - reach, middle + reach)
        low = np.maximum(corners.min(axis=0) - size / 2, 0).astype(int)
        high = np.minimum(corners.max(axis=0) + size / 2, (shape[1], shape[0])).astype(int)
        if np.all(high - low > 16) and np.prod(high - low) <= ENLARGE_UP_TO_PX:
            windows.append((slice(low[1], high[1]), slice(low[0], high[0])))
    return windows
