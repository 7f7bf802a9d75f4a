"""Whether a height can be that of the tool that the photo shows.

A maker types a height without a unit, or with the decimal point elsewhere. Two things tell that
from the photo alone:

*slender*
    A tool that lies on the sheet is about as high as it is thick. On the rendered tools of the
    development scenes and samples (117, heights 2 to 97 mm) the height is at most 1.45 times the
    diameter of the largest circle inside the outline, half of them below 0.85.
*column*
    Below its highest point a body stands on the sheet, so the photo shows the whole stretch from
    that point's foot to its image, which the height moves away from the nadir
    (`tracer.parallax.single_view.prism`). Where the silhouette holds no such stretch, even
    for half the height, the sides that would have to be seen are not there.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import Polygon

from tracer.model.report import Check, Severity
from tracer.model.view import View
from tracer.parallax.single_view.prism import prism, stands_round

__all__ = ["doubtful_height", "inner_width_mm", "meant_mm"]

#: height over inner width from which a lying tool is questioned: twice the largest found
SLENDER = 3.0
#: the same for what stands on a round foot: long sockets reach 4 (common practice, no source)
SLENDER_ROUND = 5.0
#: share of the typed height that must be excluded: what overhangs the sheet hides no more
SURE_SHARE = 0.5
_TOLERANCE_MM = 0.1


def doubtful_height(
    silhouette: Polygon, view: View, height_mm: float, label: str, outline_id: str
) -> tuple[Check, ...]:
    """Findings about a height that somebody typed.

    Parameters
    ----------
    silhouette
        What the photo shows of the tool, at z = 0, mm.
    view
        The photo's camera, above the height.
    label
        Number and name of the tool.
    outline_id
        Subject of the findings.
    """
    if not 0 < height_mm < view.height_mm:
        return ()
    filled = Polygon(silhouette.exterior)
    width = inner_width_mm(filled)
    stands = stands_round(silhouette, view.nadir_mm, view.height_mm, height_mm)
    most = (SLENDER_ROUND if stands else SLENDER) * width
    hint = _hint(meant_mm(height_mm, width))
    c = filled.representative_point()
    where = (float(c.x), float(c.y))
    if prism(silhouette, view.nadir_mm, view.height_mm, SURE_SHARE * height_mm).is_empty:
        away = float(np.hypot(*(np.array(where) - view.nadir_mm)))
        return (
            Check(
                "height-excluded",
                Severity.FAIL,
                f"{label} cannot be {height_mm:.3g} mm high: the photo would show "
                f"{away * height_mm / view.height_mm:.0f} mm of its sides, and they are not "
                f"there{hint}",
                "Measure its highest point above the sheet and mend the height.",
                subject_id=outline_id,
                value=height_mm,
                unit="mm",
                where_mm=where,
            ),
        )
    if height_mm > most:
        return (
            Check(
                "height-doubtful",
                Severity.WARN,
                f"{label}: {height_mm:.3g} mm high, {width:.0f} mm wide{hint}",
                "If it stands that tall on so narrow a foot, nothing is wrong; else mend the "
                "height.",
                subject_id=outline_id,
                value=height_mm,
                limit=most,
                unit="mm",
                where_mm=where,
            ),
        )
    return ()


def meant_mm(height_mm: float, width_mm: float) -> float | None:
    """The height that was meant, if a decimal point was lost; None where that is no likelier.

    Examples
    --------
    >>> meant_mm(210, 24), meant_mm(70, 12), meant_mm(5, 1)
    (21.0, 7.0, None)
    """
    tenth = height_mm / 10
    return tenth if 1.0 <= tenth <= SLENDER * width_mm else None


def inner_width_mm(filled: Polygon) -> float:
    """Diameter of the largest circle inside an outline: how thick a tool is at its thickest.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> round(inner_width_mm(box(0, 0, 100, 12)))
    12
    """
    radius = shapely.maximum_inscribed_circle(filled, tolerance=_TOLERANCE_MM).length
    return 2.0 * float(radius)


def _hint(meant: float | None) -> str:
    return "." if meant is None else f"; did you mean {meant:.3g}?"
