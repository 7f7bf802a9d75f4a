"""A photo of a panel in use with a mark at each pocket: what is there, missing, wrong, unsure.

Each state has its own line *and* its own sign, so that nothing rests on colour alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.model.inspection import InspectedPanel, PocketFinding, PocketState
from tracer.model.panel import Panel, PanelPocket
from tracer.model.photo import Photo
from tracer.pictures.canvas import Canvas, font, shorten
from tracer.pictures.palette import AMBER, INK, LEFT_OUT, MIST, PAPER, TINTS, Colour

__all__ = ["inspection_jpeg"]

Array = NDArray[np.float64]

LONG_SIDE_PX = 2000
TEXT_PX, MARGIN_PX = 22, 28
#: sign and colour of each state
SIGNS: dict[PocketState, tuple[str, Colour]] = {
    PocketState.PRESENT: ("✓", TINTS[0]),
    PocketState.MISSING: ("✗", LEFT_OUT),
    PocketState.WRONG: ("≠", AMBER),
    PocketState.UNSURE: ("?", MIST),
}


def inspection_jpeg(photo: Photo, shown: Sequence[tuple[Panel, InspectedPanel]]) -> bytes:
    """JPEG bytes of a photo with the findings of the panels that it shows."""
    scale = min(LONG_SIDE_PX / max(photo.size_px), 1.0)
    size = (round(photo.size_px[0] * scale), round(photo.size_px[1] * scale))
    small = np.asarray(cv2.resize(photo.pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
    lines = [words for panel, found in shown for words in _words(found)]
    wrapped = [part for line in lines for part in _wrapped(line, size[0] - 2 * MARGIN_PX)]
    foot = (len(wrapped) + 1) * round(1.45 * TEXT_PX) + MARGIN_PX
    pixels = np.full((size[1] + foot, size[0], 3), PAPER, np.uint8)
    pixels[: size[1]] = small
    canvas = Canvas(pixels)
    for panel, found in shown:
        for sighting in (
            s for n, s in found.sightings.items() if s.view.photo_id == photo.photo_id
        ):
            by_id = {f.pocket_id: f for f in found.findings}
            for order in (PocketState.PRESENT, PocketState.UNSURE, PocketState.WRONG,
                          PocketState.MISSING):  # fmt: skip
                for pocket in panel.pockets:
                    if by_id[pocket.pocket_id].state is order:
                        _pocket(canvas, sighting.view.to_photo, pocket, by_id[pocket.pocket_id],
                                scale, size)  # fmt: skip
    for row, line in enumerate(wrapped):
        canvas.text((MARGIN_PX, size[1] + MARGIN_PX / 2 + row * 1.45 * TEXT_PX), line, TEXT_PX)
    return canvas.jpeg()


def _pocket(
    canvas: Canvas,
    to_photo: Callable[[Array], Array],
    pocket: PanelPocket,
    found: PocketFinding,
    scale: float,
    size: tuple[int, int],
) -> None:
    ring = np.asarray(pocket.region.exterior.coords)[:, :2]
    px = (to_photo(ring) + 0.5) * scale - 0.5
    sign, colour = SIGNS[found.state]
    if found.state is PocketState.PRESENT:
        canvas.line(px, colour, 2, closed=True)
    elif found.state is PocketState.MISSING:
        canvas.wash([px], colour, 0.35)
        canvas.line(px, colour, 5, closed=True)
    elif found.state is PocketState.WRONG:
        canvas.line(px, colour, 5, closed=True)
    else:
        canvas.dashes(px, colour, 3, closed=True)
    low, high = px.min(axis=0), px.max(axis=0)
    if (high < 0).any() or (low > np.array(size)).any():
        return
    inner = pocket.region.representative_point()
    at = (to_photo(np.array([[inner.x, inner.y]]))[0] + 0.5) * scale
    words = f"{found.number} {sign}"
    width, height = canvas.text_size(words, TEXT_PX)
    x = float(np.clip(at[0] - width / 2, 4, size[0] - width - 4))
    y = float(np.clip(at[1] - height / 2, 4, size[1] - height - 4))
    canvas.plate((x - 5, y - 2, x + width + 5, y + height + 3))
    canvas.text((x, y), words, TEXT_PX, INK)


def _words(found: InspectedPanel) -> list[str]:
    """What stands below the picture: the counts, then everything that wants a look."""
    counts = [f"{len(found.of_state(s))} {s.value}" for s in PocketState if found.of_state(s)]
    lines = [f"{shorten(found.title, 40)}: {', '.join(counts)}"]
    for state in (PocketState.MISSING, PocketState.WRONG, PocketState.UNSURE):
        those = found.of_state(state)
        if those:
            names = ", ".join(f"{f.number} {shorten(f.name, 28)}" for f in those)
            lines.append(f"{SIGNS[state][0]} {state.value}: {names}")
    return lines


def _wrapped(text: str, width_px: int) -> list[str]:
    lines, line = [], ""
    for word in text.split():
        longer = f"{line} {word}".strip()
        if line and font(TEXT_PX).getlength(longer) > width_px:
            lines.append(line)
            line = word
        else:
            line = longer
    return [*lines, line]
