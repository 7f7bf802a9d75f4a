"""What a person is to look at first: stretches hard to see, places in doubt, and close-ups of them.

The worst places are numbered in the picture and shown beside each other below it, larger.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.model.outline import Outline
from tracer.model.photo import Photo
from tracer.model.report import Check
from tracer.model.silhouette import Silhouette
from tracer.model.view import PlaneMap
from tracer.pictures.canvas import Canvas, shorten
from tracer.pictures.frame import Frame
from tracer.pictures.palette import AMBER, INK, LEFT_OUT, MIST, PAPER, Colour, tint

__all__ = ["Place", "close_ups", "doubtful_places", "mark_place", "mark_weak"]

WEAK = 0.5  # edge confidence under which a stretch is marked
WEAK_RUN = 6  # fewer vertices than that in a row are not worth a mark
DOUBT_PX = 32.0  # radius of the ring round a place
#: findings that a ring points at; what is missing comes before what is not sure
RINGED = {"something-left-out": LEFT_OUT, "stain-left-out": LEFT_OUT, "outline-doubtful": AMBER}
_WORDS = {"something-left-out": "left out", "stain-left-out": "left out as a stain"}
MOST = 3  # close-ups
WIDE_MM = 90.0  # of the sheet in one
MARGIN_PX, GAP_PX, CAPTION_PX, TEXT_PX = 36, 24, 44, 22
RATIO = 0.62  # height to width
#: places nearer to each other than this are one
SAME_MM = 1.0


@dataclass(frozen=True)
class Place:
    """A place to look at; ``number`` from 1 for those that are shown larger, else 0."""

    where_mm: tuple[float, float]
    colour: Colour
    words: str
    number: int


def doubtful_places(checks: Sequence[Check], outlines: Sequence[Outline]) -> list[Place]:
    """Places that findings point at, the worst first: what is missing, then what is likely wrong.

    Parameters
    ----------
    checks
        Findings of a photo and of its lay; those without a place do not count.
    outlines
        Of the lay; findings are called by their names.
    """
    names = {o.outline_id: o.name for o in outlines}
    order = list(RINGED)
    told = [c for c in checks if c.slug in RINGED and c.where_mm is not None]
    told.sort(key=lambda c: (min(order.index(c.slug), 1), -(c.value or 0.0)))
    found: list[Place] = []
    for check in told:
        x, y = check.where_mm or (0.0, 0.0)
        if any(np.hypot(x - p.where_mm[0], y - p.where_mm[1]) < SAME_MM for p in found):
            continue
        number = len(found) + 1 if len(found) < MOST else 0
        found.append(Place((x, y), RINGED[check.slug], _words(check, names), number))
    return found


def _words(check: Check, names: dict[str, str]) -> str:
    if check.slug in _WORDS:
        return _WORDS[check.slug]
    subject = check.subject_id or ""
    name = names.get(subject, "")
    called = subject if name in ("", subject) else f"{subject} {name}"
    return f"{shorten(called, 34)}: in doubt, {check.value or 0.0:.0%}"


def mark_weak(canvas: Canvas, frame: Frame, silhouette: Silhouette) -> None:
    """Dash the stretches where the edge was hard to see."""
    ring = shapely.get_coordinates(silhouette.region.exterior)[:-1]
    confidence = silhouette.edge_confidence
    if len(confidence) != len(ring):
        return
    for run in runs(np.asarray(confidence) < WEAK):
        if len(run) >= WEAK_RUN:
            canvas.dashes(frame.px(ring[run]), AMBER, 4, dash_px=7, gap_px=7)


def mark_place(canvas: Canvas, frame: Frame, place: Place) -> None:
    """A ring round a place, and its number."""
    middle = frame.px(np.array([place.where_mm]))[0]
    if not np.isfinite(middle).all():
        return
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    ring = middle + DOUBT_PX * np.column_stack([np.cos(turn), np.sin(turn)])
    canvas.dashes(ring, place.colour, 4, dash_px=7, gap_px=7, closed=True)
    if place.number:
        _number(canvas, (middle[0] + 0.75 * DOUBT_PX, middle[1] - 1.45 * DOUBT_PX), place)


def _number(canvas: Canvas, at: tuple[float, float], place: Place) -> None:
    text = str(place.number)
    width, height = canvas.text_size(text, TEXT_PX)
    canvas.plate((at[0] - 7, at[1] - 2, at[0] + width + 7, at[1] + height + 2), place.colour, 1.0)
    canvas.text(at, text, TEXT_PX)


def close_ups(
    photo: Photo,
    view: PlaneMap,
    places: Sequence[Place],
    silhouettes: Sequence[Silhouette],
    outlines: Sequence[Outline],
    width_px: int,
) -> NDArray[np.uint8]:
    """The numbered places side by side, larger: (H, width_px, 3), H 0 where there is none."""
    shown = [p for p in places if p.number and _inside(photo, view, p)]
    room = (width_px - 2 * MARGIN_PX - (MOST - 1) * GAP_PX) // MOST
    size = room, round(room * RATIO)
    if not shown or room < 1:
        return np.empty((0, width_px, 3), np.uint8)
    strip = Canvas(np.full((size[1] + CAPTION_PX + MARGIN_PX, width_px, 3), PAPER, np.uint8))
    for k, place in enumerate(shown):
        part = _close_up(photo, view, place, size, silhouettes, outlines)
        x, y = MARGIN_PX + k * (room + GAP_PX), MARGIN_PX
        strip.pixels[y : y + size[1], x : x + size[0]] = part
        _number(strip, (x + 8, y + size[1] + 8), place)
        strip.text((x + 36, y + size[1] + 8), place.words, TEXT_PX, INK)
    return strip.pixels


def _inside(photo: Photo, view: PlaneMap, place: Place) -> bool:
    x, y = view.to_photo(np.array([place.where_mm]))[0]
    width, height = photo.size_px
    return bool(0 <= x < width and 0 <= y < height)


def _close_up(
    photo: Photo,
    view: PlaneMap,
    place: Place,
    size_px: tuple[int, int],
    silhouettes: Sequence[Silhouette],
    outlines: Sequence[Outline],
) -> NDArray[np.uint8]:
    """A part of the photo in its own colours, with thin lines on it that hide little."""
    middle = np.array([place.where_mm])
    scale = size_px[0] * float(view.mm_per_px(middle)[0]) / WIDE_MM
    width, height = size_px[0] / scale, size_px[1] / scale
    x, y = view.to_photo(middle)[0]
    corner = float(x - width / 2), float(y - height / 2)
    # pixel centres stay pixel centres: as cv2.resize places them
    move = np.array([[scale, 0, 0.0], [0, scale, 0.0]])
    move[:, 2] = [(0.5 - c) * scale - 0.5 for c in corner]
    pixels = cv2.warpAffine(
        photo.pixels, move, size_px, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    canvas, frame = Canvas(np.asarray(pixels, np.uint8)), Frame(view, scale, corner)
    for silhouette in silhouettes:
        for ring in (silhouette.region.exterior, *silhouette.region.interiors):
            canvas.line(frame.ring(ring), MIST, 1, closed=True)
    for index, outline in enumerate(outlines):
        for ring in (outline.region.exterior, *outline.region.interiors):
            canvas.line(frame.ring(ring), tint(index), 2, closed=True)
    for silhouette in silhouettes:
        mark_weak(canvas, frame, silhouette)
    return canvas.pixels


def runs(flags: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
    """Index runs of True in a closed ring, each in order; one run may pass the ring's end.

    Examples
    --------
    >>> [r.tolist() for r in runs(np.array([1, 0, 0, 1, 1, 0, 1], bool))]
    [[3, 4], [6, 0]]
    """
    if flags.all():
        return [np.arange(len(flags))]
    start = int(np.flatnonzero(~flags)[0]) if len(flags) else 0
    order = (np.arange(len(flags)) + start) % max(len(flags), 1)
    marked = np.flatnonzero(flags[order])
    if not len(marked):
        return []
    breaks = np.flatnonzero(np.diff(marked) > 1) + 1
    return [order[piece] for piece in np.split(marked, breaks)]
