"""One least-squares fit of cameras, poses and cards to all corners at once.

Unknowns: per camera the lens (`lens.LENS_PARAMETERS`), per photo its pose and a small change of
focal length (autofocus), per card its place, and, because paper is neither flat nor true, its
two scales and six numbers of height (offset, two tilts, three bends). All but the places carry a
prior, so that what the corners cannot tell stays at its likely value instead of running away.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from tracer.calibration.lens import LENS_PARAMETERS, cross_matrix, project, rotation
from tracer.model.card import BOARD_MM, PAPER_THICKNESS_MM, inner_corners_card_mm

__all__ = ["CARD_PARAMETERS", "Fit", "Layout", "Paper", "Prior", "Sighting", "solve"]

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

PHOTO_PARAMETERS = 7  # rotation vector, shift, change of ln f
CARD_PARAMETERS = 11  # x, y, angle, ln sx, ln sy, six heights
SHAPES = 6
HUBER_SIGMAS = 2.0


@dataclass(frozen=True)
class Paper:
    """How far a card may differ from a flat board of its stated size (standard deviations)."""

    scale: float
    height_mm: float


@dataclass(frozen=True, eq=False)
class Sighting:
    """Corners ``kept`` (n,) of one card in one photo, at (n, 2) px of the *stored* photo."""

    photo: int
    card: int
    kept: Indices
    points_px: Array


@dataclass(frozen=True)
class Prior:
    """A parameter's likely value."""

    index: int
    mean: float
    sigma: float


@dataclass(frozen=True, eq=False)
class Layout:
    """What the parameter vector holds: cameras, then photos, then cards.

    Attributes
    ----------
    camera_of
        Camera index per photo.
    sizes_mm
        Printed size per card.
    fixed_card
        The card that carries the sheet frame; its place is not a parameter.
    """

    camera_of: tuple[int, ...]
    sizes_mm: tuple[tuple[float, float], ...]
    fixed_card: int

    @property
    def cameras(self) -> int:
        """Number of cameras."""
        return max(self.camera_of) + 1

    @property
    def size(self) -> int:
        """Length of the parameter vector."""
        return int(self.card(len(self.sizes_mm)).start)

    def lens(self, camera: int) -> slice:
        """Parameters of a camera."""
        return slice(camera * LENS_PARAMETERS, (camera + 1) * LENS_PARAMETERS)

    def photo(self, photo: int) -> slice:
        """Parameters of a photo."""
        start = self.cameras * LENS_PARAMETERS + photo * PHOTO_PARAMETERS
        return slice(start, start + PHOTO_PARAMETERS)

    def card(self, card: int) -> slice:
        """Parameters of a card."""
        start = (
            self.cameras * LENS_PARAMETERS
            + len(self.camera_of) * PHOTO_PARAMETERS
            + card * CARD_PARAMETERS
        )
        return slice(start, start + CARD_PARAMETERS)

    def free(self) -> Indices:
        """Indices of the parameters that are solved for."""
        free = np.ones(self.size, bool)
        free[self.card(self.fixed_card).start + np.arange(3)] = False
        for photo, camera in enumerate(self.camera_of):
            if self.camera_of.count(camera) == 1:
                free[self.photo(photo).stop - 1] = False
        return np.flatnonzero(free)

    def lens_of(self, x: Array, photo: int) -> Array:
        """Lens (8,) of a photo, its own focal length included."""
        lens = x[self.lens(self.camera_of[photo])].copy()
        lens[0] += x[self.photo(photo)][6]
        return lens

    def paper_priors(self, paper: Paper) -> list[Prior]:
        """Priors that hold the cards flat and true to size."""
        priors = []
        for card in range(len(self.sizes_mm)):
            start = self.card(card).start
            priors += [Prior(start + 3 + k, 0.0, paper.scale) for k in range(2)]
            priors += [Prior(start + 5 + k, 0.0, paper.height_mm) for k in range(SHAPES)]
        return priors

    def card_points(self, x: Array, card: int, kept: Indices) -> tuple[Array, Array]:
        """Corners (n, 3) of a card on the sheet and their derivatives (n, 3, 11)."""
        size = self.sizes_mm[card]
        px, py, angle, ln_sx, ln_sy, *heights = x[self.card(card)]
        middle = np.array(BOARD_MM) / 2
        unit = (inner_corners_card_mm()[kept] - middle) * (1, -1) / middle  # -1..1, y up
        flat = unit * middle * (size[0] / BOARD_MM[0], size[1] / BOARD_MM[1])
        flat = flat * np.exp([ln_sx, ln_sy])
        c, s = np.cos(angle), np.sin(angle)
        turn = np.array([[c, -s], [s, c]])
        u, v = unit[:, 0], unit[:, 1]
        shapes = np.column_stack([np.ones_like(u), u, v, u * u - 1 / 3, v * v - 1 / 3, u * v])
        points = np.column_stack([flat @ turn.T + (px, py), shapes @ heights + PAPER_THICKNESS_MM])
        by = np.zeros((len(kept), 3, CARD_PARAMETERS))
        by[:, 0, 0] = by[:, 1, 1] = 1
        by[:, :2, 2] = flat @ np.array([[-s, -c], [c, -s]]).T
        by[:, :2, 3] = flat[:, :1] * turn[:, 0]
        by[:, :2, 4] = flat[:, 1:] * turn[:, 1]
        by[:, 2, 5:] = shapes
        return points, by


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
        )


