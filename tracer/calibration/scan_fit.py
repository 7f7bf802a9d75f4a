"""The map from the glass of a flatbed scanner to its scan, fitted to the corners of printed cards.

Along the carriage's travel nothing is nearer or farther, and across it flat things on the glass all
are at one distance: the map of the glass is affine. Its numbers are the scales along the picture's
rows and columns, a turn, a shift, and a shear where the carriage does not run square to the sensor.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from tracer.calibration.saddle import apply_homography, fit_homography
from tracer.model.card import BOARD_MM, on_sheet

__all__ = ["GlassCard", "ScanFit", "face_down_mm", "fit_scan", "map_of", "perspective", "strain"]

Array = NDArray[np.float64]

#: of the extra sum of squares; at this chance a needless term is taken once in a thousand scans
SIGNIFICANT = 1e-3
#: corners are never known better: what interpolation between pixels leaves
LEAST_SIGMA_PX = 0.02
ROUNDS = 12
STILL = 1e-12


@dataclass(frozen=True, eq=False)
class GlassCard:
    """One card in a scan: where its corners (n, 2) were printed, mm, and are seen, px.

    ``lying_mm`` is `face_down_mm` of them at the origin, so turned over as the card lies.
    """

    number: int
    lying_mm: Array
    points_px: Array


@dataclass(frozen=True, eq=False)
class ScanFit:
    """The fitted map.

    Attributes
    ----------
    to_px
        (2, 3) sheet mm to pixels, as `tracer.model.scan_map.ScanMap` has it.
    places
        Per card: where its board's lower left corner lies as seen from above, and its turn.
    residuals_px
        Per card (n, 2): measured minus predicted.
    sigma_px
        Corner noise per axis.
    x, covariance
        Parameters: the map's six (`map_of`), then three per further card; (m, m), zero for a shear
        that was not needed.
    sheared
        Whether the corners ask for a shear.
    """

    to_px: Array
    places: tuple[tuple[float, float, float], ...]
    residuals_px: tuple[Array, ...]
    sigma_px: float
    x: Array
    covariance: Array
    sheared: bool


def face_down_mm(
    corners_card_mm: Array, place: tuple[float, float, float], size_mm: tuple[float, float]
) -> Array:
    """Card points (N, 2) to the sheet (N, 2) for a card that lies on its face.

    The one place where a scan is turned over: what is left on the print is right as seen from
    above. A placement is the lower left corner of the board *as it lies*, and the direction of its
    long side there, so that the board covers what an upright board at that placement would.

    Examples
    --------
    >>> face_down_mm(np.array([[0.0, 112.0]]), (0.0, 0.0, 0.0), (168.0, 112.0))
    array([[168.,   0.]])
    """
    turned = np.column_stack([BOARD_MM[0] - corners_card_mm[:, 0], corners_card_mm[:, 1]])
    return on_sheet(turned, place, size_mm)


def fit_scan(cards: Sequence[GlassCard]) -> ScanFit:
    """Fit one affine map and the places of the further cards to all corners.

    Two scales and a turn are fitted first; a shear is added where it betters the fit by more than
    chance does (`_chance`).

    Parameters
    ----------
    cards
        At least one; the first lies at the origin of the sheet.
    """
    start = np.concatenate([_start(cards[0]), *(_place_start(cards[0], c) for c in cards[1:])])
    free = np.delete(np.arange(len(start)), 3)
    plain = _solved(cards, start, free)
    sheared = _solved(cards, plain, np.arange(len(start)))
    squares = [float(np.sum(_residuals(cards, x) ** 2)) for x in (plain, sheared)]
    count = 2 * sum(len(c.points_px) for c in cards)
    needed = _chance(squares[0], squares[1], 1, count - len(start)) < SIGNIFICANT
    x = sheared if needed else plain
    used = np.arange(len(start)) if needed else free
    jacobian = _jacobian(cards, x)[:, used]
    sigma = float(np.sqrt(squares[int(needed)] / max(count - len(used), 1)))
    sigma = max(sigma, LEAST_SIGMA_PX)
    covariance = np.zeros((len(x), len(x)))
    covariance[np.ix_(used, used)] = sigma**2 * np.linalg.inv(jacobian.T @ jacobian)
    pieces = np.split(
        _residuals(cards, x).reshape(-1, 2), np.cumsum([len(c.points_px) for c in cards])[:-1]
    )
    return ScanFit(
        to_px=map_of(x),
        places=tuple(_place(x, k) for k in range(len(cards))),
        residuals_px=tuple(pieces),
        sigma_px=sigma,
        x=x,
        covariance=covariance,
        sheared=needed,
    )


def perspective(cards: Sequence[GlassCard]) -> tuple[float, float]:
    """Whether the cards are seen in perspective, as no scan shows them.

    Returns
    -------
    chance
        That corners without perspective look so: the F test of each card's homography (8 numbers)
        against its affine map (6), all cards together.
    change
        Relative change of scale along a board that the homographies show, the largest.
    """
    affine = homographic = 0.0
    freedom, change = 0, 0.0
    for card in cards:
        found = fit_homography(card.lying_mm, card.points_px)
        if found is None or len(card.points_px) < 6:
            continue
        affine += float(np.sum((card.points_px - _affine(card)) ** 2))
        away = card.points_px - apply_homography(found, card.lying_mm)
        homographic += float(np.sum(away**2))
        freedom += 2 * len(card.points_px) - 8
        middle = card.lying_mm.mean(axis=0)
        tilt = found[2, :2] / (found[2, :2] @ middle + found[2, 2])
        change = max(change, float(np.linalg.norm(tilt)) * BOARD_MM[0])
    return _chance(affine, homographic, 2 * len(cards), freedom), change


def strain(cards: Sequence[GlassCard]) -> tuple[float, float]:
    """Whether cards give the scan different scales.

    Returns
    -------
    chance
        That cards of one size look so: the F test of an affine map of each card's own against one
        map for all.
    difference
        Relative difference of length between the cards, the largest.
    """
    own = [_affine_of(card) for card in cards]
    apart = sum(float(np.sum((card.points_px - _affine(card)) ** 2)) for card in cards)
    start = np.concatenate([_start(cards[0]), *(_place_start(cards[0], c) for c in cards[1:])])
    x = _solved(cards, start, np.arange(len(start)))
    together = float(np.sum(_residuals(cards, x) ** 2))
    freedom = 2 * sum(len(c.points_px) for c in cards) - 6 * len(cards)
    stretches = [
        np.linalg.svd(np.linalg.inv(own[0][:, :2]) @ one[:, :2], compute_uv=False) for one in own
    ]
    difference = float(np.max(np.abs(np.log(stretches))))
    return _chance(together, apart, 3 * (len(cards) - 1), freedom), difference


def _affine_of(card: GlassCard) -> Array:
    """(2, 3) affine map of a card's own from where it lies to pixels, least squares."""
    rows = np.column_stack([card.lying_mm, np.ones(len(card.lying_mm))])
    return np.asarray(np.linalg.lstsq(rows, card.points_px, rcond=None)[0].T, np.float64)


