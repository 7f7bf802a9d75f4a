"""Photos of one lay to its calibration: the public entry of this package."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tracer.calibration.bundle import Dropped, Joined, join_photos, settle, solve_photo
from tracer.calibration.detect import Detection, detect_cards, grey_of
from tracer.calibration.findings import findings, refuse_unusable
from tracer.calibration.lay import Lay, Place, Problem
from tracer.calibration.optics import (
    as_contradicted,
    as_cropped,
    contradicts,
    group_cameras,
    middle_shift,
    optics_of,
)
from tracer.calibration.result import assemble
from tracer.calibration.scan_findings import looks_scanned
from tracer.calibration.solve import Fit
from tracer.calibration.typed_height import contradiction
from tracer.errors import TracerError
from tracer.model.calibration import Calibration
from tracer.model.card import BOARD_MM, CardSizes, mat_places, on_sheet
from tracer.model.photo import Photo
from tracer.ranges import COUNTS

__all__ = ["calibrate", "refuse_too_many", "solve_lay"]

MAX_PHOTOS = int(COUNTS["photos of one lay, solved together"].high)
#: of the longer side: no lens looks so far beside the middle of its own sensor
CROPPED_SHARE = 0.03
#: reduced chi-square at which the cameras are questioned
DOUBTFUL_MISFIT = 2.0


def refuse_too_many(photos: int) -> None:
    """Stop before more photos of one lay are decoded than can be solved together.

    Raises
    ------
    TracerError
        ``too-many-photos``.
    """
    if photos > MAX_PHOTOS:
        raise TracerError(
            "too-many-photos",
            f"{photos} photos were given; at most {MAX_PHOTOS} are solved together.",
            "Give the three to five that show the lay best.",
        )


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
        With one of the slugs of `detect_cards`, `join_photos`, `settle`, `refuse_unusable` and
        `contradiction`; ``looks-scanned`` in their place.
    """
    if not photos:
        raise TracerError("no-photo", "There is no photo to calibrate.", "Name at least one photo.")
    refuse_too_many(len(photos))
    told = progress or _silent
    optics = [optics_of(photo) for photo in photos]
    detections: list[Detection] = []
    for k, photo in enumerate(photos):
        detections.append(detect_cards(grey_of(photo), photo.name, optics[k].focal_px))
        told(0.7 * (k + 1) / len(photos))
    scanned = [c for p, d in zip(photos, detections, strict=True) for c in looks_scanned(p, d)]
    try:
        calibration = solve_lay(
            photos,
            detections,
            card_sizes=card_sizes,
            camera_height_mm=camera_height_mm,
            mat_mm=mat_mm,
            progress=lambda done: told(0.7 + 0.3 * done),
        )
    except TracerError:
        if scanned:  # no camera fits a scan, and what is said of it would mislead
            raise TracerError(
                scanned[0].slug, scanned[0].sentence, scanned[0].remedy or ""
            ) from None
        raise
    return replace(calibration, checks=(*calibration.checks, *scanned))


def solve_lay(
    photos: Sequence[Photo],
    detections: Sequence[Detection],
    *,
    card_sizes: CardSizes | None = None,
    camera_height_mm: float | None = None,
    mat_mm: tuple[float, float] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Calibration:
    """`calibrate` from cards that were measured already, one detection per photo."""
    told = progress or _silent
    if camera_height_mm is not None:
        try:
            untyped = solve_lay(photos, detections, card_sizes=card_sizes, mat_mm=mat_mm)
        except TracerError:
            pass  # the typed height may be what is missing
        else:
            doubt = contradiction(camera_height_mm, untyped, photos[0])
            if doubt is not None:
                return replace(untyped, checks=(*untyped.checks, doubt))
    optics = [optics_of(photo) for photo in photos]
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
    problem, lays = _solve_alone(problem, [d.bend for d in detections])
    joined = join_photos(problem, lays)
    told(0.3)
    settled = _settle(joined)
    refuse_unusable(settled.problem, settled.fit)
    told(0.7)
    calibration = assemble(
        problem, settled.problem, settled.fit, (*joined.dropped, *settled.dropped)
    )
    checks = findings(
        calibration,
        settled.problem,
        settled.fit,
        detections,
        odd=settled.odd,
        cropped=settled.cropped,
    )
    return replace(calibration, checks=checks)


def _solve_alone(problem: Problem, bends: Sequence[float]) -> tuple[Problem, list[Lay]]:
    """Solve every photo alone; where the file's focal length cannot be, do without it."""
    optics, lays = list(problem.optics), []
    for k, bend in enumerate(bends):
        alone = problem.only(k)
        lay = solve_photo(alone, bend)
        if contradicts(optics[k], float(lay.lenses[0][0])):
            optics[k] = as_contradicted(optics[k])
            lay = solve_photo(replace(alone, optics=(optics[k],)), bend)
        lays.append(lay)
    cameras = group_cameras(problem.photos, optics)
    return replace(problem, optics=tuple(optics), cameras=cameras), lays


@dataclass(frozen=True, eq=False)
class _Settled:
    problem: Problem
    fit: Fit
    dropped: tuple[Dropped, ...]
    odd: tuple[Dropped, ...]
    cropped: bool = False

    def beats(self, other: _Settled | None) -> bool:
        """A good fit with fewer cards left out, or clearly less left over."""
        if other is None:
            return True
        if len(self.dropped) < len(other.dropped):
            return self.fit.misfit < max(DOUBTFUL_MISFIT, other.fit.misfit)
        return len(self.dropped) == len(other.dropped) and 2 * self.fit.misfit < other.fit.misfit


def _settle(joined: Joined) -> _Settled:
    """Settle; where cards disagree, see whether the photos' cameras are not what they seem.

    A photo zoomed or cropped without its file saying so makes sound cards disagree. A camera of
    its own for each photo, or a lens that does not look at the picture's middle, is believed when
    it saves cards or explains most of the misfit.
    """
    problem, failure, best = joined.problem, None, None
    try:
        best = _Settled(*settle(problem, joined.lay))
        if len(best.dropped) < 2 and best.fit.misfit < DOUBTFUL_MISFIT:
            return best  # one bad card is a bad card
    except TracerError as error:
        failure = error
    count = len(problem.photos)
    own = tuple(as_contradicted(lens) for lens in problem.optics)
    cropped = tuple(as_cropped(lens) for lens in problem.optics)
    for optics in (own, cropped)[count == 1 :]:
        lay = replace(joined.lay, lenses=tuple(joined.lay.lenses[c] for c in problem.cameras))
        changed = replace(problem, optics=optics, cameras=tuple(range(count)))
        try:
            found = _Settled(*settle(changed, lay), cropped=optics is cropped)
        except TracerError:
            continue  # the other answers stand
        away = max(middle_shift(found.fit, k, lens) for k, lens in enumerate(optics))
        if optics is cropped and (away < CROPPED_SHARE or len(found.problem.numbers) < 3):
            continue  # two cards and a free lens explain anything
        if found.beats(best):
            best = found
    if best is None:
        assert failure is not None
        raise failure
    return best


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
