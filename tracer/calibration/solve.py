"""One least-squares fit of cameras, poses and cards to all corners at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracer.calibration.layout import CARD_PARAMETERS, Layout, Prior, Sighting
from tracer.calibration.lens import cross_matrix, project, rotation

__all__ = ["Fit", "solve"]

Array = NDArray[np.float64]

HUBER_SIGMAS = 2.0
CONVERGED = 1e-6  # relative change of the sum of squares: far below one unit of chi-square


@dataclass(frozen=True, eq=False)
class Fit:
    """A solution.

    Attributes
    ----------
    x
        Parameter vector; a card's x, y are those of its board's *middle*.
    covariance
        (size, size), zero rows for what is fixed.
    residuals_px
        Per sighting (n, 2): measured minus predicted, stored photo.
    sigma_px
        Corner noise the fit was weighted with.
    chi2, freedom
        Sum of squared whitened corner residuals, and the corners' share of the degrees of freedom.
    cost
        Half the robust sum of squares, priors included: compares two starts.
    misfit
        Reduced chi-square before `reweighted` took it into ``sigma_px``.
    """

    layout: Layout
    sightings: tuple[Sighting, ...]
    priors: tuple[Prior, ...]
    x: Array
    covariance: Array
    residuals_px: tuple[Array, ...]
    sigma_px: float
    chi2: float
    freedom: float
    cost: float
    misfit: float = 1.0

    @property
    def chi2_per_freedom(self) -> float:
        """Reduced chi-square of the corners."""
        return self.chi2 / max(self.freedom, 1.0)

    def place(self, card: int) -> tuple[float, float, float]:
        """Middle of a card's board and its direction."""
        x, y, angle = self.layout_part(card)[:3]
        return float(x), float(y), float(angle)

    def layout_part(self, card: int) -> Array:
        """Parameters (11,) of a card."""
        return self.x[self.layout.card(card)]

    def reweighted(self, sigma_px: float) -> Fit:
        """The same fit as if the corner noise had been ``sigma_px``; covariance scaled up."""
        factor = (sigma_px / self.sigma_px) ** 2
        return replace(
            self,
            covariance=self.covariance * factor,
            sigma_px=sigma_px,
            chi2=self.chi2 / factor,
            misfit=self.chi2_per_freedom,
        )


class _System:
    """Whitened residuals (predicted minus measured) and their Jacobian by the free parameters."""

    def __init__(
        self,
        layout: Layout,
        sightings: Sequence[Sighting],
        priors: Sequence[Prior],
        sigma_px: float,
        height_prior: tuple[float, float] | None,
    ) -> None:
        self.layout = layout
        self.free = layout.free()
        self.sigma_px = sigma_px
        self.height_prior = height_prior
        self.photo = np.concatenate([np.full(len(s.kept), s.photo) for s in sightings])
        self.card = np.concatenate([np.full(len(s.kept), s.card) for s in sightings])
        self.kept = np.concatenate([s.kept for s in sightings])
        self.measured = np.vstack([s.points_px for s in sightings])
        self.corners = 2 * len(self.kept)
        self.index = np.array([p.index for p in priors], np.intp)
        self.mean = np.array([p.mean for p in priors])
        self.sigma = np.array([p.sigma for p in priors])
        self.prior_rows = np.zeros((len(priors), layout.size))
        self.prior_rows[np.arange(len(priors)), self.index] = 1 / self.sigma

    def __call__(self, x: Array) -> tuple[Array, Array]:
        residual, jacobian = self._corners(x)
        residuals = [residual, (x[self.index] - self.mean) / self.sigma]
        rows = [jacobian, self.prior_rows]
        if self.height_prior:
            height, by = _height(self.layout, x)
            typed, sigma = self.height_prior
            residuals.append(np.array([(height - typed) / sigma]))
            rows.append(by[None] / sigma)
        return np.concatenate(residuals), np.vstack(rows)[:, self.free]

    def _corners(self, x: Array) -> tuple[Array, Array]:
        layout = self.layout
        points, by_card = layout.corner_points(x, self.card, self.kept)
        residual = np.empty((len(points), 2))
        jacobian = np.zeros((len(points), 2, layout.size))
        for photo, camera in enumerate(layout.camera_of):
            here = np.flatnonzero(self.photo == photo)
            pose = layout.photo(photo)
            pixels, by_lens, by_pose, by_point = project(
                layout.lens_of(x, photo), x[pose][:6], points[here]
            )
            residual[here] = pixels - self.measured[here]
            jacobian[here, :, layout.lens(camera)] = by_lens
            jacobian[here, :, pose.start : pose.start + 6] = by_pose
            jacobian[here, :, pose.stop - 1] = by_lens[:, :, 0]
            columns = layout.card(0).start + CARD_PARAMETERS * self.card[here]
            block = by_point @ by_card[here]
            for k in range(CARD_PARAMETERS):
                jacobian[here, :, columns + k] = block[:, :, k]
        return (
            residual.ravel() / self.sigma_px,
            jacobian.reshape(-1, layout.size) / self.sigma_px,
        )

    def weights(self, residuals: Array, robust: bool) -> tuple[Array, float]:
        """Root of Huber's weight per residual, priors untouched, and the robust cost."""
        size = np.abs(residuals)
        far = size > HUBER_SIGMAS
        if not robust:
            far[:] = False
        far[self.corners :] = False
        squares = np.where(far, HUBER_SIGMAS * (2 * size - HUBER_SIGMAS), size**2)
        weight = np.where(far, np.sqrt(HUBER_SIGMAS / np.maximum(size, HUBER_SIGMAS)), 1.0)
        return weight, float(np.sum(squares)) / 2