def map_of(x: Array) -> Array:
    """(2, 3) of the parameters: ln scale of rows and columns (px/mm), turn, shear, shift (px)."""
    ln_x, ln_y, turn, shear, at_x, at_y = x[:6]
    c, s = np.cos(turn), np.sin(turn)
    stretch = np.diag(np.exp([ln_x, ln_y])) @ np.array([[1.0, shear], [0.0, 1.0]])
    return np.column_stack([stretch @ np.array([[c, -s], [s, c]]), [at_x, at_y]])


def _affine(card: GlassCard) -> Array:
    found = _affine_of(card)
    return np.asarray(card.lying_mm @ found[:, :2].T + found[:, 2], np.float64)


def _chance(simple: float, full: float, more: int, freedom: int) -> float:
    """Chance that ``more`` needless parameters lower the sum of squares from simple to full.

    The extra sum of squares over its freedom, in units of the variance that is left, follows F
    (N. R. Draper, H. Smith, "Applied Regression Analysis", the extra sum of squares principle; the
    distribution's tail: Abramowitz and Stegun, 26.6).
    """
    if freedom < 1:
        return 1.0
    noise = max(full / freedom, LEAST_SIGMA_PX**2)
    return float(fdtrc(more, freedom, max(simple - full, 0.0) / more / noise))


