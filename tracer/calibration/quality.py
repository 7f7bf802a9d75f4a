"""How far to trust a fit: disagreeing cards, covariance on the sheet, cards left out in turn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincc

from tracer.calibration.layout import SHAPES, Paper
from tracer.calibration.lens import cross_matrix, project, rotation
from tracer.calibration.solve import Fit

__all__ = ["Verdict", "paper_of", "pose_covariance", "rigid_motions", "sigma_on_sheet", "verdicts"]

Array = NDArray[np.float64]

#: what flat, well printed paper may differ: humidity, and ripples under a loose sheet
TOLERATED = Paper(scale=0.0007, height_mm=0.25)
WORST = 3.0  # times the tolerance: cards that all look like that set the measure themselves
#: what even a rendered card is not better than
LEAST = Paper(scale=0.0002, height_mm=0.05)


@dataclass(frozen=True)
class Verdict:
    """What one card looks like when its own paper is judged by all the others.

    ``doubt`` is minus log10 of the chance that tolerated paper looks so, ``size_doubt`` and
    ``shape_doubt`` the same for its size and its flatness alone; ``scale`` the relative deviation
    of its long and short side, ``height_mm`` the span of its heights over the sheet.
    """

    card: int
    doubt: float
    size_doubt: float
    shape_doubt: float
    scale: tuple[float, float]
    height_mm: float

    @property
    def flat(self) -> bool:
        """Whether the print size, not the shape, is what is odd."""
        return self.size_doubt >= self.shape_doubt


def verdicts(fit: Fit) -> list[Verdict]:
    """Judge every card, the most doubtful first.

    The fit holds each card's paper numbers b at 0 with a prior of covariance S and finds the
    posterior mean m with covariance C. If the prior is right, m has covariance S - C; so
    ``m' (S - C)^-1 m`` follows chi-square, and without the prior b would be
    ``S (S - C)^-1 m``. Directions of which the corners say nothing are left out.
    """
    sigma = {p.index: p.sigma for p in fit.priors}
    found = []
    for card in range(len(fit.layout.sizes_mm)):
        start = fit.layout.card(card).start
        everything = np.arange(start + 3, start + 5 + SHAPES)
        whole, _ = _surprise(fit, everything, sigma)
        size, free_scale = _surprise(fit, everything[:2], sigma)
        shape, free_shape = _surprise(fit, everything[2:], sigma)
        u, v = np.meshgrid(np.linspace(-1, 1, 5), np.linspace(-1, 1, 5))
        bends = [u * 0 + 1, u, v, u * u - 1 / 3, v * v - 1 / 3, u * v]
        heights = sum(h * b for h, b in zip(free_shape, bends, strict=True))
        found.append(
            Verdict(
                card,
                max(whole, size, shape),
                size,
                shape,
                (float(np.expm1(free_scale[0])), float(np.expm1(free_scale[1]))),
                float(np.ptp(heights)),
            )
        )
    return sorted(found, key=lambda v: -v.doubt)


def _surprise(fit: Fit, index: NDArray[np.intp], sigma: dict[int, float]) -> tuple[float, Array]:
    """Minus log10 of the p-value of a block of parameters, and its value without prior."""
    scale = np.array([sigma[int(i)] for i in index])
    mean = fit.x[index] / scale
    known = np.eye(len(index)) - fit.covariance[np.ix_(index, index)] / np.outer(scale, scale)
    values, axes = np.linalg.eigh(known)
    told = values > 1e-3
    along = axes.T @ mean
    statistic = float(np.sum(along[told] ** 2 / values[told]))
    free = scale * (axes[:, told] @ (along[told] / values[told]))
    # survival of chi-square: Q(n / 2, x / 2) (Abramowitz and Stegun, 26.4.19); where it underflows
    # its leading term has to do
    survival = float(gammaincc(max(int(told.sum()), 1) / 2, statistic / 2))
    log_p = float(np.log(survival)) if survival > 0 else -statistic / 2
    return -log_p / float(np.log(10)), free


def paper_of(fit: Fit, tolerated: Paper = TOLERATED) -> Paper:
    """How far these cards are from flat and true: mean square of what was found, with its doubt.

    One step of expectation-maximisation (A. P. Dempster, N. M. Laird, D. B. Rubin, 1977), kept
    between what even perfect cards get and what good paper is allowed.
    """
    mean_squares = []
    for block in (slice(3, 5), slice(5, 5 + SHAPES)):
        squares = []
        for card in range(len(fit.layout.sizes_mm)):
            index = np.arange(fit.layout.size)[fit.layout.card(card)][block]
            squares.append(fit.x[index] ** 2 + fit.covariance[index, index])
        mean_squares.append(float(np.sqrt(np.mean(squares))))
    return Paper(
        float(np.clip(mean_squares[0], LEAST.scale, WORST * tolerated.scale)),
        float(np.clip(mean_squares[1], LEAST.height_mm, WORST * tolerated.height_mm)),
    )


def _sheet_sensitivity(fit: Fit, photo: int, points_mm: Array) -> Array:
    """d (sheet point seen at a fixed pixel) / d parameters, (N, 2, size)."""
    flat = np.column_stack([points_mm, np.zeros(len(points_mm))])
    layout = fit.layout
    _, by_lens, by_pose, by_point = project(
        layout.lens_of(fit.x, photo), fit.x[layout.photo(photo)][:6], flat
    )
    by = np.zeros((len(points_mm), 2, layout.size))
    by[:, :, layout.lens(layout.camera_of[photo])] = by_lens
    pose = layout.photo(photo)
    by[:, :, pose.start : pose.start + 6] = by_pose
    by[:, :, pose.stop - 1] = by_lens[:, :, 0]
    return np.asarray(-np.linalg.inv(by_point[:, :, :2]) @ by, np.float64)


def rigid_motions(points_mm: Array) -> Array:
    """Motions (N, 2, 3) of sheet points under two shifts and a turn."""
    motion = np.zeros((len(points_mm), 2, 3))
    motion[:, 0, 0] = motion[:, 1, 1] = 1
    motion[:, 0, 2], motion[:, 1, 2] = -points_mm[:, 1], points_mm[:, 0]
    return motion


def _lay_motion(fit: Fit, photo: int, lay_mm: Array) -> Array:
    """d (rigid motion of the whole lay) / d parameters, (3, size)."""
    sensitivity = _sheet_sensitivity(fit, photo, lay_mm).reshape(-1, fit.layout.size)
    return np.asarray(
        np.linalg.pinv(rigid_motions(lay_mm).reshape(-1, 3)) @ sensitivity, np.float64
    )


def sigma_on_sheet(fit: Fit, photo: int, lay_mm: Array, points_mm: Array) -> Array:
    """Standard deviation per axis (N,) of the map at points, free of the lay's rigid motion.

    Parameters
    ----------
    lay_mm
        (M, 2) points spread over the lay: the motion that fits them best does not count.
    points_mm
        (N, 2) where the answer is wanted.
    """
    moved = _lay_motion(fit, photo, lay_mm)
    rest = _sheet_sensitivity(fit, photo, points_mm) - rigid_motions(points_mm) @ moved
    variance = np.einsum("nip,pq,niq->n", rest, fit.covariance, rest, optimize=True)
    return np.asarray(np.sqrt(np.maximum(variance, 0) / 2), np.float64)


def pose_covariance(fit: Fit, photo: int, lay_mm: Array) -> Array:
    """Covariance (3, 3) of nadir x, y and camera height, free of the lay's rigid motion, mm^2."""
    layout = fit.layout
    part = layout.photo(photo)
    vector, t = fit.x[part][:3], fit.x[part][3:6]
    R, left = rotation(vector)
    by = np.zeros((3, layout.size))
    by[:, part.start : part.start + 3] = -R.T @ cross_matrix(t) @ left  # centre = -R' t
    by[:, part.start + 3 : part.start + 6] = -R.T
    centre = -R.T @ t
    by[:2] -= rigid_motions(centre[None, :2])[0] @ _lay_motion(fit, photo, lay_mm)
    return np.asarray(by @ fit.covariance @ by.T, np.float64)


def spread_over(hull_mm: Sequence[tuple[float, float]] | Array, count: int = 9) -> Array:
    """Grid points (N, 2) over the bounding box of a hull's corners."""
    corners = np.asarray(hull_mm, np.float64)
    x, y = (np.linspace(corners[:, k].min(), corners[:, k].max(), count) for k in (0, 1))
    return np.column_stack([g.ravel() for g in np.meshgrid(x, y)])
