"""Where a panel stands in a photo, and whether that is sure.

Cameras come from the marks where there are any, and from quadrilaterals of the picture; all are
refined on the walls, and the one with the largest share of walls found wins. It counts only where
that share is high by itself and high over what the same drawing gives when put wrongly: mirrored,
turned over or shifted. So another panel is refused, and so is one that hardly shows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.inspection.camera import (
    FOCAL_SIGMA,
    FOCAL_SIGMA_TOLD,
    PanelCamera,
    prior_focal_px,
)
from tracer.inspection.coarse import best_cameras, quad_cameras, three_side_cameras
from tracer.inspection.marks import MarkPlace, cameras_by_marks, find_marks, mark_places
from tracer.inspection.pattern import RIM, Pattern, panel_pattern
from tracer.inspection.refine import Fit, Level, levels_of, measured, refined
from tracer.inspection.rims import line_families, line_quads, patch_quads
from tracer.model.inspection import Found, Sighting
from tracer.model.panel import Panel
from tracer.model.photo import Photo

__all__ = ["LookedAt", "Seen", "Sought", "seen_mirrored", "sight"]

Array = NDArray[np.float64]

#: own choice, by measurement on panels that are and are not the one sought: see the how-to page
LEAST_SCORE, LEAST_LEAD, MOST_RMS_MM = 0.42, 0.17, 1.2
#: a score that no wrong drawing reaches: others need not be tried
SURE_SCORE = 0.62
#: cameras that are refined; refining takes most of the time
MOST_REFINED = 6
SHIFTS_MM = ((13.0, 0.0), (-13.0, 0.0), (0.0, 13.0), (0.0, -13.0))
#: fewest wall points in the picture, and fewest pockets they belong to
LEAST_WALLS, LEAST_POCKETS = 60, 1


@dataclass(frozen=True, eq=False)
class Sought:
    """A panel as it is looked for."""

    panel: Panel
    pattern: Pattern
    places: tuple[MarkPlace, ...]

    @classmethod
    def of(cls, panel: Panel) -> Sought:
        """What a panel looks like to the search."""
        return cls(panel, panel_pattern(panel), mark_places(panel))


@dataclass(frozen=True, eq=False)
class LookedAt:
    """A photo prepared for the search; shared by all panels that are looked for in it."""

    photo: Photo
    levels: list[Level]

    @classmethod
    def of(cls, photo: Photo) -> LookedAt:
        """Prepare a photo."""
        return cls(photo, levels_of(photo.pixels))

    @property
    def focal_sigma(self) -> float:
        """How far the focal length may be off (logarithm)."""
        return FOCAL_SIGMA if self.photo.focal_35mm is None else FOCAL_SIGMA_TOLD

    @property
    def focal_px(self) -> float:
        """Focal length at full size, roughly."""
        return prior_focal_px(self.photo.size_px, self.photo.focal_35mm)

    @cached_property
    def marks(self) -> tuple[Array, NDArray[np.intp]]:
        """Corners and ids of the marks in the photo."""
        return find_marks(np.asarray(cv2.cvtColor(self.photo.pixels, cv2.COLOR_RGB2GRAY), np.uint8))

    @cached_property
    def lines(self) -> tuple[Array, Array]:
        """Long straight edges of the coarsest picture, in two directions."""
        return line_families(self.levels[0])

    @cached_property
    def quads(self) -> list[Array]:
        """Quadrilaterals of the coarsest picture."""
        return [*patch_quads(self.levels[0]), *line_quads(self.levels[0], self.lines)]


@dataclass(frozen=True, eq=False)
class Seen:
    """A sighting with the fit behind it; ``sure`` where it may be used."""

    fit: Fit
    sighting: Sighting
    sure: bool


def _by_marks(at: LookedAt, sought: Sought) -> list[PanelCamera]:
    corners, ids = at.marks
    if len(ids) < 2 or len(sought.places) < 2:
        return []
    return cameras_by_marks(
        corners, ids, sought.places, at.photo.size_px, sought.pattern.size_mm, at.focal_px
    )


def _by_drawing(at: LookedAt, pattern: Pattern, *, three_sides: bool) -> list[PanelCamera]:
    """Cameras by four sides of the rim, or by three, those that agree best first."""
    level = at.levels[0]
    focal = at.focal_px * level.scale
    if three_sides:
        rough = three_side_cameras(at.lines, level.size_px, pattern.size_mm, focal)
    else:
        rough = quad_cameras(at.quads, level.size_px, pattern.size_mm, focal)
    best = best_cameras(level, rough, pattern, MOST_REFINED)
    return [camera.scaled(1 / level.scale, at.photo.size_px) for _, camera in best]


def _best(at: LookedAt, cameras: list[PanelCamera], pattern: Pattern) -> Fit | None:
    """The camera under which most walls are found, refined."""
    best: Fit | None = None
    for camera in cameras:
        rough = refined(at.levels[:1], camera, pattern, at.focal_sigma)
        if rough and (best is None or rough.share(pattern.owners) > best.share(pattern.owners)):
            best = rough
        if best and best.share(pattern.owners) > SURE_SCORE:
            break
    if best is None or len(at.levels) == 1:
        return best
    fine = refined(at.levels, best.camera, pattern, at.focal_sigma, first=1)
    return fine if fine and fine.share(pattern.owners) > 0.5 * best.share(pattern.owners) else best


def _rival(at: LookedAt, fit: Fit, pattern: Pattern) -> float:
    """Largest share of walls found with the drawing put wrongly."""
    wrong = [pattern.mirrored(), pattern.turned()]
    wrong += [replace(pattern, walls_mm=pattern.walls_mm + np.array(s)) for s in SHIFTS_MM]
    shares = []
    for other in wrong:
        found = measured(at.levels[-1], fit.camera, other)
        shares.append(found.share(other.owners) if found else 0.0)
    return max(shares)


def _judged(at: LookedAt, fit: Fit, pattern: Pattern, found: Found) -> Seen:
    score, rival = fit.share(pattern.owners), _rival(at, fit, pattern)
    walls = fit.inside & (pattern.owners != RIM)
    enough = walls.sum() >= LEAST_WALLS and len(set(pattern.owners[walls])) >= LEAST_POCKETS
    sighting = Sighting(
        fit.camera.view(at.photo.photo_id), found, score, rival, fit.rms_mm,
        float(fit.camera.values[8]),
    )  # fmt: skip
    sure = score >= LEAST_SCORE and score - rival >= LEAST_LEAD and fit.rms_mm <= MOST_RMS_MM
    return Seen(fit, sighting, bool(sure and enough))


def sight(at: LookedAt, sought: Sought, *, marks: bool = True) -> Seen | None:
    """The likeliest place of a panel in a photo; None where nothing at all is like it.

    Parameters
    ----------
    marks
        Whether printed corner marks may help.
    """
    best: Seen | None = None
    if marks and (cameras := _by_marks(at, sought)):
        fit = _best(at, cameras, sought.pattern)
        if fit is not None:
            best = _judged(at, fit, sought.pattern, Found.MARKS)
            if best.sure:
                return best
    for three_sides in (False, True):
        cameras = _by_drawing(at, sought.pattern, three_sides=three_sides)
        fit = _best(at, cameras, sought.pattern)
        if fit is None:
            continue
        seen = _judged(at, fit, sought.pattern, Found.DRAWING)
        if best is None or seen.sighting.score > best.sighting.score:
            best = seen
        if best.sure:
            break
    return best


def seen_mirrored(at: LookedAt, sought: Sought) -> bool:
    """Whether the photo shows the panel mirrored: flipped, or taken from behind."""
    pattern = sought.pattern.mirrored()
    fit = _best(at, _by_drawing(at, pattern, three_sides=False), pattern)
    return fit is not None and _judged(at, fit, pattern, Found.DRAWING).sure
