"""The shape of the opening from what a tape measures, and of the panel that fills it.

Foam gives way, but not by centimetres: a wall between two cupboards is seldom square, so four
sides and two diagonals are measured and the corners found from them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from shapely import affinity
from shapely.geometry import Polygon, box
from shapely.geometry.polygon import orient

from tracer.errors import TracerError
from tracer.model.panel import Bay, KeepOut, Ply, PlyRole
from tracer.model.panel_plan import KeepOutPlan

__all__ = [
    "LARGEST_MM",
    "MISFIT_MM",
    "bay_corners_mm",
    "gripping",
    "keep_outs",
    "out_of_square_deg",
    "panel_shape",
    "squeeze_for_mm",
]

Array = NDArray[np.float64]

#: a tape read by two people differs by 1-2 mm (common practice, no source); more than this
#: between the measures of one bay is a misread figure
MISFIT_MM = 3.0

#: squeeze by density of the foam: soft foam gives more and needs more (common practice, no source)
_SQUEEZES = ((30.0, 4.0), (45.0, 3.0), (80.0, 2.0))
_LEAST_SQUEEZE_MM, _USUAL_KG_M3 = 1.0, 33.0

#: beyond any drawer or panel of one piece of wall; what is longer was typed in another unit
LARGEST_MM = 6000.0


def bay_corners_mm(bay: Bay) -> Array:
    """Corners (4, 2): lower left at 0, 0, lower right on the x axis, upper right, upper left.

    The six lengths over-determine four corners; they are fitted by least squares.

    Raises
    ------
    TracerError
        ``bay-impossible`` when a length is not positive or the lengths contradict each other.

    Examples
    --------
    >>> bay_corners_mm(Bay("drawer", 300, 400, rising_mm=500, falling_mm=500)).round(6).tolist()
    [[0.0, 0.0], [300.0, 0.0], [300.0, 400.0], [0.0, 400.0]]
    """
    width, height = bay.width_mm, bay.height_mm
    top, right = bay.top_mm or width, bay.right_mm or height
    diagonals = [d for d in (bay.rising_mm, bay.falling_mm) if d is not None]
    if not all(math.isfinite(v) and v > 0 for v in (width, height, top, right, *diagonals)):
        raise TracerError("bay-impossible", "The bay has a side or diagonal that is not positive.")
    longest = max(width, height, top, right, *diagonals)
    if longest > LARGEST_MM:
        raise TracerError(
            "bay-impossible",
            f"The bay is {longest:.0f} mm long somewhere; more than {LARGEST_MM:.0f} mm is no bay.",
            "Check the unit: lengths without one are mm.",
        )
    start = np.array([width, width, height, width - top, height], np.float64)
    if bay.rising_mm is None and bay.falling_mm is None:
        if top == width and right == height:
            return np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float64)
        raise TracerError(
            "bay-impossible",
            "Four sides that differ do not fix the bay's corners.",
            "Measure one diagonal as well, better both.",
        )

    def corners(p: Array) -> Array:
        return np.array([[0.0, 0.0], [p[0], 0.0], [p[1], p[2]], [p[3], p[4]]])

    def misfit(p: Array) -> Array:
        c = corners(p)
        pairs = [(0, 1, width), (3, 0, height), (2, 3, top), (1, 2, right)]
        if bay.rising_mm is not None:
            pairs.append((0, 2, bay.rising_mm))
        if bay.falling_mm is not None:
            pairs.append((3, 1, bay.falling_mm))
        return np.array([math.dist(c[i], c[j]) - want for i, j, want in pairs])

    fit = least_squares(misfit, start, xtol=1e-12, ftol=1e-12, gtol=1e-12)
    worst = float(np.abs(fit.fun).max())
    found = corners(fit.x)
    if worst > MISFIT_MM or not Polygon(found).is_valid:
        raise TracerError(
            "bay-impossible",
            f"The bay's sides and diagonals contradict each other by {worst:.1f} mm.",
            "Measure again: bottom, left, top and right side, then both diagonals.",
        )
    return found


def gripping(bay: Bay, plies: Sequence[Ply]) -> Bay:
    """The bay with the squeeze that its panel's foam needs to hold by friction.

    By the softest foam of the stack, whose density stands for its hardness. A squeeze that was
    typed stays.
    """
    foams = [p.stock for p in plies if p.role is not PlyRole.BACKING]
    if bay.squeeze_mm or not foams:
        return bay
    # an unknown foam is taken for a usual one of 33 kg/m3
    softest = min((s.density_kg_m3 or _USUAL_KG_M3) for s in foams)
    return replace(bay, squeeze_mm=squeeze_for_mm(softest))


def squeeze_for_mm(density_kg_m3: float) -> float:
    """By how much a panel of a foam is made larger than its bay, both ways.

    Examples
    --------
    >>> squeeze_for_mm(25), squeeze_for_mm(33), squeeze_for_mm(45), squeeze_for_mm(100)
    (4.0, 3.0, 2.0, 1.0)
    """
    return next((mm for below, mm in _SQUEEZES if density_kg_m3 < below), _LEAST_SQUEEZE_MM)


def out_of_square_deg(bay: Bay) -> tuple[float, float, float, float]:
    """By how much the bay's corners differ from a right angle: lower left, then round to the left.

    Positive: wider than a right angle.
    """
    c = bay_corners_mm(bay)
    found = []
    for k in range(4):
        u, v = c[(k + 1) % 4] - c[k], c[k - 1] - c[k]
        angle = math.degrees(math.atan2(u[0] * v[1] - u[1] * v[0], float(u @ v)))
        found.append(angle - 90.0)
    return found[0], found[1], found[2], found[3]


def panel_shape(bay: Bay) -> tuple[Polygon, tuple[float, float]]:
    """Rim of the panel, its box's lower left corner at 0, 0; and where the bay's corner lies.

    The panel is the bay grown by half the squeeze on each side.
    """
    corners = bay_corners_mm(bay)
    # mitred: the panel's corners stay corners
    grown = Polygon(corners).buffer(bay.squeeze_mm / 2, join_style="mitre", mitre_limit=10)
    x0, y0 = grown.bounds[:2]
    if not isinstance(grown, Polygon) or grown.is_empty:
        raise TracerError("bay-impossible", "The bay leaves no room for a panel.")
    points = np.asarray(grown.exterior.coords)[:-1] - np.array([x0, y0])
    return orient(Polygon(np.round(points, 3))), (float(-x0), float(-y0))


def keep_outs(plans: Sequence[KeepOutPlan], origin_mm: tuple[float, float]) -> tuple[KeepOut, ...]:
    """Typed keep-outs as regions of the panel; ``origin_mm`` is the bay's corner in it."""
    found = []
    for plan in plans:
        x, y = plan.x_mm + origin_mm[0], plan.y_mm + origin_mm[1]
        if plan.width_mm <= 0 or (plan.height_mm is not None and plan.height_mm <= 0):
            raise TracerError(
                "keep-out-impossible", f"The keep-out '{plan.name}' has no size.", "Type its width."
            )
        if plan.height_mm is None:
            r = plan.width_mm / 2
            region = affinity.translate(
                Polygon([(r * math.cos(t), r * math.sin(t)) for t in _TURN]), x + r, y + r
            )
        else:
            region = box(x, y, x + plan.width_mm, y + plan.height_mm)
        found.append(KeepOut(plan.name, region, plan.hole))
    return tuple(found)


_TURN = np.linspace(0, 2 * math.pi, 128, endpoint=False)
