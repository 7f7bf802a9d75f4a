"""The holes in the back of a thing, from a photo with cards, as a drawing and a picture."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tracer.calibration.calibrate import calibrate
from tracer.errors import TracerError
from tracer.export.verify import verified_dxf
from tracer.model.card import CardSizes
from tracer.model.drawing import CutPath, Drawing, Layer, Loop, Operation
from tracer.model.photo import Photo
from tracer.model.report import Check
from tracer.pictures.holes import holes_png
from tracer.progress import Progress, Silent
from tracer.segmentation.holes import FoundHole, find_holes

__all__ = ["HolePattern", "hole_pattern"]

_MARGIN_MM = 10.0


@dataclass(frozen=True, eq=False)
class HolePattern:
    """Holes about the middle of their box, the drawing, and a picture to look at."""

    holes: tuple[FoundHole, ...]
    dxf: bytes
    picture: bytes
    checks: tuple[Check, ...]


def hole_pattern(
    photo: Photo,
    *,
    height_mm: float,
    within_px: tuple[float, float, float, float] | None = None,
    card_sizes: CardSizes | None = None,
    progress: Progress | None = None,
) -> HolePattern:
    """Find the round holes of a face that lies ``height_mm`` over the sheet.

    Raises
    ------
    TracerError
        ``holes-none``, and what `calibrate` raises.
    """
    progress = progress or Silent()
    progress.step("cards")
    lay = calibrate([photo], card_sizes=card_sizes, progress=progress.fraction)
    view = lay.cameras[0]
    progress.step("holes")
    grey = np.asarray(photo.pixels, np.float32).mean(axis=2)
    found = find_holes(
        grey,
        view,
        height_mm=height_mm,
        within_px=within_px,
        ignore=[c.paper_mm for c in lay.cards],
        progress=progress.fraction,
    )
    if not found:
        raise TracerError(
            "holes-none",
            f"No round hole was found in {photo.name}"
            + (" within the box." if within_px is not None else "."),
            "Light the face evenly, lay dark paper under the holes, and check the box that is"
            " looked in.",
        )
    at = np.array([(h.x_mm, h.y_mm) for h in found])
    places = np.column_stack([at, np.full(len(at), height_mm)])
    rims = [view.to_photo(_ring(h, height_mm)) for h in found]
    middle = (at.min(axis=0) + at.max(axis=0)) / 2
    holes = tuple(
        replace(
            h,
            x_mm=round(float(h.x_mm - middle[0]), 3),
            y_mm=round(float(h.y_mm - middle[1]), 3),
            diameter_mm=round(h.diameter_mm, 2),
        )
        for h in found
    )
    picture = holes_png(photo.pixels, rims, view.to_photo(places), [h.diameter_mm for h in holes])
    return HolePattern(holes, verified_dxf(_drawing(holes, photo.name)), picture, lay.checks)


def _ring(hole: FoundHole, z_mm: float) -> np.ndarray:
    t = np.linspace(0, 2 * np.pi, 73)
    r = hole.diameter_mm / 2
    return np.column_stack([hole.x_mm + r * np.cos(t), hole.y_mm + r * np.sin(t), 0 * t + z_mm])


def _drawing(holes: tuple[FoundHole, ...], name: str) -> Drawing:
    """Circles on one layer, as the photo shows them: of a thing's back, seen from behind."""
    reach = [max(abs(v) for v in (h.x_mm, h.y_mm)) + h.diameter_mm / 2 for h in holes]
    half = float(np.ceil(max(reach) + _MARGIN_MM))
    paths = [
        CutPath(
            Loop.circle(h.x_mm + half, h.y_mm + half, h.diameter_mm / 2),
            Layer(Operation.FIXING),
            f"hole {n}",
        )
        for n, h in enumerate(holes, start=1)
    ]
    return Drawing(f"Holes of {name}", (2 * half, 2 * half), tuple(paths))