def solve(
    layout: Layout,
    sightings: Sequence[Sighting],
    priors: Sequence[Prior],
    start: Array,
    sigma_px: float,
    *,
    robust: bool = True,
    max_steps: int = 40,
    height_prior: tuple[float, float] | None = None,
) -> Fit:
    """Fit all parameters.

    Levenberg-Marquardt on the normal equations, reweighted by Huber's function (P. J. Huber,
    *Robust Statistics*, 1981, ch. 7). General solvers decompose the whole Jacobian in every step;
    with a prior on nearly every parameter that is needless and several times slower.

    Parameters
    ----------
    start
        (layout.size,) first guess; the fixed card's place is taken from it.
    sigma_px
        Corner noise per axis.
    robust
        Huber's loss beyond 2 sigma instead of squares.
    height_prior
        Typed height of the first photo's camera and its standard deviation, mm.
    """
    system = _System(layout, sightings, priors, sigma_px, height_prior)
    free = system.free
    x = start.copy()
    residuals, jacobian = system(x)
    weight, cost = system.weights(residuals, robust)
    damping = 1e-4
    for _ in range(max_steps):
        weighted = jacobian * weight[:, None]
        normal, slope = weighted.T @ weighted, weighted.T @ (residuals * weight)
        unit = 1 / np.sqrt(np.diag(normal))  # units differ by 10^6
        scaled = normal * np.outer(unit, unit)
        before = cost
        while damping < 1e6:
            step = -unit * np.linalg.solve(scaled + damping * np.eye(len(free)), slope * unit)
            if -step @ slope <= CONVERGED * cost:
                break  # even the promised gain is nothing
            trial = x.copy()
            trial[free] += step
            found = system(trial)
            trial_weight, trial_cost = system.weights(found[0], robust)
            if trial_cost <= cost:
                x, (residuals, jacobian) = trial, found
                weight, cost = trial_weight, trial_cost
                damping = max(damping / 10, 1e-12)
                break
            damping *= 10
        if before - cost <= CONVERGED * before:
            break
    normal = jacobian.T @ jacobian
    root = np.sqrt(np.diag(normal))
    inverse = np.linalg.pinv(normal / np.outer(root, root), hermitian=True) / np.outer(root, root)
    covariance = np.zeros((layout.size, layout.size))
    covariance[np.ix_(free, free)] = inverse
    corner_rows, whitened = jacobian[: system.corners], residuals[: system.corners]
    # of the observations' freedom, the parameters use up trace(J C J^T)
    used = float(np.sum((corner_rows @ inverse) * corner_rows))
    pieces = np.split(
        -whitened.reshape(-1, 2) * sigma_px, np.cumsum([len(s.kept) for s in sightings])[:-1]
    )
    return Fit(
        layout=layout,
        sightings=tuple(sightings),
        priors=tuple(priors),
        x=x,
        covariance=covariance,
        residuals_px=tuple(pieces),
        sigma_px=sigma_px,
        chi2=float(whitened @ whitened),
        freedom=len(whitened) - used,
        cost=cost,
    )


def _height(layout: Layout, x: Array) -> tuple[float, Array]:
    """Height of the first photo's camera over the sheet and its derivatives (size,)."""
    part = layout.photo(0)
    R, left = rotation(x[part][:3])
    t = x[part][3:6]
    by = np.zeros(layout.size)
    # the centre is -R' t
    by[part.start : part.start + 3] = -R[:, 2] @ cross_matrix(t) @ left
    by[part.start + 3 : part.start + 6] = -R[:, 2]
    return float(-R[:, 2] @ t), by
