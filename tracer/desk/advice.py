"""What a photo lacks, told while the tools still lie there: cards, tilt, blur, distance.

The photo is calibrated as a run would do it, nothing more: what hurts the measurement is what the
calibration itself remarks.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracer.calibration import calibrate
from tracer.errors import TracerError
from tracer.model.calibration import Calibration
from tracer.model.photo import Photo

__all__ = ["advice_on", "next_side"]

MOST_PIXELS = 13_000_000  # more tell no more about cards, and take longer
ENOUGH_CARDS = 4
#: findings of the calibration -> what a person holding the camera can do about it
TOLD = {
    "photo-soft": "blur",
    "photo-blurred": "blur",
    "photo-dim": "dark",
    "photo-too-dark": "dark",
    "photo-too-oblique": "tilt",
    "camera-too-close": "near",
    "lens-ultra-wide": "wide",
    "photo-mirrored": "mirror",
    "photo-looks-cropped": "cropped",
    "no-card": "cards",
    "photo-without-usable-card": "cards",
    "few-cards": "cards",
}


def advice_on(photo: Photo) -> dict[str, Any]:
    """Cards seen, tilt and height of the camera, what to do better, and where it stood.

    ``todo`` holds words of the page's catalogue, the weightiest first; empty: the photo will do.
    """
    photo = _reduced(photo)
    try:
        found = calibrate([photo])
    except TracerError as error:
        todo = [TOLD.get(error.slug, "again")]
        return {"cards": 0, "tilt_deg": None, "height_mm": None, "todo": todo, "side": None}
    view = found.cameras[0]
    cards = sum(card.used for card in found.cards)
    slugs = [c.slug for c in (*photo.checks, *found.checks)]
    todo = list(dict.fromkeys(TOLD[s] for s in slugs if s in TOLD))
    if cards < ENOUGH_CARDS and "cards" not in todo:
        todo.insert(0, "cards")
    return {
        "cards": cards,
        "tilt_deg": round(view.tilt_deg, 1),
        "height_mm": round(view.height_mm),
        "todo": todo,
        "side": _side(found),
    }


def next_side(sides: Sequence[float | None]) -> str | None:
    """From where one more photo tells most about heights, as the first photo shows the lay.

    ``sides`` are the directions from the lay's middle in which the cameras stood (degrees,
    counter-clockwise from the right); None: right above, or not known.

    Examples
    --------
    >>> next_side([None]), next_side([None, 0.0]), next_side([0.0, 180.0])
    ('left', 'left', 'far')
    """
    known = [s for s in sides if s is not None]
    if not sides:
        return None
    names = {"left": 180.0, "far": 90.0, "right": 0.0, "near": 270.0}

    def free(angle: float) -> float:
        return min((abs((angle - s + 180) % 360 - 180) for s in known), default=180.0)

    name, angle = max(names.items(), key=lambda pair: free(pair[1]))
    return name if free(angle) > 60 else None


def _side(found: Calibration) -> float | None:
    """Direction from the lay's middle in which the camera stood, None where right above."""
    view = found.cameras[0]
    middle = found.hull_mm.centroid
    here = np.array([[middle.x, middle.y], view.nadir_mm[:2]])
    away = float(np.hypot(*(here[1] - here[0])))
    if away < 0.15 * view.height_mm:  # less than 9 degrees from upright says little about heights
        return None
    right, up = _axes(found, (middle.x, middle.y))
    step = here[1] - here[0]
    return round(math.degrees(math.atan2(float(step @ up), float(step @ right))) % 360, 1)


def _axes(
    found: Calibration, middle: tuple[float, float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Right and up of the photo as unit vectors on the sheet."""
    view = found.cameras[0]
    x, y = view.to_photo([middle])[0]
    p = view.to_sheet([(x, y), (x + 50, y), (x, y - 50)])
    right, up = p[1] - p[0], p[2] - p[0]
    return right / np.hypot(*right), up / np.hypot(*up)


def _reduced(photo: Photo) -> Photo:
    """The photo in whole-number steps smaller, each pixel the mean of a block."""
    height, width = photo.pixels.shape[:2]
    k = math.ceil(math.sqrt(height * width / MOST_PIXELS))
    if k < 2:
        return photo
    blocks = photo.pixels[: height // k * k, : width // k * k].reshape(
        height // k, k, width // k, k, 3
    )
    return replace(photo, pixels=np.rint(blocks.mean(axis=(1, 3))).astype(np.uint8))
