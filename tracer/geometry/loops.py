"""Measuring and moving loops of lines and arcs.

Formulas for bulges: DXF reference, LWPOLYLINE, group code 42 (the bulge is the tangent of one
fourth of the arc's included angle, negative when the arc runs clockwise from start to end).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from tracer.model.drawing import Drawing, Loop

__all__ = [
    "bounds",
    "drawn_size",
    "flatten",
    "length",
    "mirrored",
    "moved",
    "parallel",
    "polygon_of",
    "reversed_loop",
    "signed_area",
    "straightened",
    "turned",
    "without_specks",
]

Array = NDArray[np.float64]

#: bulges below this are straight pieces
_STRAIGHT = 1e-9
#: at a sharper turn a moved corner would run far out
_SHARPEST_RAD = math.radians(120)
#: a corner that opens by more than this is rounded
_ROUNDED_RAD = math.radians(2)


def _pieces(loop: Loop) -> tuple[Array, Array, Array]:
    """Start points (N, 2), end points (N, 2) and bulges (N,) of the loop's pieces."""
    v = loop.vertices
    return v[:, :2], np.roll(v[:, :2], -1, axis=0), v[:, 2]


def signed_area(loop: Loop) -> float:
    """Exact area in mm^2, positive for a counter-clockwise loop.

    Examples
    --------
    >>> round(signed_area(Loop.circle(3, 4, 10)) / math.pi, 9)
    100.0
    """
    a, b, bulge = _pieces(loop)
    origin = a[0]
    u, v = a - origin, b - origin
    shoelace = 0.5 * np.sum(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    curved = np.abs(bulge) > 0
    k = np.abs(bulge[curved])
    chord = np.hypot(*(b - a)[curved].T)
    radius = chord * (1 + k * k) / (4 * k)
    angle = 4 * np.arctan(k)
    # angle - sin(angle) loses all digits for flat arcs: there the series 2/3 chord x sagitta holds
    segment = np.where(
        k < 1e-3, chord * chord * k / 3, 0.5 * radius * radius * (angle - np.sin(angle))
    )
    return float(shoelace + np.sum(np.sign(bulge[curved]) * segment))


def length(loop: Loop) -> float:
    """Exact length of the loop in mm."""
    a, b, bulge = _pieces(loop)
    chord = np.hypot(*(b - a).T)
    k = np.abs(bulge)
    angle = 4 * np.arctan(k)
    with np.errstate(divide="ignore", invalid="ignore"):
        arc = chord * (1 + k * k) / (4 * k) * angle
    return float(np.sum(np.where(k > 1e-9, arc, chord)))


def _arc_points(a: Array, b: Array, bulge: float, tolerance_mm: float) -> Array:
    """Points strictly between a and b on their arc, chords within the tolerance of it."""
    chord = b - a
    span = math.hypot(*chord)
    if span == 0.0:
        return np.empty((0, 2))
    radius = span * (1 + bulge * bulge) / (4 * abs(bulge))
    angle = 4 * math.atan(bulge)
    step = 2 * math.acos(max(1 - tolerance_mm / radius, -1.0)) if tolerance_mm < radius else math.pi
    n = max(math.ceil(abs(angle) / step - 1e-9), 1)
    # centre: from the middle of the chord along its left normal
    offset = (1 - bulge * bulge) / (4 * bulge)
    centre = (a + b) / 2 + offset * np.array([-chord[1], chord[0]])
    turns = angle * np.arange(1, n) / n
    r = a - centre
    cos, sin = np.cos(turns), np.sin(turns)
    return np.asarray(
        np.column_stack([cos * r[0] - sin * r[1], sin * r[0] + cos * r[1]]) + centre, np.float64
    )


def flatten(loop: Loop, tolerance_mm: float = 0.01) -> Array:
    """Points (M, 2) of a polygon whose corners lie on the loop, chords within the tolerance."""
    if not loop.vertices[:, 2].any():
        return np.array(loop.vertices[:, :2])
    a, b, bulge = _pieces(loop)
    parts = []
    for start, end, k in zip(a, b, bulge, strict=True):
        parts.append(start[None])
        if k:
            parts.append(_arc_points(start, end, float(k), tolerance_mm))
    return np.vstack(parts)


def polygon_of(loop: Loop, tolerance_mm: float = 0.01) -> Polygon:
    """The area inside the loop, flattened, as a counter-clockwise polygon."""
    points = flatten(loop, tolerance_mm)
    if len(points) < 3:
        points = flatten(loop, tolerance_mm / 100)
    return orient(Polygon(points))


def straightened(loop: Loop, tolerance_mm: float) -> Loop:
    """The loop with each arc replaced by chords within the tolerance."""
    return Loop.polygon(flatten(loop, tolerance_mm))


def bounds(loop: Loop) -> tuple[float, float, float, float]:
    """Exact bounding box (x_min, y_min, x_max, y_max) in mm, arcs included."""
    a, b, bulge = _pieces(loop)
    points = [a]
    for start, end, k in zip(a, b, bulge, strict=True):
        if not k:
            continue
        chord = end - start
        centre = (start + end) / 2 + (1 - k * k) / (4 * k) * np.array([-chord[1], chord[0]])
        radius = math.hypot(*(start - centre))
        first = math.atan2(*(start - centre)[::-1])
        sweep = 4 * math.atan(k)
        for quarter in range(4):
            turn = (quarter * math.pi / 2 - first) * (1 if sweep > 0 else -1) % (2 * math.pi)
            if turn < abs(sweep):
                at = quarter * math.pi / 2
                points.append(centre[None] + radius * np.array([[math.cos(at), math.sin(at)]]))
    p = np.vstack(points)
    (x0, y0), (x1, y1) = p.min(axis=0), p.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def reversed_loop(loop: Loop) -> Loop:
    """The same curve run the other way round."""
    v = loop.vertices
    return Loop(np.column_stack([v[::-1, :2], -np.roll(v[::-1, 2], -1)]))


def moved(loop: Loop, dx_mm: float, dy_mm: float) -> Loop:
    """The loop shifted."""
    return Loop(loop.vertices + np.array([dx_mm, dy_mm, 0.0]))


def mirrored(loop: Loop, width_mm: float) -> Loop:
    """The loop seen from behind: x -> width - x, the sense of rotation kept."""
    v = loop.vertices
    flipped = Loop(np.column_stack([width_mm - v[:, 0], v[:, 1], -v[:, 2]]))
    return reversed_loop(flipped)


def drawn_size(drawing: Drawing) -> tuple[float, float]:
    """Width and height from (0, 0) that hold the sheet and everything drawn, in mm."""
    boxes = [bounds(path.loop) for path in drawing.paths]
    return (
        max([drawing.size_mm[0], *(box[2] for box in boxes)]),
        max([drawing.size_mm[1], *(box[3] for box in boxes)]),
    )


def turned(loop: Loop, angle_rad: float) -> Loop:
    """The loop turned counter-clockwise about (0, 0); bulges stay."""
    if not angle_rad:
        return loop
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    v = loop.vertices.copy()
    v[:, :2] = v[:, :2] @ np.array([[c, s], [-s, c]])
    return Loop(v)


def without_specks(loop: Loop, least_mm: float) -> Loop:
    """The loop without pieces whose chord is shorter than ``least_mm``.

    The piece before a dropped one ends where that one ended, so no corner moves further than
    ``least_mm``; machines stutter on such pieces.

    Examples
    --------
    >>> nearly = Loop.polygon([(0, 0), (9.99, 0), (10, 0), (10, 10), (0, 10)])
    >>> len(without_specks(nearly, 0.05).vertices)
    4
    """
    v = loop.vertices
    kept: list[int] = []
    for i, (x, y) in enumerate(v[:, :2]):
        # half a turn and more is no speck, however near its ends
        if kept and abs(v[kept[-1], 2]) < 1.0 and math.dist(v[kept[-1], :2], (x, y)) < least_mm:
            kept[-1] = i
        else:
            kept.append(i)
    closing = len(kept) > 1 and math.dist(v[kept[-1], :2], v[kept[0], :2]) < least_mm
    if closing and abs(v[kept[-1], 2]) < 1.0:
        kept.pop()
    return loop if len(kept) in (len(v), 0, 1, 2) else Loop(v[kept])


def parallel(loop: Loop, inward_mm: float) -> Loop | None:
    """The loop moved to its left by a distance, piece by piece; None where a piece would vanish.

    Each joint moves along the bisector of both pieces' normals, so lines stay parallel exactly
    and arcs keep their angle; where two pieces meet without a kink so do the moved ones. A corner
    that opens gets an arc about its old place.

    Examples
    --------
    >>> moved_in = parallel(Loop.rectangle(0, 0, 10, 6), 0.5)
    >>> [[float(round(c, 9)) for c in p] for p in moved_in.vertices[:2, :2]]
    [[0.5, 0.5], [9.5, 0.5]]
    """
    start, end, bulge = _pieces(loop)
    chord = end - start
    span = np.hypot(*chord.T)
    direction = np.arctan2(chord[:, 1], chord[:, 0])
    half = 2 * np.arctan(bulge)
    with np.errstate(divide="ignore"):
        radius = span * (1 + bulge**2) / (4 * np.abs(bulge))
    curved = np.abs(bulge) > _STRAIGHT
    # to the left of a left turn lies its centre
    if np.any(curved & (np.sign(bulge) * inward_mm >= radius - 1e-6)):
        return None
    leaving, arriving = direction - half, np.roll(direction + half, 1)
    turn = (leaving - arriving + np.pi) % (2 * np.pi) - np.pi
    if np.abs(turn).max() > _SHARPEST_RAD:
        return None
    moved_to: list[tuple[float, float, float]] = []
    for (x, y, own), before, after, angle in zip(
        loop.vertices.tolist(), arriving, leaving, turn, strict=True
    ):
        if angle * inward_mm < 0 and abs(angle) > _ROUNDED_RAD:  # the corner opens: round it
            for normal, bulge_here in ((before, math.tan(angle / 4)), (after, own)):
                nx, ny = math.cos(normal + math.pi / 2), math.sin(normal + math.pi / 2)
                moved_to.append((x + inward_mm * nx, y + inward_mm * ny, bulge_here))
            continue
        along = before + angle / 2 + math.pi / 2
        reach = inward_mm / math.cos(angle / 2)
        moved_to.append((x + reach * math.cos(along), y + reach * math.sin(along), own))
    return Loop(np.array(moved_to))
