"""Of more photos than can be solved together, those that are sharp and far apart.

Photos are looked at at half their size: enough to find the cards, to see how blurred they are and
where each was taken from, and a JPEG is decoded at that size many times faster.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.calibration import CardSizes, detect_cards, grey_of, optics_of, solve_lay
from tracer.errors import TracerError
from tracer.model.calibration import Calibration
from tracer.model.photo import Photo
from tracer.model.report import Check, Severity

__all__ = ["MOST_PHOTOS", "Look", "best_looks", "chosen_check", "look_at"]

Array = NDArray[np.float64]

MOST_PHOTOS = 8
#: a photo this many times as blurred as the middle one is used only where others are lacking
BLURRED = 1.6


@dataclass(frozen=True, eq=False)
class Look:
    """What a quick look at a photo tells.

    ``blur`` is the blur of its sharpest card, px of the small picture; ``place`` (2,) the camera's
    foot point on the sheet over its height, in a frame that all photos share; None where no card
    was found, or none that others show.
    """

    photo: int
    blur: float
    place: Array | None


def look_at(photos: Sequence[Photo], card_sizes: CardSizes) -> list[Look]:
    """Look at small pictures of photos, one by one."""
    looks: list[Look] = []
    frame: dict[int, tuple[float, float, float]] = {}
    for k, photo in enumerate(photos):
        try:
            found = detect_cards(grey_of(photo), photo.name, optics_of(photo).focal_px)
            alone = solve_lay([photo], [found], card_sizes=card_sizes)
        except TracerError:
            looks.append(Look(k, float("inf"), None))
            continue
        looks.append(Look(k, found.blur_px, _place(alone, frame)))
    return looks


def _place(alone: Calibration, frame: dict[int, tuple[float, float, float]]) -> Array | None:
    """The camera's place in the frame of the cards seen so far, which the photo's own join."""
    own = {card.number: card.placement for card in alone.cards if card.used}
    shared = sorted(set(own) & set(frame)) or (sorted(own)[:1] if not frame else [])
    if not shared:
        return None
    here = own[shared[0]]
    there = frame.get(shared[0], here)
    angle = there[2] - here[2]
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, -s], [s, c]])
    shift = np.array(there[:2]) - turn @ np.array(here[:2])
    for number, (x, y, a) in own.items():
        px, py = turn @ np.array([x, y]) + shift
        frame.setdefault(number, (float(px), float(py), a + angle))
    view = alone.cameras[0]
    return np.asarray((turn @ view.nadir_mm + shift) / view.height_mm, np.float64)


def best_looks(looks: Sequence[Look], most: int = MOST_PHOTOS) -> list[int]:
    """Indices of the photos to use, in their order.

    The photo nearest the middle of all places comes first, for it shows most tools from above; then
    always the one farthest from those taken. Blurred ones, and those without a place, wait until
    nothing else is left.
    """
    placed = [k for k in looks if k.place is not None]
    usual = float(np.median([k.blur for k in placed])) if placed else 0.0
    sharp = [k for k in placed if k.blur <= BLURRED * usual]
    rest = sorted((k for k in looks if k not in sharp), key=lambda k: (k.place is None, k.blur))
    taken: list[Look] = []
    while sharp and len(taken) < most:
        places = np.array([k.place for k in sharp])
        if taken:
            held = np.array([k.place for k in taken])
            away = np.linalg.norm(places[:, None] - held[None], axis=2).min(axis=1)
        else:
            away = -np.linalg.norm(places - places.mean(axis=0), axis=1)
        taken.append(sharp.pop(int(np.argmax(away))))
    taken += rest[: most - len(taken)]
    return sorted(k.photo for k in taken)


def chosen_check(kept: Sequence[int], names: Sequence[str]) -> Check:
    """Which photos were chosen, by name."""
    left = [name for k, name in enumerate(names) if k not in set(kept)]
    return Check(
        "photos-chosen",
        Severity.NOTE,
        f"Of {len(names)} photos the {len(kept)} that are sharp and farthest apart were used: "
        f"{', '.join(names[k] for k in kept)}.",
        f"Left out: {', '.join(left)}. Name fewer photos to choose yourself.",
        value=len(names),
        limit=len(kept),
    )
