"""A lay as far as it is known: cameras, poses and cards by number, in some sheet frame.

The least squares works on bare vectors; this is the form in which cards are dropped, photos are
joined and the frame is moved to another card.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.calibration.detect import SeenCard
from tracer.calibration.layout import CARD_PARAMETERS, Layout, Paper, Prior, Sighting
from tracer.calibration.lens import rotation, turn_matrix, unturn_px
from tracer.calibration.optics import Optics, lens_priors
from tracer.calibration.solve import Fit, solve
from tracer.model.card import CardSizes
from tracer.model.photo import Photo
from tracer.model.view import View

__all__ = ["Lay", "Place", "Problem", "fit_lay", "lay_of", "view_of"]

Array = NDArray[np.float64]
Place = tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Lay:
    """Cameras, poses and places.

    ``lenses`` (8,) per camera; ``poses`` (7,) per photo: rotation vector, shift, change of ln f;
    ``places`` per card number: middle of the board and direction; ``papers`` (8,) per number.
    """

    lenses: tuple[Array, ...]
    poses: tuple[Array, ...]
    places: Mapping[int, Place]
    papers: Mapping[int, Array]

    def moved(self, angle_rad: float, shift_mm: Array) -> Lay:
        """The same lay in another frame: turned about the old origin, then shifted."""
        c, s = np.cos(angle_rad), np.sin(angle_rad)
        turn = np.array([[c, -s], [s, c]])
        places = {}
        for number, (x, y, angle) in self.places.items():
            p = turn @ (x, y) + shift_mm
            turned = float(np.angle(np.exp(1j * (angle + angle_rad))))
            places[number] = (float(p[0]), float(p[1]), turned)
        back = np.eye(3)
        back[:2, :2] = turn.T
        poses = []
        for pose in self.poses:
            R = rotation(pose[:3])[0] @ back
            t = pose[3:6] - R[:, :2] @ shift_mm
            poses.append(np.concatenate([cv2.Rodrigues(R)[0].ravel(), t, pose[6:]]))
        return replace(self, places=places, poses=tuple(poses))

    def seen_from(self, number: int, size_mm: tuple[float, float]) -> Lay:
        """The same lay in the frame of card ``number``: its board's lower left corner is 0, 0."""
        x, y, angle = self.places[number]
        c, s = np.cos(angle), np.sin(angle)
        return self.moved(-angle, np.array(size_mm) / 2 - np.array([[c, s], [-s, c]]) @ (x, y))

    def without(self, number: int) -> Lay:
        """The same lay, one card fewer."""
        return replace(
            self,
            places={k: v for k, v in self.places.items() if k != number},
            papers={k: v for k, v in self.papers.items() if k != number},
        )


@dataclass(frozen=True, eq=False)
class Problem:
    """What is given: photos, their optics and cameras, the cards seen, sizes and known places.

    ``mat`` holds the places of cards (middle, direction) on a printed mat, in its own frame, or
    is None. ``height_mm`` is the typed camera height of the first photo.
    """

    photos: tuple[Photo, ...]
    optics: tuple[Optics, ...]
    cameras: tuple[int, ...]
    seen: tuple[Mapping[int, SeenCard], ...]
    sizes: CardSizes
    mat: Mapping[int, Place] | None = None
    height_mm: float | None = None

    def stored_px(self, photo: int, number: int) -> Array:
        """Corners (n, 2) of a card in the photo as stored."""
        p = self.photos[photo]
        return unturn_px(self.seen[photo][number].points_px, p.size_px, p.quarter_turns)

    def only(self, photo: int) -> Problem:
        """The same for one photo alone."""
        return replace(
            self,
            photos=(self.photos[photo],),
            optics=(self.optics[photo],),
            cameras=(0,),
            seen=(self.seen[photo],),
            height_mm=self.height_mm if photo == 0 else None,
        )

    def without(self, number: int, photo: int | None = None) -> Problem:
        """The same without a card, in one photo or in all."""
        return replace(
            self,
            seen=tuple(
                {k: c for k, c in cards.items() if k != number or photo not in (None, v)}
                for v, cards in enumerate(self.seen)
            ),
        )

    @property
    def numbers(self) -> tuple[int, ...]:
        """All card numbers seen, in order."""
        return tuple(sorted(set().union(*self.seen)))


