"""Room for fingers: notches beside the grip, a push-to-tilt end, one slot for a row of tools.

A notch crosses the grip at or beside the centre of gravity and reaches one finger's breadth
beyond both sides; where a neighbour is too near it goes to one side, and a short tool may be
tilted out at one end instead. On a wall nothing is cut below a tool: it would drop.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from tracer.geometry.rings import largest_polygon
from tracer.model.panel import BayKind, Notch
from tracer.model.panel_plan import Hand
from tracer.panel.layout.axis import axis_rad
from tracer.panel.rules import Rules

__all__ = ["grip_axis", "needs_notch", "notch_at", "propose_notch", "shared_slot"]

Vector = tuple[float, float]

#: along the grip the notch may move away from the centre of gravity by this share of the length
_ROAM_SHARE, _ROAM_STEP_MM = 0.3, 5.0
#: sin of the angle from which a side counts as the lower one
_BELOW = 0.5


def needs_notch(height_mm: float, depth_mm: float, rules: Rules) -> bool:
    """Whether fingers find nothing to grip above the face."""
    return height_mm - depth_mm < rules.grip_mm


def _span(region: Polygon, at: Vector, across: Vector) -> tuple[float, float] | None:
    """Where the line through ``at`` along ``across`` leaves the region, on both sides."""
    far = region.length
    line = LineString(
        [
            (at[0] - far * across[0], at[1] - far * across[1]),
            (at[0] + far * across[0], at[1] + far * across[1]),
        ]
    )
    hit = region.intersection(line)
    if hit.is_empty:
        return None
    s = [(x - at[0]) * across[0] + (y - at[1]) * across[1] for x, y in shapely.get_coordinates(hit)]
    return min(s), max(s)


def _capsule(at: Vector, along: Vector, start: float, end: float, radius: float) -> Polygon:
    """Round-ended slot whose ends lie at ``start`` and ``end`` along a direction."""
    a, b = start + radius, end - radius
    if b - a < 1e-9:
        a = b = (start + end) / 2
    if a == b:
        return Point(at[0] + a * along[0], at[1] + a * along[1]).buffer(radius, quad_segs=32)
    line = LineString(
        [(at[0] + a * along[0], at[1] + a * along[1]), (at[0] + b * along[0], at[1] + b * along[1])]
    )
    return line.buffer(radius, quad_segs=32)


def notch_at(
    region: Polygon, at: Vector, *, both: bool, depth_mm: float, hand: Hand, rules: Rules
) -> Notch:
    """Notch across the region at a given point, at right angles to the tool's long side."""
    along = grip_axis(region)
    across = (-along[1], along[0])
    span = _span(region, at, across) or (0.0, 0.0)
    reach, radius = rules.finger_mm, rules.notch_mm(hand) / 2
    if both:
        return Notch(
            _capsule(at, across, span[0] - reach, span[1] + reach, radius), depth_mm, sides=2
        )
    nearer_end = abs(span[1]) <= abs(span[0])
    start, end = (0.0, span[1] + reach) if nearer_end else (span[0] - reach, 0.0)
    return Notch(_capsule(at, across, start, end, radius), depth_mm, sides=1)


def grip_axis(region: Polygon) -> Vector:
    """Direction of a pocket's long side, which notches cross at right angles."""
    angle = axis_rad(region)
    if angle is None:
        x0, y0, x1, y1 = region.bounds
        angle = 0.0 if x1 - x0 > y1 - y0 else math.pi / 2
    return math.cos(angle), math.sin(angle)


