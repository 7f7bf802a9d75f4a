"""Whether a file comes out at its true size: its unit, and the size of a known square."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from shapely.geometry import Polygon

from tracer.export.reading.curves import ReadCurve, ReadFile
from tracer.model.report import Check, Severity

__all__ = ["scale_checks", "squares_mm"]

#: a square's sides agree to this share, and a known ratio is recognised within it
_SHARE = 0.005
#: wrong scales and where they come from: unit lengths over one another, 25.4 mm to the inch, 96
#: (screen) and 72 (printer's points) to the inch
_RATIOS = {
    25.4: "millimetres were read as inches",
    1 / 25.4: "inches were read as millimetres",
    25.4 / 96: "screen pixels were read as millimetres",
    96 / 25.4: "millimetres were read as screen pixels",
    25.4 / 72: "printer's points were read as millimetres",
    72 / 25.4: "millimetres were read as printer's points",
    10.0: "millimetres were read as centimetres",
    0.1: "centimetres were read as millimetres",
    1000.0: "metres and millimetres were mixed up",
    0.001: "metres were read as millimetres",
}


def squares_mm(curves: Sequence[ReadCurve]) -> list[tuple[float, str]]:
    """Side and layer of every closed curve that is a square."""
    found = []
    for curve in curves:
        if len(curve.points) < 4:
            continue
        polygon = Polygon(curve.points)
        # a square's area is a sixteenth of its length's square; rounded corners take off the rest
        if abs(16 * polygon.area - polygon.length**2) > 0.08 * polygon.length**2:
            continue
        box = polygon.minimum_rotated_rectangle
        if not isinstance(box, Polygon) or box.area == 0:
            continue
        corners = np.asarray(box.exterior.coords)
        sides = np.hypot(*np.diff(corners[:3], axis=0).T)
        full = polygon.area / box.area
        if abs(sides[0] / sides[1] - 1) < _SHARE and abs(full - 1) < _SHARE:
            found.append((float(sides.mean()), curve.layer))
    return found


def _reason(ratio: float) -> str:
    for known, why in _RATIOS.items():
        if abs(ratio / known - 1) < _SHARE:
            return f": {why}"
    return ""


def scale_checks(found: ReadFile, closed: Sequence[ReadCurve], square_mm: float) -> Iterator[Check]:
    """Findings on unit and scale. Curves are in mm already where the file names a unit."""
    if found.mm_per_unit is None:
        yield Check(
            slug="unit-missing",
            severity=Severity.WARN,
            sentence=f"The file ({found.version}) does not say its unit; it is taken as "
            "millimetres.",
            remedy="Check the size of a known piece on the machine before cutting.",
        )
    elif found.mm_per_unit != 1.0:
        yield Check(
            slug="unit-not-mm",
            severity=Severity.WARN,
            sentence=f"The file's unit is {found.mm_per_unit:g} mm; machines that ignore it cut "
            f"everything {1 / found.mm_per_unit:g} times as large.",
            remedy="Export in millimetres.",
            value=found.mm_per_unit,
            limit=1.0,
            unit="mm",
        )
    squares = squares_mm(closed)
    named = [side for side, layer in squares if layer.lower() == "check-square"]
    sides = named or [side for side, _ in squares]
    if not sides:
        return
    nearest = min(sides, key=lambda side: abs(np.log(side / square_mm)))
    ratio = nearest / square_mm
    if abs(ratio - 1) <= 1e-3:
        yield Check(
            slug="scale-confirmed",
            severity=Severity.NOTE,
            sentence=f"The file holds a square of {nearest:.2f} mm: the scale is right.",
            value=nearest,
            limit=square_mm,
            unit="mm",
        )
    elif named or _reason(ratio):
        yield Check(
            slug="scale-wrong",
            severity=Severity.FAIL,
            sentence=f"The square of {square_mm:g} mm measures {nearest:.3f} mm, {ratio:.4g} times "
            f"its size{_reason(ratio)}.",
            remedy="Set the unit to millimetres at export or import.",
            value=nearest,
            limit=square_mm,
            unit="mm",
        )
