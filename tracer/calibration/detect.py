"""A grey photo to the scale cards it shows, corner by corner, each miss with its reason."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.calibration.markers import (
    Markers,
    find_markers,
    marker_corners_card_mm,
    shows_mirrored_markers,
)
from tracer.calibration.saddle import (
    Grey,
    apply_homography,
    fit_homography,
    fit_lattice,
)
from tracer.errors import TracerError
from tracer.model.card import CARD_COUNT, COLUMNS, ROWS, SQUARE_MM, inner_corners_card_mm
from tracer.model.photo import Photo

__all__ = ["Detection", "SeenCard", "detect_cards", "grey_of"]

Array = NDArray[np.float64]

#: a card further from flat than this is no measure any more: a false lock, or crumpled paper
MAX_SIGMA_PX, MAX_SIGMA_SHARE = 0.3, 0.012
DARK_LEVEL = 40  # of 255: nothing in the picture, or no card's paper, is brighter
#: edges softer than this cannot be told from shadows
BLUR_LIMIT_PX, BLUR_LIMIT_MM = 2.5, 1.2


@dataclass(frozen=True, eq=False)
class SeenCard:
    """One card in one photo.

    ``kept`` (n,) indices into the 15 inner corners, ``points_px`` (n, 2) their places,
    ``sigma_px`` how far they are from a flat lattice after the photo's lens (per axis),
    ``spacing_px`` the shortest side of a square.
    """

    number: int
    kept: NDArray[np.intp]
    points_px: Array
    sigma_px: float
    spacing_px: float

    @property
    def corners_card_mm(self) -> Array:
        """The corners found (n, 2), on the card."""
        return inner_corners_card_mm()[self.kept]


@dataclass(frozen=True, eq=False)
class Detection:
    """Cards of one photo.

    ``bend`` is a first guess of the lens: the k1 at the guessed focal length with which the
    cards look flattest. ``lost`` says of each card that was seen and not measured, why.
    ``blur_px`` is the blur of the sharpest card, ``white`` the grey level of the cards' paper.
    """

    cards: dict[int, SeenCard]
    lost: dict[int, str]
    bend: float
    blur_px: float = 0.0
    white: float = 255.0


def grey_of(photo: Photo) -> Grey:
    """Grey picture (H, W) of a photo."""
    return np.asarray(cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY), np.uint8)


@cache
def _neighbours() -> NDArray[np.intp]:
    index = np.arange((COLUMNS - 1) * (ROWS - 1)).reshape(ROWS - 1, COLUMNS - 1)
    return np.vstack(
        [
            np.column_stack([index[:, :-1].ravel(), index[:, 1:].ravel()]),
            np.column_stack([index[:-1].ravel(), index[1:].ravel()]),
        ]
    )


def detect_cards(grey: Grey, name: str, focal_px: float) -> Detection:
    """Find and measure all cards of one upright grey photo.

    Parameters
    ----------
    grey
        (H, W) uint8.
    name
        What to call the photo in a sentence.
    focal_px
        Focal length, roughly; only the lens guess uses it.

    Raises
    ------
    TracerError
        ``card-number-twice``, ``photo-too-dark``, ``photo-blurred``; and when nothing is found
        ``photo-mirrored`` or ``no-card``.
    """
    markers = find_markers(grey)
    twice = [number for number, card in markers.items() if card.doubled]
    if twice:
        raise TracerError(
            "card-number-twice",
            f"Photo {name} shows two cards with the number {twice[0]}.",
            "Use every card number once: take one of the two away, or print other numbers.",
        )
    cards: dict[int, SeenCard] = {}
    lost: dict[int, str] = {}
    for number, found in markers.items():
        card = _measure(grey, number, found)
        if isinstance(card, SeenCard):
            cards[number] = card
        else:
            lost[number] = card
    bend = _flattest_bend(list(cards.values()), grey.shape, focal_px)
    for number, card in list(cards.items()):
        sigma = _lattice_sigma(card, _straighten(card.points_px, bend, grey.shape, focal_px))
        if sigma > max(MAX_SIGMA_PX, MAX_SIGMA_SHARE * card.spacing_px):
            lost[number] = "its corners do not form a flat board: it is curled, creased or blurred"
            del cards[number]
        else:
            cards[number] = SeenCard(number, card.kept, card.points_px, sigma, card.spacing_px)
    if not cards:
        _refuse(grey, name, lost)
    blur, white = _picture_quality(grey, cards)
    coarse_mm = SQUARE_MM / min(card.spacing_px for card in cards.values())
    if white < DARK_LEVEL:
        raise _too_dark(name)
    if blur > BLUR_LIMIT_PX and blur * coarse_mm > BLUR_LIMIT_MM:
        raise _too_blurred(name, blur)
    return Detection(cards, lost, bend, blur, white)


def _measure(grey: Grey, number: int, markers: Markers) -> SeenCard | str:
    """Guided fit of one card, or the reason why it failed."""
    known = marker_corners_card_mm()[markers.places].reshape(-1, 2)
    seen = markers.corners_px.reshape(-1, 2)
    homography = fit_homography(known, seen, robust_px=3.0)
    if homography is None:
        return "its markers do not fit together"
    lattice = fit_lattice(grey, inner_corners_card_mm(), _neighbours(), homography)
    if lattice is None:
        return "too few of its inner corners can be measured: it is covered, cut off or blurred"
    return SeenCard(number, lattice.kept, lattice.points_px, lattice.sigma_px, lattice.spacing_px)


def _straighten(points_px: Array, bend: float, shape: tuple[int, ...], focal_px: float) -> Array:
    """Points (N, 2) relative to the picture's middle, first-order lens removed."""
    p = points_px - ((shape[1] - 1) / 2, (shape[0] - 1) / 2)
    ideal = p
    for _ in range(4):  # fixed-point iteration; exact enough for a first guess
        radius2 = np.sum((ideal / focal_px) ** 2, axis=1, keepdims=True)
        ideal = p / (1 + bend * radius2)
    return ideal


