"""Numbers and names on the face: below the tool where there is room, else beside or above.

A label names the place, so that an empty one says what is missing. It lies on sound foam and
counts as web.
"""

from __future__ import annotations

import shapely
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

from tracer.model.panel import Label
from tracer.panel.rules import Rules

__all__ = ["label_box", "place_label"]

#: mean advance of a letter in cap heights, a little generous for the font that is shipped
ADVANCE = 0.86
#: below the base line, for letters that hang down
_DESCENT = 0.35
#: between letters and the nearest edge
_AIR_MM = 2.0


def label_box(label: Label) -> Polygon:
    """The room that a label takes; longer texts are estimated on the safe side."""
    width = ADVANCE * label.cap_height_mm * len(label.text)
    x0, y0 = label.x_mm, label.y_mm - _DESCENT * label.cap_height_mm
    return box(x0, y0, x0 + width, label.y_mm + label.cap_height_mm)


def place_label(
    number: int,
    name: str,
    shape: BaseGeometry,
    *,
    taken: BaseGeometry,
    room: BaseGeometry,
    rules: Rules,
) -> Label | None:
    """A label with number and name, or the number alone, where it collides with nothing.

    Parameters
    ----------
    shape
        The tool's openings, panel frame.
    taken
        All openings, keep-outs and labels placed so far, prepared or not.
    room
        Where letters may stand.
    """
    x0, y0, x1, y1 = shape.bounds
    cap = rules.cap_height_mm
    gap = _AIR_MM + _DESCENT * cap
    for text in (f"{number} {name}", str(number)):
        width = ADVANCE * cap * len(text)
        middle = (x0 + x1 - width) / 2
        for x, y in (
            (middle, y0 - _AIR_MM - cap),
            (x0 - _AIR_MM - width, (y0 + y1 - cap) / 2),
            (middle, y1 + gap),
            (x1 + _AIR_MM, (y0 + y1 - cap) / 2),
            (x0, y0 - _AIR_MM - cap),
            (x1 - width, y0 - _AIR_MM - cap),
        ):
            label = Label(text, round(x, 2), round(y, 2), cap)
            area = label_box(label)
            if room.contains(area) and float(shapely.distance(area, taken)) >= _AIR_MM * 0.99:
                return label
    return None
