"""What the least squares solves for, and in which order it stands in the parameter vector.

Unknowns: per camera the lens (`lens.LENS_PARAMETERS`), per photo its pose and a small change of
focal length (autofocus), per card its place, and, because paper is neither flat nor true, its
two scales and six numbers of height (offset, two tilts, three bends). All but the places carry a
prior, so that what the corners cannot tell stays at its likely value instead of running away.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.calibration.lens import LENS_PARAMETERS
from tracer.model.card import BOARD_MM, PAPER_THICKNESS_MM, inner_corners_card_mm

__all__ = ["CARD_PARAMETERS", "SHAPES", "Layout", "Paper", "Prior", "Sighting"]

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

PHOTO_PARAMETERS = 7  # rotation vector, shift, change of ln f
CARD_PARAMETERS = 11  # x, y, angle, ln sx, ln sy, six heights
SHAPES = 6
#: inner corners in halves of the board, -1 to 1 about its middle, x right, y up
UNIT_CORNERS = (inner_corners_card_mm() * 2 / BOARD_MM - 1) * (1, -1)


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
    top_mm
        Height of the cards' printed faces above the sheet.
    """

    camera_of: tuple[int, ...]
    sizes_mm: tuple[tuple[float, float], ...]
    fixed_card: int
    top_mm: float = PAPER_THICKNESS_MM

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
        start = self._cards_from + card * CARD_PARAMETERS
        return slice(start, start + CARD_PARAMETERS)

    @property
    def _cards_from(self) -> int:
        return self.cameras * LENS_PARAMETERS + len(self.camera_of) * PHOTO_PARAMETERS

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

    def corner_points(self, x: Array, cards: Indices, kept: Indices) -> tuple[Array, Array]:
        """Corners on the sheet.

        Parameters
        ----------
        cards, kept
            (N,) card and inner corner of each point.

        Returns
        -------
        points (N, 3) in mm and their derivatives (N, 3, 11) by the card's own parameters.
        """
        values = x[self._cards_from :].reshape(-1, CARD_PARAMETERS)[cards]
        unit = UNIT_CORNERS[kept]
        half = np.array(self.sizes_mm)[cards] / 2 * np.exp(values[:, 3:5])
        across, along = unit[:, 0] * half[:, 0], unit[:, 1] * half[:, 1]
        c, s = np.cos(values[:, 2]), np.sin(values[:, 2])
        turned_x, turned_y = c * across - s * along, s * across + c * along
        u, v = unit[:, 0], unit[:, 1]
        shapes = np.column_stack([np.ones_like(u), u, v, u * u - 1 / 3, v * v - 1 / 3, u * v])
        heights = np.sum(shapes * values[:, 5:], axis=1) + self.top_mm
        points = np.column_stack([turned_x + values[:, 0], turned_y + values[:, 1], heights])
        by = np.zeros((len(kept), 3, CARD_PARAMETERS))
        by[:, 0, 0] = by[:, 1, 1] = 1
        by[:, 0, 2], by[:, 1, 2] = -turned_y, turned_x
        by[:, 0, 3], by[:, 1, 3] = c * across, s * across
        by[:, 0, 4], by[:, 1, 4] = -s * along, c * along
        by[:, 2, 5:] = shapes
        return points, by