def propose_notch(
    region: Polygon,
    *,
    depth_mm: float,
    kind: BayKind,
    neighbours: Sequence[BaseGeometry],
    room: BaseGeometry,
    hand: Hand,
    rules: Rules,
) -> Notch | None:
    """The best notch that leaves the webs sound, or None where no place is found.

    Parameters
    ----------
    region
        The pocket, panel frame.
    neighbours
        Other pockets, their notches, and keep-outs.
    room
        Region the notch must stay within.
    """
    middle = (float(region.centroid.x), float(region.centroid.y))
    others = shapely.union_all(list(neighbours)) if neighbours else Polygon()
    shapely.prepare(room)
    reach, radius = rules.finger_mm, rules.notch_mm(hand) / 2
    axes = [grip_axis(region)]
    if axis_rad(region) is None:
        axes.append((-axes[0][1], axes[0][0]))  # too compact to have a long side: try both ways
    grips = sorted(
        (grip for along in axes for grip in _grips(region, middle, along)), key=lambda g: g.cost
    )
    length = _length(region, middle, axes[0])

    def sound(shape: Polygon, web: float) -> bool:
        return bool(room.contains(shape)) and (
            others.is_empty or float(shapely.distance(others, shape)) >= web
        )

    for web in (rules.web_mm, rules.web_least_mm):
        for sides in (2, 1):
            for grip in grips:
                below = _lower_side(grip.across) if kind is BayKind.WALL else 0
                if sides == 2 and below:
                    continue
                for start, end in _extents(grip.span, reach, sides, below):
                    shape = _capsule(grip.at, grip.across, start, end, radius)
                    if sound(shape, web):
                        return Notch(shape, depth_mm, sides)
        if length <= rules.tilt_end_mm:
            for end_shape in _ends(region, middle, axes[0], radius, kind):
                if sound(end_shape, web):
                    return Notch(end_shape, depth_mm, sides=0)
    return None


@dataclass(frozen=True)
class _Grip:
    """A place to take hold: a point on the tool's axis, the direction across, the tool there."""

    at: Vector
    across: Vector
    span: tuple[float, float]
    cost: float


def _grips(region: Polygon, middle: Vector, along: Vector) -> list[_Grip]:
    """Places along the axis, the narrow and central ones cheapest."""
    across = (-along[1], along[0])
    found = []
    for offset in _offsets(_length(region, middle, along)):
        at = (middle[0] + offset * along[0], middle[1] + offset * along[1])
        span = _span(region, at, across)
        if span is not None:
            found.append(_Grip(at, across, span, round(span[1] - span[0] + abs(offset), 6)))
    return found


def _length(region: Polygon, middle: Vector, along: Vector) -> float:
    p = shapely.get_coordinates(region) - np.array(middle)
    s = p @ np.array(along)
    return float(s.max() - s.min())


def _offsets(length: float) -> list[float]:
    steps = int(_ROAM_SHARE * length // _ROAM_STEP_MM)
    return sorted((k * _ROAM_STEP_MM for k in range(-steps, steps + 1)), key=lambda v: (abs(v), v))


def _lower_side(across: Vector) -> int:
    """Which side along ``across`` is the lower one: +1, -1, or 0 where both are level."""
    if abs(across[1]) < _BELOW:
        return 0
    return -1 if across[1] > 0 else 1


def _extents(
    span: tuple[float, float], reach: float, sides: int, below: int
) -> list[tuple[float, float]]:
    if sides == 2:
        return [(span[0] - reach, span[1] + reach)]
    middle = (span[0] + span[1]) / 2
    upper, lower = (middle, span[1] + reach), (span[0] - reach, middle)
    if below == -1:
        return [upper]
    if below == 1:
        return [lower]
    return [upper, lower]


def _ends(
    region: Polygon, middle: Vector, along: Vector, radius: float, kind: BayKind
) -> list[Polygon]:
    """Round recesses at both ends of the tool, the lower one left out on a wall."""
    p = shapely.get_coordinates(region)
    s = (p - np.array(middle)) @ np.array(along)
    found = []
    for k, sign in ((int(s.argmax()), 1), (int(s.argmin()), -1)):
        if kind is BayKind.WALL and sign * along[1] < -_BELOW:
            continue
        found.append(Point(p[k]).buffer(radius, quad_segs=32))
    return found


def shared_slot(
    regions: Sequence[Polygon], ids: Sequence[str], depth_mm: float, hand: Hand, rules: Rules
) -> Notch:
    """One straight slot across several tools lying side by side, a finger beyond the outer two."""
    centres = np.array([(r.centroid.x, r.centroid.y) for r in regions])
    spread = centres - centres.mean(axis=0)
    direction = np.linalg.svd(spread)[2][0]
    direction = direction if direction[int(np.abs(direction).argmax())] > 0 else -direction
    at = (float(centres[:, 0].mean()), float(centres[:, 1].mean()))
    along = (float(direction[0]), float(direction[1]))
    spans = [s for s in (_span(r, at, along) for r in regions) if s is not None]
    start = min((s[0] for s in spans), default=0.0) - rules.finger_mm
    end = max((s[1] for s in spans), default=0.0) + rules.finger_mm
    shape = largest_polygon(_capsule(at, along, start, end, rules.notch_mm(hand) / 2))
    return Notch(shape, depth_mm, sides=2, shared_with=tuple(ids[1:]))
