"""The strip below an overlay: where the photo was taken from, what the lines mean, how sure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tracer.model.outline import Outline
from tracer.model.scan_map import ScanMap
from tracer.model.view import PlaneMap, View
from tracer.pictures.canvas import Canvas, shorten
from tracer.pictures.palette import AMBER, CARD, HALO, INK, LEFT_OUT, MIST, RULE, TINTS, Colour

__all__ = ["Footer", "draw_footer", "footer_height"]

TITLE_PX, TEXT_PX = 26, 20
MARGIN_PX, STEP_PX = 36, 32
HEIGHT_PX = 230
NARROW_PX = 1900  # a portrait photo: the columns go below each other
BARS_MM = (10, 20, 50, 100, 200, 500, 1000)


@dataclass(frozen=True)
class Footer:
    """What the footer tells."""

    photo_name: str
    view: PlaneMap
    tools: int
    cards: int
    left_out: tuple[int, ...]
    outlines: tuple[Outline, ...]
    exaggeration: int
    px_per_mm: float


def footer_height(width_px: int) -> int:
    """Height of the strip for a picture of this width."""
    return HEIGHT_PX if width_px >= NARROW_PX else HEIGHT_PX + 180


def draw_footer(canvas: Canvas, footer: Footer) -> None:
    """Fill the strip."""
    width, _ = canvas.size_px
    wide = width >= NARROW_PX
    _facts(canvas, footer, MARGIN_PX, 30)
    legend_x = int(width * 0.40) if wide else MARGIN_PX
    legend_y = 30 if wide else 226
    _legend(canvas, footer, legend_x, legend_y)
    bar_x = int(width * 0.79) if wide else int(width * 0.62)
    _scale_bar(canvas, footer.px_per_mm, bar_x, 30, width - MARGIN_PX - bar_x)


def _facts(canvas: Canvas, footer: Footer, x: int, y: int) -> None:
    canvas.text((x, y), shorten(footer.photo_name, 40), TITLE_PX)
    view = footer.view
    lines: list[tuple[str, Colour]] = [
        (f"{_count(footer.tools, 'tool')}, {_count(footer.cards, 'scale card')}", INK),
        (_looks_from(view), INK),
        (_expected_error(footer.outlines), INK),
    ]
    if footer.left_out:
        numbers = ", ".join(map(str, footer.left_out))
        lines.append((f"left out: card {numbers}", LEFT_OUT))
    for i, (text, colour) in enumerate(lines):
        canvas.text((x, y + 44 + 32 * i), text, TEXT_PX, colour)


def _looks_from(view: PlaneMap) -> str:
    if isinstance(view, View):
        return f"camera {view.height_mm:.0f} mm above the sheet, tilted {view.tilt_deg:.0f}°"
    if isinstance(view, ScanMap):
        return "scanned from below: the outlines are its mirror image"
    return ""


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _expected_error(outlines: tuple[Outline, ...]) -> str:
    """One line on the expected error of an edge over all tools."""
    if not outlines:
        return "no tool was found"
    worst = max(outlines, key=lambda o: o.sigma_mm)
    middle = float(np.median([o.sigma_mm for o in outlines]))
    if len(outlines) == 1:
        return f"expected error of its edge: ± {middle:.1f} mm"
    return (
        f"expected error of an edge: ± {middle:.1f} mm, "
        f"largest ± {worst.sigma_mm:.1f} mm ({worst.outline_id})"
    )


def _legend(canvas: Canvas, footer: Footer, x: int, y: int) -> None:
    def sample(at: int) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
        return np.array([[x, at], [x + 64.0, at]])

    entries: list[tuple[str, Callable[[int], None]]] = [
        ("outline on the sheet, seen from straight above", lambda v: _swatch(canvas, sample(v))),
        ("edge as this photo sees it", lambda v: canvas.line(sample(v), MIST, 1)),
        (
            "edge hard to see, ring: part in doubt; look here first",
            lambda v: canvas.dashes(sample(v), AMBER, 4, dash_px=7, gap_px=7),
        ),
        (
            "between the cards; shaded: more than 100 mm outside, less sure",
            lambda v: canvas.dashes(sample(v), MIST, 2, dash_px=4, gap_px=12),
        ),
        (
            "past the sheet's edge, not searched; ring: something left out",
            lambda v: canvas.line(sample(v), LEFT_OUT, 2),
        ),
        (
            f"card corners; arrows: how far off, {footer.exaggeration} times longer",
            lambda v: _residual(canvas, x, v),
        ),
    ]
    for i, (text, draw) in enumerate(entries):
        draw(y + 14 + STEP_PX * i)
        canvas.text((x + 84, y + 2 + STEP_PX * i), text, TEXT_PX)


def _swatch(canvas: Canvas, line: np.ndarray[tuple[int, int], np.dtype[np.float64]]) -> None:
    thirds = np.linspace(line[0], line[1], 4)
    for i in range(3):
        canvas.line(thirds[i : i + 2], TINTS[i], 3)


def _residual(canvas: Canvas, x: int, y: int) -> None:
    canvas.dot([x + 10, y], 2.0, CARD)
    canvas.arrow([x + 10, y], [x + 44, y - 4], AMBER, 2)


def _scale_bar(canvas: Canvas, px_per_mm: float, x: int, y: int, room_px: int) -> None:
    """A bar of a round length as it appears at the middle of the picture."""
    fitting = [b for b in BARS_MM if b * px_per_mm <= room_px]
    if not fitting:
        return
    length = fitting[-1]
    pixels = length * px_per_mm
    half = pixels / 2
    canvas.plate((x, y + 44, x + half, y + 54), HALO, 1.0)
    canvas.plate((x + half, y + 44, x + pixels, y + 54), RULE, 1.0)
    canvas.text((x, y + 8), f"{length} mm", TEXT_PX)
    canvas.text((x, y + 62), "on the sheet, at the", 18, RULE)
    canvas.text((x, y + 86), "middle of the picture", 18, RULE)
