"""Holes that were found in a photo, ringed and numbered with their diameters."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from tracer.pictures.canvas import font

__all__ = ["holes_png"]

_LONG_SIDE_PX, _AROUND = 1400, 0.35
_RING, _PAPER = (230, 60, 160), (255, 255, 255)
_TYPE_PX = 22


def holes_png(
    pixels: NDArray[np.uint8],
    rims_px: Sequence[NDArray[np.float64]],
    middles_px: NDArray[np.float64],
    diameters_mm: Sequence[float],
) -> bytes:
    """PNG of the part of a photo (H, W, 3) round the holes; rims (N, 2) in its pixels."""
    every = np.vstack(rims_px)
    low, high = every.min(axis=0), every.max(axis=0)
    spare = max(_AROUND * float((high - low).max()), 40.0)
    x0, y0 = np.maximum(low - spare, 0).astype(int)
    x1 = min(int(high[0] + spare), pixels.shape[1])
    y1 = min(int(high[1] + spare), pixels.shape[0])
    scale = _LONG_SIDE_PX / max(x1 - x0, y1 - y0)
    image = Image.fromarray(pixels[y0:y1, x0:x1]).resize(
        (round((x1 - x0) * scale), round((y1 - y0) * scale)), Image.Resampling.LANCZOS
    )
    draw = ImageDraw.Draw(image)
    letters = font(_TYPE_PX)
    for n, (rim, middle, diameter) in enumerate(
        zip(rims_px, middles_px, diameters_mm, strict=True), start=1
    ):
        # whole numbers are the middles of pixels
        points = [((x - x0 + 0.5) * scale, (y - y0 + 0.5) * scale) for x, y in rim.tolist()]
        draw.line(points, fill=_RING, width=2)
        right = max(p[0] for p in points)
        y = (float(middle[1]) - y0 + 0.5) * scale
        words = f"{n}: {diameter:.1f}"
        box = draw.textbbox((right + 8, y), words, font=letters, anchor="lm")
        draw.rectangle([box[0] - 3, box[1] - 2, box[2] + 3, box[3] + 2], fill=_PAPER)
        draw.text((right + 8, y), words, fill=_RING, font=letters, anchor="lm")
    stream = BytesIO()
    image.save(stream, "PNG")
    return stream.getvalue()