def _corner_system(
    layout: Layout, sightings: Sequence[Sighting], x: Array, sigma_px: float
) -> tuple[Array, Array]:
    """Whitened residuals (predicted minus measured) and Jacobian of all corners."""
    count = sum(2 * len(s.kept) for s in sightings)
    residual, jacobian = np.empty(count), np.zeros((count, layout.size))
    row = 0
    for s in sightings:
        points, by_card = layout.card_points(x, s.card, s.kept)
        pixels, by_lens, by_pose, by_point = project(
            layout.lens_of(x, s.photo), x[layout.photo(s.photo)][:6], points
        )
        rows = slice(row, row + 2 * len(s.kept))
        row = rows.stop
        residual[rows] = (pixels - s.points_px).ravel()
        jacobian[rows, layout.lens(layout.camera_of[s.photo])] = by_lens.reshape(-1, 8)
        pose = layout.photo(s.photo)
        jacobian[rows, pose.start : pose.start + 6] = by_pose.reshape(-1, 6)
        jacobian[rows, pose.start + 6] = by_lens[:, :, 0].ravel()
        jacobian[rows, layout.card(s.card)] = (by_point @ by_card).reshape(-1, CARD_PARAMETERS)
    return residual / sigma_px, jacobian / sigma_px


def _huber(corners: int) -> Callable[[Array], Array]:
    """Loss for `least_squares`: Huber for the corners, squares for the priors."""

    def loss(z: Array) -> Array:
        rho = np.vstack([z, np.ones_like(z), np.zeros_like(z)])
        limit = HUBER_SIGMAS**2
        far = np.flatnonzero(z[:corners] > limit)
        root = np.sqrt(z[far])
        rho[:, far] = (
            2 * HUBER_SIGMAS * root - limit,
            HUBER_SIGMAS / root,
            -HUBER_SIGMAS / (2 * root**3),
        )
        return rho

    return loss


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
    free = layout.free()
    index = np.array([p.index for p in priors], np.intp)
    mean = np.array([p.mean for p in priors])
    sigma = np.array([p.sigma for p in priors])
    fixed_rows = np.zeros((len(priors), layout.size))
    fixed_rows[np.arange(len(priors)), index] = 1 / sigma
    scale = _typical(layout)
    np.minimum.at(scale, index, sigma)

    def full(y: Array) -> Array:
        x = start.copy()
        x[free] = y
        return x

    def residuals(y: Array) -> Array:
        x = full(y)
        corners, _ = _corner_system(layout, sightings, x, sigma_px)
        parts = [corners, (x[index] - mean) / sigma]
        if height_prior:
            parts.append([(_height(layout, x)[0] - height_prior[0]) / height_prior[1]])
        return np.concatenate(parts)

    def rows(x: Array) -> tuple[Array, Array, Array]:
        whitened, corners = _corner_system(layout, sightings, x, sigma_px)
        priors_ = fixed_rows
        if height_prior:
            priors_ = np.vstack([fixed_rows, _height(layout, x)[1] / height_prior[1]])
        return whitened, corners, np.vstack([corners, priors_])[:, free]

    def jacobian(y: Array) -> Array:
        return rows(full(y))[2]

    corners = sum(2 * len(s.kept) for s in sightings)
    result = least_squares(
        residuals,
        start[free],
        jac=jacobian,
        x_scale=scale[free],
        method="trf",
        loss=_huber(corners) if robust else "linear",
        max_nfev=max_steps,
        xtol=1e-9,
        ftol=1e-9,
    )
    x = full(result.x)
    whitened, corner_rows, all_rows = rows(x)
    normal = all_rows.T @ all_rows
    root = np.sqrt(np.diag(normal))  # scaled before inversion: units differ by 10^6
    inverse = np.linalg.pinv(normal / np.outer(root, root), hermitian=True) / np.outer(root, root)
    covariance = np.zeros((layout.size, layout.size))
    covariance[np.ix_(free, free)] = inverse
    # of the observations' freedom, the parameters use up trace(J C J^T)
    used = float(np.sum((corner_rows[:, free] @ inverse) * corner_rows[:, free]))
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
        cost=float(result.cost),
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


def _typical(layout: Layout) -> Array:
    """Step sizes per parameter, before the priors narrow them."""
    scale = np.ones(layout.size)
    for camera in range(layout.cameras):
        scale[layout.lens(camera)] = 0.01, 10, 10, 0.01, 0.01, 0.01, 1e-3, 1e-3
    for photo in range(len(layout.camera_of)):
        scale[layout.photo(photo)] = 1e-3, 1e-3, 1e-3, 1, 1, 1, 1e-3
    for card in range(len(layout.sizes_mm)):
        scale[layout.card(card)] = 1, 1, 1e-2, 1e-3, 1e-3, *[0.1] * SHAPES
    return scale
