"""Does a true tool go into a pocket: the rigid position in which it meets the foam least.

A sequence of linear programmes over dx, dy and a small turn: at the present position every edge
point of the tool and of the wall gives one linear bound on the interference; the least bound is
found (scipy's HiGHS), the tool moved there, and the distances taken anew.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.spatial import cKDTree
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.geometry.compare import Motion

__all__ = ["Seated", "SignedDistance", "along_rings", "seat"]

Array = NDArray[np.float64]
SPACING_MM = 0.8
ROUNDS = 5
#: largest step of one round, mm, and mm at the tool's far end for the turn
STEP_MM = 3.0
#: foam farther than this from the tool's edge cannot become the tightest place in one round
NEAR_MM = 8.0
DENSE_MM = 0.2


@dataclass(frozen=True, eq=False)
class Seated:
    """A tool in its pocket at the position of least interference.

    Attributes
    ----------
    interference_mm
        How deep foam and tool overlap at the tightest place; negative: air all round.
    where_mm
        That place.
    points_mm, gaps_mm
        (N, 2) points of the tool's outer edge and (N,) the air outside them (negative: overlap).
    tool
        The tool as it lies then.
    """

    interference_mm: float
    where_mm: tuple[float, float]
    points_mm: Array
    gaps_mm: Array
    tool: Polygon

    @property
    def looseness_mm(self) -> float:
        """Mean gap per side."""
        return float(self.gaps_mm.mean())


class SignedDistance:
    """Distance of points outside a region (inside: negative), and its gradient.

    Nearest of points 0.2 mm apart along the boundary, then of the two pieces that meet there.
    """

    def __init__(self, region: BaseGeometry) -> None:
        rings = [
            shapely.get_coordinates(shapely.segmentize(ring, DENSE_MM))[:-1]
            for part in getattr(region, "geoms", [region])
            for ring in [part.exterior, *part.interiors]
        ]
        self.region = region
        self.points = np.vstack(rings)
        self.before = np.vstack([np.roll(r, 1, axis=0) for r in rings])
        self.after = np.vstack([np.roll(r, -1, axis=0) for r in rings])
        self.tree = cKDTree(self.points)
        shapely.prepare(region)

    def __call__(self, points_mm: Array) -> tuple[Array, Array]:
        """Distances (N,) and unit gradients (N, 2)."""
        _, at = self.tree.query(points_mm)
        ends = [_foot(points_mm, self.points[at], other[at]) for other in (self.before, self.after)]
        aways = [points_mm - end for end in ends]
        lengths = [np.hypot(*away.T) for away in aways]
        first = lengths[0] <= lengths[1]
        away = np.where(first[:, None], aways[0], aways[1])
        distance = np.minimum(lengths[0], lengths[1])
        sign = np.where(shapely.contains_xy(self.region, points_mm), -1.0, 1.0)
        return sign * distance, away * (sign / np.maximum(distance, 1e-9))[:, None]


def _foot(points: Array, start: Array, end: Array) -> Array:
    """Nearest point of each piece start-end."""
    along = end - start
    share = ((points - start) * along).sum(axis=1) / np.maximum((along**2).sum(axis=1), 1e-18)
    return np.asarray(start + np.clip(share, 0, 1)[:, None] * along)


def along_rings(region: BaseGeometry, spacing_mm: float) -> Array:
    """Points (N, 2) evenly along every ring of a region."""
    found = []
    for part in getattr(region, "geoms", [region]):
        for ring in [part.exterior, *part.interiors]:
            corners = shapely.get_coordinates(ring)
            run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
            at = np.linspace(0, run[-1], max(int(run[-1] / spacing_mm), 8), endpoint=False)
            found.append(np.column_stack([np.interp(at, run, c) for c in corners.T]))
    return np.vstack(found)


def seat(tool: Polygon, pocket: BaseGeometry) -> Seated:
    """Move a tool (its true region) within the area that is cut away for it."""
    middle = np.array(tool.centroid.coords[0])
    reach = float(np.abs(shapely.get_coordinates(tool) - middle).max())
    rim = along_rings(tool, SPACING_MM)
    wall = along_rings(pocket, SPACING_MM)
    to_tool, to_pocket = SignedDistance(tool), SignedDistance(pocket)
    motion = Motion()
    best: tuple[float, Motion] = (np.inf, motion)
    step = STEP_MM
    for _ in range(ROUNDS):
        value, rows, bounds = _bounds(to_tool, to_pocket, rim, wall, motion, middle, reach)
        if value < best[0]:
            best = value, motion
        else:
            step /= 3
            motion = best[1]
            value, rows, bounds = _bounds(to_tool, to_pocket, rim, wall, motion, middle, reach)
        move = _programme(rows, bounds, step)
        motion = _moved(motion, move, middle, reach)
    value, *_ = _bounds(to_tool, to_pocket, rim, wall, motion, middle, reach)
    if value < best[0]:
        best = value, motion
    return _seated(tool, pocket, to_pocket, best[1])


def _bounds(
    to_tool: SignedDistance,
    to_pocket: SignedDistance,
    rim: Array,
    wall: Array,
    motion: Motion,
    middle: Array,
    reach: float,
) -> tuple[float, Array, Array]:
    """Interference now, rows (M, 3) and values (M,) of its linear bounds."""
    placed = motion.points(rim)
    out, slope = to_pocket(placed)
    inverse = Motion(-motion.angle_rad)
    back = inverse.points(wall - np.array(motion.shift_mm))
    depth, lean = to_tool(back)
    lean = Motion(motion.angle_rad).points(lean)
    centre = motion.points(middle[None])[0]
    tightest = max(out.max(), -depth.min())
    near_out, near_in = out > tightest - NEAR_MM, -depth > tightest - NEAR_MM
    values = np.concatenate([out[near_out], -depth[near_in]])
    # a wall point's depth falls as the tool moves away from it: -d(depth) = +lean . move
    slopes = np.vstack([slope[near_out], lean[near_in]])
    places = np.vstack([placed[near_out], wall[near_in]])
    arm = (places - centre) / reach
    turn = slopes[:, 1] * arm[:, 0] - slopes[:, 0] * arm[:, 1]
    return float(values.max()), np.column_stack([slopes, turn]), values


def _programme(rows: Array, values: Array, step: float) -> Array:
    """Move (3,) that makes the largest of values + rows . move least."""
    answer = linprog(
        [0.0, 0.0, 0.0, 1.0],
        A_ub=np.column_stack([rows, -np.ones(len(rows))]),
        b_ub=-values,
        bounds=[(-step, step)] * 3 + [(None, None)],
        method="highs",
    )
    return np.asarray(answer.x[:3], np.float64) if answer.x is not None else np.zeros(3)


def _moved(motion: Motion, move: Array, middle: Array, reach: float) -> Motion:
    """The motion followed by a shift and a turn about the tool's middle."""
    centre = motion.points(middle[None])[0]
    turn = Motion(float(move[2]) / reach)
    shift = centre + move[:2] - turn.points(centre[None])[0]
    return motion.then(Motion(turn.angle_rad, (float(shift[0]), float(shift[1]))))


def _seated(
    tool: Polygon, pocket: BaseGeometry, to_pocket: SignedDistance, motion: Motion
) -> Seated:
    placed = motion.region(tool)
    rim = along_rings(placed, SPACING_MM / 2)
    wall = along_rings(pocket, SPACING_MM / 2)
    out, _ = to_pocket(rim)
    depth, _ = SignedDistance(placed)(wall)
    at = int(np.argmax(out))
    value, where = float(out[at]), rim[at]
    at = int(np.argmin(depth))
    if -depth[at] > value:
        value, where = float(-depth[at]), wall[at]
    edge = along_rings(Polygon(placed.exterior), SPACING_MM / 2)
    gaps, _ = SignedDistance(Polygon(_outer(pocket).exterior))(edge)
    return Seated(value, (float(where[0]), float(where[1])), edge, -gaps, placed)


def _outer(pocket: BaseGeometry) -> Polygon:
    parts = [p for p in getattr(pocket, "geoms", [pocket]) if isinstance(p, Polygon)]
    return max(parts, key=lambda p: p.area)
