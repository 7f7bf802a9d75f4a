"""Which scale cards may be in a picture, from a rough reading of everything square in it.

The library compares each square with every code of a dictionary, bit by bit, and most squares are
no markers: that takes most of its time. So it is asked for the markers of those cards only that a
rough reading, all squares and codes at once, holds for possible. The library has the last word.
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.calibration.saddle import Grey
from tracer.model.card import CARD_COUNT, COLUMNS, ROWS

__all__ = ["MARKERS_PER_CARD", "dictionary", "dictionary_of", "possible_cards"]

MARKERS_PER_CARD = COLUMNS * ROWS // 2
BITS = 6  # along a side of a marker, within a border of one more on every side
#: wrong bits of a rough reading; the library puts three right, and codes differ by eleven
MOST_WRONG = 5


@cache
def dictionary() -> cv2.aruco.Dictionary:
    """The marker family 36h11."""
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)


def dictionary_of(ids: NDArray[np.intp]) -> cv2.aruco.Dictionary:
    """A dictionary of some of the family's markers, in this order."""
    family = dictionary()
    return cv2.aruco.Dictionary(family.bytesList[ids], BITS, family.maxCorrectionBits)


@cache
def _codes() -> NDArray[np.float32]:
    """The cards' codes, +1 for white and -1 for black: (markers, 4 turns, 36)."""
    ours = dictionary().bytesList[: CARD_COUNT * MARKERS_PER_CARD]
    bits = [cv2.aruco.Dictionary.getBitsFromByteList(code[None], BITS) for code in ours]
    turned = [[np.rot90(b, quarter).ravel() for quarter in range(4)] for b in bits]
    return np.array(turned, np.float32) * 2 - 1


def possible_cards(grey: Grey, parameters: cv2.aruco.DetectorParameters) -> NDArray[np.intp]:
    """Numbers of the cards of which a marker may be in the picture, ascending."""
    detector = cv2.aruco.ArucoDetector(dictionary_of(np.zeros(1, np.intp)), parameters)
    markers, _, others = detector.detectMarkers(grey)
    squares = np.asarray([*markers, *others], np.float32).reshape(-1, 4, 2)
    if not len(squares):
        return np.empty(0, np.intp)
    read = _read(grey, squares)
    codes = _codes()
    alike = read @ codes.reshape(-1, BITS**2).T
    wrong = (BITS**2 - alike.reshape(-1, *codes.shape[:2])) / 2
    found = np.flatnonzero((wrong <= MOST_WRONG).any(axis=(0, 2)))
    return np.unique(found // MARKERS_PER_CARD)


def _read(grey: Grey, squares: NDArray[np.float32]) -> NDArray[np.float32]:
    """Bits (N, 36) of squares (N, 4, 2), +1 and -1, from the pixel in the middle of each."""
    along = (np.arange(BITS) + 1.5) / (BITS + 2)
    middles = np.stack(np.meshgrid(along, along), axis=-1).reshape(1, -1, 2).astype(np.float32)
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    places = [
        cv2.perspectiveTransform(middles, cv2.getPerspectiveTransform(unit, square))[0]
        for square in squares
    ]
    x, y = np.round(np.asarray(places)).astype(int).transpose(2, 0, 1)
    values = grey[np.clip(y, 0, grey.shape[0] - 1), np.clip(x, 0, grey.shape[1] - 1)]
    low, high = values.min(axis=1, keepdims=True), values.max(axis=1, keepdims=True)
    return np.where(values > low + (high - low) // 2, 1, -1).astype(np.float32)