def _lattice_sigma(card: SeenCard, points_px: Array) -> float:
    fitted = fit_homography(card.corners_card_mm, points_px)
    if fitted is None:
        return float("inf")
    residual = points_px - apply_homography(fitted, card.corners_card_mm)
    return float(np.sqrt(np.sum(residual**2) / (2 * len(points_px) - 8)))


def _flattest_bend(cards: list[SeenCard], shape: tuple[int, ...], focal_px: float) -> float:
    """The k1 with which the cards' lattices are flattest; robust against one curled card."""
    if not cards:
        return 0.0

    def misfit(bend: float) -> float:
        sigmas = [
            _lattice_sigma(card, _straighten(card.points_px, bend, shape, focal_px))
            for card in cards
        ]
        # squares would let a curled card decide
        return float(np.sum(np.log(np.square(sigmas) + 0.05**2)) + (bend / 0.2) ** 2)

    return _lowest(misfit, -0.35, 0.35, 2e-3)


def _lowest(function: Callable[[float], float], low: float, high: float, width: float) -> float:
    """Where a function with one valley is lowest, to a width, by golden section.

    J. Kiefer, "Sequential minimax search for a maximum", Proc. AMS 4, 1953. To load a library of
    optimisers takes several times as long as the whole search.
    """
    share = (np.sqrt(5) - 1) / 2
    a, b = high - share * (high - low), low + share * (high - low)
    at_a, at_b = function(a), function(b)
    while high - low > width:
        if at_a < at_b:
            high, b, at_b = b, a, at_a
            a = high - share * (high - low)
            at_a = function(a)
        else:
            low, a, at_a = a, b, at_b
            b = low + share * (high - low)
            at_b = function(b)
    return float((low + high) / 2)


def _refuse(grey: Grey, name: str, lost: dict[int, str]) -> None:
    """Say why nothing could be measured."""
    if not lost and shows_mirrored_markers(grey):
        raise TracerError(
            "photo-mirrored",
            f"Photo {name} is mirrored.",
            "Turn off mirroring in the camera or the picture editor and use the original photo.",
        )
    if float(np.percentile(grey, 99.5)) < DARK_LEVEL:
        raise _too_dark(name)
    blur = blur_px(grey)
    if blur > BLUR_LIMIT_PX:
        raise _too_blurred(name, blur)
    if lost:
        number, reason = next(iter(lost.items()))
        raise TracerError(
            "no-card",
            f"No scale card in photo {name} can be measured; of card {number}, {reason}.",
            "Lay 4 to 8 cards flat around the tools, uncovered and fully in the picture.",
        )
    raise TracerError(
        "no-card",
        f"Photo {name} shows no scale card.",
        f"Lay 4 to 8 printed cards (numbers 0 to {CARD_COUNT - 1}) flat around the tools, "
        "uncovered and fully in the picture.",
    )


def _too_dark(name: str) -> TracerError:
    return TracerError(
        "photo-too-dark",
        f"Photo {name} is too dark to measure anything in it.",
        "Bring more light, from two sides if you can, and photograph again.",
    )


def _too_blurred(name: str, blur: float) -> TracerError:
    return TracerError(
        "photo-blurred",
        f"Photo {name} is too blurred to measure anything in it (blur of about {blur:.0f} px).",
        "Hold the camera still or rest it, tap on the sheet to focus, and bring more light.",
    )


def _picture_quality(grey: Grey, cards: dict[int, SeenCard]) -> tuple[float, float]:
    """Blur of the sharpest card (px) and the median grey level of the cards' paper."""
    blurs, whites = [], []
    for card in cards.values():
        low = np.floor(card.points_px.min(axis=0)).astype(int)
        high = np.ceil(card.points_px.max(axis=0)).astype(int) + 1
        crop = np.ascontiguousarray(grey[low[1] : high[1], low[0] : high[0]])
        blurs.append(blur_px(crop))
        whites.append(float(np.percentile(crop, 90)))
    return min(blurs), float(np.median(whites))


def blur_px(grey: Grey) -> float:
    """Width of the sharpest strong edges as the sigma of a Gaussian blur, px.

    A step of height A blurred by sigma has the steepest slope A / (sigma sqrt(2 pi)). The 2 % of
    places with the largest local contrast are looked at, the sharper half of them decides.
    """
    soft = cv2.GaussianBlur(grey, (0, 0), 1.0)
    window = np.ones((25, 25), np.uint8)
    span = cv2.dilate(soft, window).astype(np.float32) - cv2.erode(soft, window)
    gx = cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    gy = cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    steepest = cv2.dilate(cv2.magnitude(gx, gy), window)
    strong = span >= max(float(np.percentile(span, 98)), 8.0)
    if not strong.any():
        return 0.0
    widths = span[strong] / (np.maximum(steepest[strong], 1e-3) * np.sqrt(2 * np.pi))
    sigma2 = float(np.percentile(widths, 25)) ** 2 - 1.0  # the smoothing above
    return float(np.sqrt(max(sigma2, 0.0)))
