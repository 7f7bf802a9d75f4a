"""Photos of one lay to its calibration: the public entry of this package."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from tracer.calibration.bundle import Dropped, Joined, join_photos, settle, solve_photo
from tracer.calibration.detect import Detection, detect_cards, grey_of
from tracer.calibration.findings import findings, refuse_unusable
from tracer.calibration.lay import Place, Problem
from tracer.calibration.optics import as_cropped, group_cameras, middle_shift, optics_of
from tracer.calibration.result import assemble
from tracer.calibration.solve import Fit
from tracer.errors import TracerError
from tracer.model.calibration import Calibration
from tracer.model.card import BOARD_MM, CardSizes, mat_places, on_sheet
from tracer.model.photo import Photo

__all__ = ["calibrate"]

MAX_PHOTOS = 8
#: of the longer side: no lens looks so far beside the middle of its own sensor
CROPPED_SHARE = 0.03


def calibrate(
    photos: Sequence[Photo],
    *,
    card_sizes: CardSizes | None = None,
    camera_height_mm: float | None = None,
    mat_mm: tuple[float, float] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Calibration:
    """Find the cameras and the cards of one lay, and how far to trust both.

    Parameters
    ----------
    photos
        One to eight photos of the same lay, in any order.
    card_sizes
        Measured sizes of the printed boards; the nominal size where nothing was typed.
    camera_height_mm
        Measured height of the first photo's camera over the sheet, +/- 30 mm.
    mat_mm
        Width and height of the printed mat that the cards belong to: their places are then
        known beforehand.
    progress
        Told the done part, 0 to 1.

    Returns
    -------
    Calibration
        In the frame of the lowest-numbered card used.

    Raises
    ------
    TracerError
        With one of the slugs of `detect_cards`, `join_photos`, `settle` and `refuse_unusable`.
    """
    if not photos:
        raise TracerError("no-photo", "There is no photo to calibrate.", "Name at least one photo.")
    if len(photos) > MAX_PHOTOS:
        raise TracerError(
            "too-many-photos",
            f"{len(photos)} photos were given; at most {MAX_PHOTOS} are solved together.",
            "Give the three to five that show the lay best.",
        )
    told = progress or _silent
    optics = [optics_of(photo) for photo in photos]
    detections: list[Detection] = []
    for k, photo in enumerate(photos):
        detections.append(detect_cards(grey_of(photo), photo.name, optics[k].focal_px))
        told(0.7 * (k + 1) / len(photos))
    sizes = card_sizes or CardSizes()
    problem = Problem(
        tuple(photos),
        tuple(optics),
        group_cameras(photos, optics),
        tuple(d.cards for d in detections),
        sizes,
        None if mat_mm is None else _mat_middles(mat_mm, sizes),
        camera_height_mm,
    )
    lays = [solve_photo(problem.only(k), d.bend) for k, d in enumerate(detections)]
    joined = join_photos(problem, lays)
    told(0.8)
    solved, fit, dropped, cropped = _settle_or_crop(joined)
    refuse_unusable(solved, fit)
    told(0.9)
    calibration = assemble(problem, solved, fit, (*joined.dropped, *dropped))
    checks = findings(calibration, solved, fit, detections, cropped=cropped)
    return replace(calibration, checks=checks)


def _settle_or_crop(joined: Joined) -> tuple[Problem, Fit, tuple[Dropped, ...], bool]:
    """Settle; where cards disagree, see whether a picture cut from a larger one explains it.

    A cropped photo's lens does not look at its middle, and then sound cards seem to disagree.
    That is believed when it saves cards and puts the middle clearly elsewhere.
    """
    failure: TracerError | None = None
    result: tuple[Problem, Fit, tuple[Dropped, ...]] | None = None
    try:
        result = settle(joined.problem, joined.lay)
        if not result[2] and result[1].chi2_per_freedom < 2:
            return *result, False
    except TracerError as error:
        failure = error
    wide = tuple(as_cropped(lens) for lens in joined.problem.optics)
    try:
        other = settle(replace(joined.problem, optics=wide), joined.lay)
        away = max(middle_shift(other[1], k, lens) for k, lens in enumerate(wide))
        if away > CROPPED_SHARE and (result is None or len(other[2]) < len(result[2])):
            return *other, True
    except TracerError:
        pass  # the first answer stands
    if result is None:
        assert failure is not None
        raise failure
    return *result, False


def _silent(_done: float) -> None:
    """Tell nobody."""


def _mat_middles(mat_mm: tuple[float, float], sizes: CardSizes) -> dict[int, Place]:
    """Middles of the mat's cards; a mat printed small has its cards closer together."""
    middles: dict[int, Place] = {}
    stretch = np.array(sizes.of(0)) / BOARD_MM
    for number, place in mat_places(mat_mm).items():
        x, y = on_sheet([np.array(BOARD_MM) / 2], place)[0] * stretch
        middles[number] = (float(x), float(y), place[2])
    return middles
