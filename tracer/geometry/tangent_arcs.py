"""Lines and arcs that meet without a kink, wherever the curve they follow has none.

A chain of lines and arcs found piece by piece breaks by some degrees at every joint. Here all
vertices and bulges are moved together (Gauss-Newton) so that the pieces stay near the points that
they were fitted to, and arrive at each joint in the direction in which the next one leaves it.
Joints at corners are left to break.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.linalg import LinAlgError, solveh_banded
from shapely.geometry import LinearRing

from tracer.geometry.loops import flatten
from tracer.model.drawing import Loop

__all__ = ["TANGENT_SLACK", "joint_breaks", "made_tangent", "smooth_chain"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Bool = NDArray[np.bool_]

#: a break of this much at a joint weighs as much as one point off by the tolerance
_KINK_RAD = math.radians(0.7)
_ROUNDS = 10
#: pieces made tangent may lie off by this many tolerances
TANGENT_SLACK = 1.5
#: times that pieces that lie farther off are halved
_HALVINGS = 5
_STEP = 1e-6
_DAMPING = 1e-4
#: arcs of less bulge are taken as parabolas: equal to 1e-9 of the chord
_FLAT = 1e-4
#: arcs that rise by less above their chord are lines
_NO_RISE_MM = 1e-3
#: no piece may turn by more than this share of a full turn
_MOST_BULGE = 1.0
#: a piece knows those up to two further on; folded (`_folded`), these stand within four
_BAND = 3 * 4 + 2


@dataclass(frozen=True, eq=False)
class _Problem:
    """Points (N, 2), the piece (N,) that each belongs to, joints that must not break."""

    points: Array
    piece: Index
    smooth: Bool
    tolerance: float


def joint_breaks(vertices: Array) -> Array:
    """Turn (K,) at the start of each piece of a closed loop (K, 3) of x, y, bulge; radians."""
    back = np.roll(vertices, 1, axis=0)
    ahead = np.roll(vertices, -1, axis=0)
    return _breaks(back, vertices, ahead)


def _breaks(back: Array, here: Array, ahead: Array) -> Array:
    arrives = np.arctan2(here[:, 1] - back[:, 1], here[:, 0] - back[:, 0])
    arrives = arrives + 2 * np.arctan(back[:, 2])
    leaves = np.arctan2(ahead[:, 1] - here[:, 1], ahead[:, 0] - here[:, 0])
    leaves = leaves - 2 * np.arctan(here[:, 2])
    return np.asarray((leaves - arrives + math.pi) % (2 * math.pi) - math.pi, np.float64)


def _off(points: Array, start: Array, end: Array) -> Array:
    """Signed distance (N,) of points from the pieces start-end, both (N, 3)."""
    chord = end[:, :2] - start[:, :2]
    span = np.maximum(np.hypot(*chord.T), 1e-9)
    along, up = chord / span[:, None], np.column_stack([-chord[:, 1], chord[:, 0]]) / span[:, None]
    rest = points - start[:, :2]
    x, y = (rest * along).sum(axis=1), (rest * up).sum(axis=1)
    bulge = start[:, 2]
    flat = np.abs(bulge) < _FLAT
    safe = np.where(flat, 1.0, bulge)
    # centre on the chord's perpendicular, above it where the arc runs below (bulge positive)
    centre = span * (1 - safe**2) / (4 * safe)
    radius = span * (1 + safe**2) / (4 * np.abs(safe))
    from_arc = (radius - np.hypot(x - span / 2, y - centre)) * np.sign(safe)
    share = 2 * x / span - 1
    from_parabola = y + bulge * span / 2 * (1 - share**2)
    return np.asarray(np.where(flat, from_parabola, from_arc), np.float64)


def made_tangent(
    vertices: Array, points_mm: Array, piece: Index, is_corner: Bool, tolerance_mm: float
) -> Array:
    """Move a closed loop's vertices and bulges until it runs smoothly through its joints.

    Parameters
    ----------
    vertices
        (K, 3) x, y, bulge.
    points_mm
        (N, 2) points that the loop follows.
    piece
        (N,) index of the piece that each point belongs to.
    is_corner
        (K,) whether the joint at the start of a piece is a corner.
    tolerance_mm
        Distances weigh by it.

    Returns
    -------
    (K, 3) moved vertices, those given where nothing better is found. A vertex may slide along the
    curve: hold the result against the points before it is used.
    """
    problem = _Problem(points_mm, piece, ~is_corner, tolerance_mm)
    present = np.asarray(vertices, np.float64).copy()
    cost = _cost(present, problem)
    damping = _DAMPING
    for _ in range(_ROUNDS):
        band, gradient = _normal_equations(present, problem)
        damped = band.copy()
        damped[0] += damping * (band[0] + 1e-9)
        try:
            step = solveh_banded(damped, -gradient, lower=True)
        except LinAlgError:
            damping *= 16
            continue
        trial = present + step.reshape(-1, 3)[_folded(len(present))]
        trial[:, 2] = np.clip(trial[:, 2], -_MOST_BULGE, _MOST_BULGE)
        found = _cost(trial, problem)
        if found < cost:
            gain, present, cost, damping = cost - found, trial, found, damping / 4
            if gain < 1e-3 * cost:
                break
        else:
            damping *= 16
    span = np.hypot(*(np.roll(present, -1, axis=0) - present)[:, :2].T)
    present[np.abs(present[:, 2]) * span / 2 < _NO_RISE_MM, 2] = 0.0
    return present


def smooth_chain(
    chain: Array,
    starts: NDArray[np.int64],
    points_mm: Array,
    corners: NDArray[np.int64],
    tolerance_mm: float,
) -> tuple[Array, float] | None:
    """A fitted chain made tangent; pieces that then lie too far off are halved, and all done again.

    A chain without kinks bends less freely than one of as many pieces that may break, so it needs
    some more, and the pieces that it leaves behind show where.

    Parameters
    ----------
    chain
        (K, 3) x, y, bulge of a closed loop.
    starts
        (K,) increasing: index of the point at which each piece starts.
    points_mm
        (N, 2) dense ring that the chain follows.
    corners
        Indices of the ring's corners: joints there may break.
    tolerance_mm
        The result lies within `TANGENT_SLACK` times this of the ring, and the ring of it.

    Returns
    -------
    (vertices (K', 3), largest distance in mm), or None where halving does not end.
    """
    count = len(points_mm)
    for _ in range(_HALVINGS):
        piece = (np.searchsorted(starts, np.arange(count), side="right") - 1) % len(chain)
        moved = made_tangent(chain, points_mm, piece, np.isin(starts, corners), tolerance_mm)
        off = _farthest(moved, points_mm, piece, tolerance_mm)
        if off.max() <= TANGENT_SLACK * tolerance_mm:
            return moved, float(off.max())
        chain, starts = _halved(chain, starts, points_mm, off > TANGENT_SLACK * tolerance_mm)
    return None


def _halved(
    chain: Array, starts: NDArray[np.int64], points: Array, which: Bool
) -> tuple[Array, NDArray[np.int64]]:
    """Pieces (K,) asked for become two that meet at the middle one of their points."""
    rows, places = [], []
    ends = np.append(starts[1:], starts[0] + len(points))
    for row, start, end, halve in zip(
        chain.tolist(), starts.tolist(), ends.tolist(), which.tolist(), strict=True
    ):
        middle = (start + end) // 2
        if not halve or middle == start:
            rows.append(row)
            places.append(start)
            continue
        half = math.tan(math.atan(row[2]) / 2)  # half the angle
        rows += [(*row[:2], half), (*points[middle % len(points)], half)]
        places += [start, middle % len(points)]
    first = int(np.argmin(places))
    return np.roll(np.array(rows), -first, axis=0), np.roll(np.array(places), -first)


def _farthest(vertices: Array, points: Array, piece: Index, tolerance: float) -> Array:
    """Largest distance (K,) in mm between the pieces of a loop and a dense ring, both ways."""
    chords = flatten(Loop(vertices), tolerance / 10)
    if len(chords) < 3:
        return np.full(len(vertices), math.inf)
    off = np.zeros(len(vertices))
    dots, there = (np.asarray(shapely.points(p), object) for p in (points, chords))
    np.maximum.at(off, piece, shapely.distance(dots, LinearRing(chords)))
    nearest = piece[shapely.STRtree(dots).nearest(there)]
    np.maximum.at(off, nearest, shapely.distance(there, LinearRing(points)))
    return off


def _residuals(vertices: Array, problem: _Problem) -> tuple[Array, Array]:
    ahead = np.roll(vertices, -1, axis=0)
    off = _off(problem.points, vertices[problem.piece], ahead[problem.piece]) / problem.tolerance
    return off, joint_breaks(vertices) * problem.smooth / _KINK_RAD


def _cost(vertices: Array, problem: _Problem) -> float:
    off, kinks = _residuals(vertices, problem)
    return float(off @ off + kinks @ kinks)


def _folded(count: int) -> Index:
    """Place (K,) of each piece of a closed loop in the order 0, K-1, 1, K-2, ...: neighbours stand
    near each other all round, so that their equations have a narrow band.
    """
    at = np.arange(count)
    return np.minimum(2 * at, 2 * (count - 1 - at) + 1)


def _normal_equations(vertices: Array, problem: _Problem) -> tuple[Array, Array]:
    """J^T J, lower band by columns, and J^T r, both folded, by finite differences."""
    count = len(vertices)
    at = _folded(count)
    off, kinks = _residuals(vertices, problem)
    start, end = vertices[problem.piece], np.roll(vertices, -1, axis=0)[problem.piece]
    first, second = at[problem.piece], at[(problem.piece + 1) % count]
    slopes, unknowns = [], []
    for which, index in ((0, first), (1, second)):
        for axis in range(3 if which == 0 else 2):
            moved = [start, end]
            moved[which] = moved[which].copy()
            moved[which][:, axis] += _STEP
            changed = _off(problem.points, *moved) / problem.tolerance
            slopes.append((changed - off) / _STEP)
            unknowns.append(3 * index + axis)
    matrix, gradient = _products(slopes, unknowns, off, count)
    rows = np.arange(count)
    parts = [np.roll(vertices, 1, axis=0), vertices, np.roll(vertices, -1, axis=0)]
    places = [at[(rows - 1) % count], at, at[(rows + 1) % count]]
    before = _breaks(*parts)
    slopes, unknowns = [], []
    for which in range(3):
        for axis in range(3 if which < 2 else 2):
            shifted = list(parts)
            shifted[which] = parts[which].copy()
            shifted[which][:, axis] += _STEP
            change = (_breaks(*shifted) - before + math.pi) % (2 * math.pi) - math.pi
            slopes.append(change * problem.smooth / _KINK_RAD / _STEP)
            unknowns.append(3 * places[which] + axis)
    more, slope = _products(slopes, unknowns, kinks, count)
    return matrix + more, gradient + slope


def _products(
    slopes: list[Array], unknowns: list[Index], residual: Array, count: int
) -> tuple[Array, Array]:
    """Lower band of J^T J, and J^T r, of residuals that know a few unknowns each."""
    size = 3 * count
    products = np.concatenate([s * residual for s in slopes])
    gradient = np.bincount(np.concatenate(unknowns), products, size).astype(np.float64)
    cells, values = [], []
    for slope, unknown in zip(slopes, unknowns, strict=True):
        for other, place in zip(slopes, unknowns, strict=True):
            below = unknown >= place
            cells.append(((unknown - place) * size + place)[below])
            values.append((slope * other)[below])
    band = np.bincount(np.concatenate(cells), np.concatenate(values), (_BAND + 1) * size)
    return band.astype(np.float64).reshape(_BAND + 1, size)[:size], gradient
