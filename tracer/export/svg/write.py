"""Drawings as SVG in millimetres: one group per layer, hairlines, nothing filled.

References
----------
W3C, Scalable Vector Graphics (SVG) 1.1, second edition: 7.10 units, 8.3.8 elliptical arcs.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import groupby
from xml.sax.saxutils import escape, quoteattr

from tracer.export.drawing.palette import RGB, colour_table, hex_colour
from tracer.geometry.loops import drawn_size
from tracer.model.drawing import Drawing, Loop

__all__ = ["HAIRLINE_MM", "svg_bytes"]

#: laser importers take lines up to about 0.1 mm for cuts (common practice, no source)
HAIRLINE_MM = 0.05
#: decimals of coordinates: 0.0001 mm
_DIGITS = 4


def _number(value: float) -> str:
    text = f"{value:.{_DIGITS}f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _path_data(loop: Loop, height_mm: float) -> str:
    """Path commands; y is turned over because SVG counts it downwards."""
    # an arc of half a turn reacts to a wrong radius with the root of the error: the radius is
    # taken from the chord as written, and written with more digits than the points
    v = loop.vertices.copy()
    v[:, 1] = height_mm - v[:, 1]
    v[:, :2] = v[:, :2].round(_DIGITS)
    parts = [f"M{_number(v[0, 0])} {_number(v[0, 1])}"]
    for i, (x0, y0, bulge) in enumerate(v):
        x, y = v[(i + 1) % len(v), :2]
        end = f"{_number(x)} {_number(y)}"
        if bulge:
            radius = math.hypot(x - x0, y - y0) * (1 + bulge * bulge) / (4 * abs(bulge))
            flags = f"{int(abs(bulge) > 1)} {int(bulge < 0)}"
            parts.append(f"A{radius:.9f} {radius:.9f} 0 {flags} {end}")
        elif i < len(v) - 1:
            parts.append(f"L{end}")
    return "".join(parts) + "Z"


def svg_bytes(drawing: Drawing, colours: Mapping[str, RGB] | None = None) -> bytes:
    """The drawing as an SVG file, 1 unit = 1 mm, paths in the drawing's order.

    A layer's group is split where the order of cutting comes back to it; the second group is
    then called ``NAME.2``. Every group carries its layer in ``class``.
    """
    width, height = drawn_size(drawing)
    table = colour_table(drawing.layers, colours)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{_number(width)}mm" '
        f'height="{_number(height)}mm" viewBox="0 0 {_number(width)} {_number(height)}">',
        f"<title>{escape(drawing.title)}</title>",
        f"<desc>{escape(drawing.kerf.sentence())}</desc>",
    ]
    seen: dict[str, int] = {}
    for name, paths in groupby(drawing.paths, key=lambda path: path.layer.name):
        seen[name] = seen.get(name, 0) + 1
        group = name if seen[name] == 1 else f"{name}.{seen[name]}"
        lines.append(
            f'<g id={quoteattr(group)} class={quoteattr(name)} fill="none" '
            f'stroke="{hex_colour(table[name])}" stroke-width="{HAIRLINE_MM}">'
        )
        for path in paths:
            label = f" aria-label={quoteattr(path.subject_id)}" if path.subject_id else ""
            lines.append(f'<path{label} d="{_path_data(path.loop, height)}"/>')
        lines.append("</g>")
    lines.append("</svg>")
    return ("\n".join(lines) + "\n").encode()
