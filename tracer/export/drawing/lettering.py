"""Text as closed outlines, in the font that comes with the program (DejaVu Sans).

Machines and readers have other fonts or none; outlines look and cut the same everywhere.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from itertools import pairwise
from typing import Any

import numpy as np
from fontTools.pens.recordingPen import DecomposingRecordingPen
from fontTools.ttLib import TTFont
from numpy.typing import NDArray

from tracer.model.drawing import Loop

__all__ = ["FONT_FILE", "Lettering", "font_bytes", "lettering", "text_width_mm"]

FONT_FILE = "DejaVuSans.ttf"
#: chords to a curve of the font: within 0.02 mm at a cap height of 12 mm
_CHORDS = 6
Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Lettering:
    """Outlines of a text, and the characters the font lacks."""

    loops: tuple[Loop, ...]
    width_mm: float
    missing: str


@lru_cache(maxsize=1)
def font_bytes() -> bytes:
    """The font file."""
    return (resources.files("tracer") / "assets" / "fonts" / FONT_FILE).read_bytes()


@lru_cache(maxsize=1)
def _font() -> Any:
    return TTFont(io.BytesIO(font_bytes()), lazy=True)


def _scale(cap_height_mm: float) -> float:
    return cap_height_mm / float(_font()["glyf"]["H"].yMax)


@lru_cache(maxsize=512)
def _glyph(name: str, chords: int = _CHORDS) -> tuple[tuple[Array, ...], float]:
    """Closed contours of a glyph in font units, curves opened into chords; and its advance."""
    glyphs = _font().getGlyphSet()
    pen = DecomposingRecordingPen(glyphs)  # type: ignore[no-untyped-call]
    glyphs[name].draw(pen)
    contours: list[Array] = []
    points: list[tuple[float, float]] = []
    t = np.linspace(0, 1, chords + 1)[1:, None]
    for command, args in pen.value:
        if command == "moveTo":
            points = [args[0]]
        elif command == "lineTo":
            points.append(args[0])
        elif command == "qCurveTo":
            points += _quadratics(points[-1] if points else None, args, t)
        elif command in {"closePath", "endPath"} and len(points) > 2:
            ring = np.array(points, np.float64)
            step = np.hypot(*np.diff(ring, axis=0, prepend=ring[-1:]).T)
            contours.append(ring[step > 1e-9])
    return tuple(contours), float(glyphs[name].width)


def _quadratics(
    start: tuple[float, float] | None, args: tuple[Any, ...], t: Array
) -> list[tuple[float, float]]:
    """Chords of a TrueType curve: several control points imply the points midway between them."""
    controls = [np.array(p, np.float64) for p in args if p is not None]
    if args[-1] is None:  # a contour without any point on the curve
        begin = (controls[-1] + controls[0]) / 2
        ends = [*((a + b) / 2 for a, b in pairwise(controls)), begin]
    else:
        begin = np.array(start, np.float64)
        *controls, last = controls
        ends = [*((a + b) / 2 for a, b in pairwise(controls)), last]
    points: list[tuple[float, float]] = []
    here = begin
    for control, end in zip(controls, ends, strict=True):
        curve = (1 - t) ** 2 * here + 2 * t * (1 - t) * control + t**2 * end
        points += [(float(x), float(y)) for x, y in curve]
        here = end
    return points


def text_width_mm(text: str, cap_height_mm: float) -> float:
    """Advance width of a text."""
    cmap = _font().getBestCmap()
    names = [cmap.get(ord(c), ".notdef") for c in text]
    return sum(_glyph(name)[1] for name in names) * _scale(cap_height_mm)


def lettering(
    text: str,
    x_mm: float,
    y_mm: float,
    cap_height_mm: float,
    *,
    angle_rad: float = 0.0,
    centred: bool = False,
    chords: int = _CHORDS,
) -> Lettering:
    """Closed outlines of a line of text.

    Parameters
    ----------
    x_mm, y_mm
        Left end of the base line (its middle with ``centred``).
    cap_height_mm
        Height of a capital letter.
    chords
        To a curve of the font; their distance from it goes with the square.
    """
    cmap = _font().getBestCmap()
    scale = _scale(cap_height_mm)
    width = text_width_mm(text, cap_height_mm)
    pen_x = -width / 2 if centred else 0.0
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    turn = np.array([[c, s], [-s, c]])
    loops, missing = [], ""
    for character in text:
        name = cmap.get(ord(character))
        if name is None:
            missing += character
            name = ".notdef"
        contours, advance = _glyph(name, chords)
        for contour in contours:
            # TrueType draws outer contours clockwise; ours run the other way
            placed = (contour[::-1] * scale + [pen_x, 0.0]) @ turn + [x_mm, y_mm]
            loops.append(Loop.polygon(placed))
        pen_x += advance * scale
    return Lettering(tuple(loops), width, missing)
