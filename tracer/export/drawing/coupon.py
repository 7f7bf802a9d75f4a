"""The fit coupon: a small test piece for the maker's own foam, machine and blade.

Left: ten strips of 10 x 20 mm. Cut out, laid side by side and measured together, they are short
of 100 mm by ten times the kerf. Right: a stair of round holes for a round thing of known diameter
(a socket, a cell, a coin): which of them holds it as a tool should be held?
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from tracer.errors import UsageError
from tracer.export.drawing.lettering import lettering
from tracer.export.drawing.order import in_cutting_order
from tracer.geometry.loops import signed_area
from tracer.model.drawing import CutPath, Drawing, KerfNote, Layer, Loop, Operation
from tracer.model.machine import Kerf, Machine

__all__ = [
    "STAIR_MM",
    "STRIPS",
    "draw_coupon",
    "fit_from_hole",
    "kerf_from_strips",
    "stair_table",
    "taper_from_strips",
]

STRIPS, _STRIP_W, _STRIP_H = 10, 10.0, 20.0
#: clearance per side of holes 1, 2, ...
STAIR_MM: tuple[float, ...] = (-0.8, -0.6, -0.4, -0.2, 0.0, 0.2, 0.4, 0.6, 0.8, 1.0)
_WEB, _EDGE, _CAP = 8.0, 12.0, 4.0
_PER_ROW = 5


def draw_coupon(diameter_mm: float, machine: Machine) -> tuple[Drawing, Drawing]:
    """The coupon, and its reference drawing with the holes' numbers.

    Kerf is not compensated: the coupon measures it.
    """
    if not 5.0 <= diameter_mm <= 60.0:
        raise UsageError(
            "coupon-diameter-wrong",
            f"The test piece is made for round things of 5 to 60 mm, not {diameter_mm:g} mm.",
            "Measure a socket, a cell or a coin with a caliper and type its diameter.",
        )
    largest = diameter_mm + 2 * max(STAIR_MM)
    pitch = largest + _WEB + _CAP + 2
    strips_w = STRIPS * (_STRIP_W + _WEB) - _WEB
    holes_w = _PER_ROW * (largest + _WEB) - _WEB
    rows = -(-len(STAIR_MM) // _PER_ROW)
    width = math.ceil(max(strips_w, holes_w) + 2 * _EDGE)
    height = math.ceil(_STRIP_H + _WEB + rows * pitch + 2 * _EDGE)
    through, label = Layer(Operation.THROUGH), Layer(Operation.LABEL)
    edge = CutPath(Loop.rectangle(0, 0, width, height), Layer(Operation.SHEET_EDGE))
    cut = [edge]
    words = [edge]
    for i in range(STRIPS):
        x = _EDGE + i * (_STRIP_W + _WEB)
        cut.append(CutPath(Loop.rectangle(x, _EDGE, _STRIP_W, _STRIP_H), through, f"strip {i + 1}"))
    for i, clearance in enumerate(STAIR_MM):
        row, column = divmod(i, _PER_ROW)
        x = _EDGE + largest / 2 + column * (largest + _WEB)
        y = _EDGE + _STRIP_H + _WEB + _CAP + 2 + largest / 2 + row * pitch
        hole = Loop.circle(x, y, diameter_mm / 2 + clearance)
        cut.append(CutPath(hole, through, f"hole {i + 1}"))
        text = lettering(str(i + 1), x, y - largest / 2 - _CAP - 2, _CAP, centred=True)
        words += [CutPath(p, label, f"hole {i + 1}", signed_area(p) < 0) for p in text.loops]
    size = float(width), float(height)
    # a router goes beside its lines by itself, here as later: its coupon measures the fit alone
    note = KerfNote(machine.kerf_mm, measured=machine.kerf is not Kerf.MACHINE)
    drawing = Drawing("Fit coupon", size, in_cutting_order(cut), note)
    return drawing, Drawing("Fit coupon, numbers", size, tuple(words))


def kerf_from_strips(row_mm: float) -> float:
    """Kerf from the length of the ten strips laid side by side, in mm.

    Each strip lost half a kerf on both sides.

    Examples
    --------
    >>> round(kerf_from_strips(96.2), 3)
    0.38
    """
    kerf = (STRIPS * _STRIP_W - row_mm) / STRIPS
    if not -0.5 <= kerf <= 5.0:
        raise UsageError(
            "coupon-strips-wrong",
            f"Ten strips of {row_mm:g} mm together cannot be: they were drawn 100 mm long.",
            "Lay all ten side by side without squeezing them and measure the whole row.",
        )
    return max(kerf, 0.0)


def taper_from_strips(above_mm: float, below_mm: float, thickness_mm: float) -> float:
    """How far walls run in per side over 10 mm of depth, from the row measured on both faces.

    A cone that is wide on top takes more off the strips there than below, and leaves an opening
    that is tighter below.

    Examples
    --------
    >>> round(taper_from_strips(96.0, 98.0, 30.0), 4)
    0.0333
    """
    above, below = (STRIPS * _STRIP_W - row for row in (above_mm, below_mm))
    return (above - below) / STRIPS / 2 / thickness_mm * 10


def fit_from_hole(hole: int, kerf_mm: float, machine: Machine, wanted_mm: float) -> float:
    """What to add to every fit, from the number of the hole that holds the thing as wanted.

    Parameters
    ----------
    kerf_mm
        Kerf of the machine; it widened the holes unless the machine allowed for it.
    wanted_mm
        Clearance of the fit class that the hole is meant to feel like.
    """
    if not 1 <= hole <= len(STAIR_MM):
        raise UsageError(
            "coupon-hole-wrong",
            f"There is no hole {hole}; they are numbered 1 to {len(STAIR_MM)}.",
            "Type the number of the hole that holds the test piece best.",
        )
    widened = 0.0 if machine.kerf is Kerf.MACHINE else kerf_mm / 2
    return round(STAIR_MM[hole - 1] + widened - wanted_mm, 3)


def stair_table(diameter_mm: float) -> Sequence[str]:
    """One line per hole: number, diameter, clearance."""
    return [
        f"hole {i}: diameter {diameter_mm + 2 * c:.2f} mm, {c:+.1f} mm per side"
        for i, c in enumerate(STAIR_MM, 1)
    ]