def _start(card: GlassCard) -> Array:
    """Parameters of the map from one card's own affine map."""
    found = _affine_of(card)
    # the lower row of the map's 2 x 2 part is the column scale times (sin, cos) of the turn
    turn = float(np.arctan2(found[1, 0], found[1, 1]))
    c, s = np.cos(turn), np.sin(turn)
    upright = found[:, :2] @ np.array([[c, s], [-s, c]])
    ln = np.log(np.abs([upright[0, 0], upright[1, 1]]))
    shear = float(upright[0, 1] / upright[0, 0])
    return np.array([ln[0], ln[1], turn, shear, found[0, 2], found[1, 2]])


def _place_start(first: GlassCard, card: GlassCard) -> Array:
    """Where a further card lies, by the first one's map."""
    one, own = _affine_of(first), _affine_of(card)
    inverse = np.linalg.inv(one[:, :2])
    turned = inverse @ own[:, :2]
    shift = inverse @ (own[:, 2] - one[:, 2])
    angle = np.arctan2(turned[1, 0] - turned[0, 1], turned[0, 0] + turned[1, 1])
    return np.array([shift[0], shift[1], angle])


def _place(x: Array, index: int) -> tuple[float, float, float]:
    if index == 0:
        return 0.0, 0.0, 0.0
    at_x, at_y, angle = x[3 + 3 * index : 6 + 3 * index]
    return float(at_x), float(at_y), float(angle)


def _predicted(cards: Sequence[GlassCard], x: Array) -> Array:
    to_px = map_of(x)
    points = []
    for k, card in enumerate(cards):
        at_x, at_y, angle = _place(x, k)
        c, s = np.cos(angle), np.sin(angle)
        points.append(card.lying_mm @ np.array([[c, s], [-s, c]]) + (at_x, at_y))
    return np.asarray(np.vstack(points) @ to_px[:, :2].T + to_px[:, 2], np.float64)


def _residuals(cards: Sequence[GlassCard], x: Array) -> Array:
    measured = np.vstack([c.points_px for c in cards])
    return np.asarray((measured - _predicted(cards, x)).ravel(), np.float64)


def _jacobian(cards: Sequence[GlassCard], x: Array) -> Array:
    """(2 n, m) of the predicted corners, by central differences: the map is all but linear."""
    columns = []
    for k in range(len(x)):
        step = np.zeros(len(x))
        step[k] = 1e-5 * max(1.0, abs(x[k]))
        ahead, back = (_predicted(cards, x + sign * step) for sign in (1, -1))
        columns.append((ahead - back).ravel() / (2 * step[k]))
    return np.column_stack(columns)


def _solved(cards: Sequence[GlassCard], start: Array, free: NDArray[np.intp]) -> Array:
    """Gauss-Newton over the free parameters; the others are 0 where they are a shear."""
    x = start.copy()
    x[np.delete(np.arange(len(x)), free)] = 0.0
    for _ in range(ROUNDS):
        jacobian = _jacobian(cards, x)[:, free]
        step = np.linalg.lstsq(jacobian, _residuals(cards, x), rcond=None)[0]
        x[free] += step
        if float(np.max(np.abs(step / np.maximum(np.abs(x[free]), 1.0)))) < STILL:
            break
    return x