#: a mat's places: plotters are true to about 0.1 %, and paper moves with humidity
MAT_SIGMA_MM, MAT_SIGMA_SHARE, MAT_SIGMA_RAD = 0.3, 0.001, 0.002
HEIGHT_SIGMA_MM = 30.0  # of a tape measure held beside a phone


def fit_lay(
    problem: Problem,
    lay: Lay,
    sigma_px: float,
    paper: Paper,
    *,
    robust: bool = True,
    max_steps: int = 40,
) -> Fit:
    """Least squares from a first guess, in the frame of the lowest-numbered card."""
    numbers = problem.numbers
    lay = lay.seen_from(numbers[0], problem.sizes.of(numbers[0]))
    layout = Layout(
        problem.cameras, tuple(problem.sizes.of(k) for k in numbers), 0, problem.sizes.top_mm
    )
    start = np.zeros(layout.size)
    for camera, lens in enumerate(lay.lenses):
        start[layout.lens(camera)] = lens
    for photo, pose in enumerate(lay.poses):
        start[layout.photo(photo)] = pose
    for card, number in enumerate(numbers):
        start[layout.card(card)] = *lay.places[number], *lay.papers.get(number, np.zeros(8))
    sightings = [
        Sighting(photo, numbers.index(number), card.kept, problem.stored_px(photo, number))
        for photo, cards in enumerate(problem.seen)
        for number, card in sorted(cards.items())
    ]
    priors = [
        *lens_priors(layout, problem.optics),
        *layout.paper_priors(paper),
        *_mat_priors(problem, layout, numbers),
    ]
    return solve(
        layout,
        sightings,
        priors,
        start,
        sigma_px,
        robust=robust,
        max_steps=max_steps,
        height_prior=None if problem.height_mm is None else (problem.height_mm, HEIGHT_SIGMA_MM),
    )


def _mat_priors(problem: Problem, layout: Layout, numbers: Sequence[int]) -> list[Prior]:
    if problem.mat is None or numbers[0] not in problem.mat:
        return []
    size = problem.sizes.of(numbers[0])
    mat = Lay((), (), problem.mat, {}).seen_from(numbers[0], size).places
    base = np.array(size) / 2
    priors = []
    for card, number in enumerate(numbers[1:], 1):
        if number not in mat:
            continue
        x, y, angle = mat[number]
        sigma = MAT_SIGMA_MM + MAT_SIGMA_SHARE * float(np.hypot(x - base[0], y - base[1]))
        start = layout.card(card).start
        priors += [
            Prior(start, x, sigma),
            Prior(start + 1, y, sigma),
            Prior(start + 2, angle, MAT_SIGMA_RAD),
        ]
    return priors


def lay_of(fit: Fit, numbers: Sequence[int]) -> Lay:
    """A solution, by card number."""
    layout = fit.layout
    cards = {number: fit.x[layout.card(k)] for k, number in enumerate(numbers)}
    return Lay(
        tuple(fit.x[layout.lens(c)] for c in range(layout.cameras)),
        tuple(fit.x[layout.photo(p)] for p in range(len(layout.camera_of))),
        {k: (float(v[0]), float(v[1]), float(v[2])) for k, v in cards.items()},
        {k: v[3:CARD_PARAMETERS] for k, v in cards.items()},
    )


def view_of(fit: Fit, photo: int, source: Photo) -> View:
    """The calibrated camera of one photo, turned upright."""
    lens = fit.layout.lens_of(fit.x, photo)
    pose = fit.x[fit.layout.photo(photo)]
    turn = turn_matrix(source.quarter_turns)
    middle = (np.array(source.size_px, np.float64) - 1) / 2
    stored = middle if source.quarter_turns % 2 == 0 else middle[::-1]
    cx, cy = turn @ (lens[1:3] - stored) + middle
    # decentring acts along the vector (p2, p1), which turns with the picture
    p2, p1 = turn @ (lens[7], lens[6])
    whole = np.eye(3)
    whole[:2, :2] = turn
    focal = float(np.exp(lens[0]))
    R = whole @ rotation(pose[:3])[0]
    parts = (
        np.array([[focal, 0.0, cx], [0.0, focal, cy], [0.0, 0.0, 1.0]]),
        np.array([lens[3], lens[4], p1, p2, lens[5]]),
        R,
        whole @ pose[3:6],
    )
    for part in parts:
        part.flags.writeable = False
    return View(source.photo_id, source.size_px, *parts)
