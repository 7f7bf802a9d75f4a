"""A bay as it was marked in a photo: its sides with their lengths, and what is kept free."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from tracer.pictures.canvas import font, shorten

__all__ = ["bay_png"]

_LONG_SIDE_PX = 1400
_RIM, _KEPT, _PAPER = (230, 60, 160), (0, 110, 190), (255, 255, 255)
_TYPE_PX, _MOST_LETTERS = 22, 24


def bay_png(
    pixels: NDArray[np.uint8],
    corners_px: NDArray[np.float64],
    lengths: Sequence[str],
    kept: Sequence[tuple[str, NDArray[np.float64], bool]],
) -> bytes:
    """PNG of a photo (H, W, 3) with a bay drawn on it.

    Parameters
    ----------
    corners_px
        (4, 2), lower left first, counter-clockwise as one looks at the bay.
    lengths
        Of the sides from each corner to the next.
    kept
        Name and marks of each keep-out; True: the marks are opposite points of a round rim.
    """
    scale = _LONG_SIDE_PX / max(pixels.shape[:2])
    size = round(pixels.shape[1] * scale), round(pixels.shape[0] * scale)
    image = Image.fromarray(pixels).resize(size, Image.Resampling.LANCZOS)
    draw = ImageDraw.Draw(image)
    # whole numbers are the middles of pixels
    corners = [tuple((c + 0.5) * scale) for c in corners_px]
    draw.line([*corners, corners[0]], fill=_RIM, width=2)
    for k, (here, words) in enumerate(zip(corners, lengths, strict=True)):
        there = corners[(k + 1) % 4]
        _words(draw, ((here[0] + there[0]) / 2, (here[1] + there[1]) / 2), f"{words} mm", _RIM)
        draw.ellipse([here[0] - 5, here[1] - 5, here[0] + 5, here[1] + 5], outline=_RIM, width=2)
    for name, marks, is_round in kept:
        at = (marks + 0.5) * scale
        if is_round:
            middle, radius = at.mean(axis=0), float(np.hypot(*(at[0] - at[1]))) / 2
            box = [*(middle - radius), *(middle + radius)]
            draw.ellipse(box, outline=_KEPT, width=2)
        else:
            draw.rectangle([*at.min(axis=0), *at.max(axis=0)], outline=_KEPT, width=2)
        x, y = at.mean(axis=0)
        _words(draw, (float(x), float(y)), shorten(name, _MOST_LETTERS), _KEPT)
    stream = BytesIO()
    image.save(stream, "PNG")
    return stream.getvalue()


def _words(
    draw: ImageDraw.ImageDraw, at: tuple[float, float], words: str, colour: tuple[int, int, int]
) -> None:
    letters = font(_TYPE_PX)
    box = draw.textbbox(at, words, font=letters, anchor="mm")
    draw.rectangle([box[0] - 4, box[1] - 3, box[2] + 4, box[3] + 3], fill=_PAPER)
    draw.text(at, words, fill=colour, font=letters, anchor="mm")
