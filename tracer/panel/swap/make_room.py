"""The least change that makes room for a pocket that has grown: how far each opening is to move.

Openings are pushed apart until every gap is wide enough and all lie within the panel. Among all
ways to do that the one with the least sum of squared shifts is found: gaps are taken as linear in
the shifts at the present places, which makes it a least distance problem, solved exactly; then gaps
are looked at again.

References
----------
C. L. Lawson, R. J. Hanson, "Solving Least Squares Problems" (1974), chapter 23, section 4: least
distance programming by non-negative least squares.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import nnls
from shapely import affinity
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

__all__ = ["make_room"]

Array = NDArray[np.float64]

ROUNDS = 40
#: gaps are met to this
SLACK_MM = 0.05
#: pairs nearer than the gap and this are watched while others move
WATCH_MM = 30.0
#: a shift shorter than this is none
LEAST_MM = 0.05


def make_room(
    openings: Sequence[Polygon],
    panel: Polygon,
    gap_mm: float,
    edge_mm: float,
    fixed: Sequence[BaseGeometry] = (),
    still: Sequence[int] = (),
) -> Array | None:
    """Shifts (N, 2) in mm that give every opening its room; None where none are found.

    Parameters
    ----------
    openings
        As they are to be cut, at their present places.
    panel
        Its rim; openings stay ``edge_mm`` away from it.
    fixed
        What must not be cut and does not move: openings stay ``gap_mm`` away from it.
    still
        Openings, by index, that must stay where they are.
    """
    room = panel.buffer(-edge_mm + SLACK_MM)
    held = set(still)
    for by_middles in (False, True):  # what lies deep in one another may be parted either way
        found = _pushed(openings, room, gap_mm, fixed, held, by_middles=by_middles)
        if found is not None:
            return np.where(np.hypot(*found.T)[:, None] > LEAST_MM, found, 0.0)
    return None


def _pushed(
    openings: Sequence[Polygon],
    room: BaseGeometry,
    gap_mm: float,
    fixed: Sequence[BaseGeometry],
    held: set[int],
    *,
    by_middles: bool,
) -> Array | None:
    shifts = np.zeros((len(openings), 2))
    for _ in range(ROUNDS):
        here = [affinity.translate(o, *s) for o, s in zip(openings, shifts.tolist(), strict=True)]
        rows, needs, broken = _constraints(here, shifts, room, gap_mm, fixed, held, by_middles)
        if not broken:
            return shifts
        found = _least(np.array(rows), np.array(needs))
        if found is None:
            return None
        shifts = found.reshape(-1, 2)
        shifts[list(held)] = 0.0
    return None


def _constraints(
    here: Sequence[Polygon],
    shifts: Array,
    room: BaseGeometry,
    gap_mm: float,
    fixed: Sequence[BaseGeometry],
    held: set[int],
    by_middles: bool,
) -> tuple[list[Array], list[float], bool]:
    """Rows a and needs b of a . d >= b for all shifts d, and whether any is broken now."""
    rows: list[Array] = []
    needs: list[float] = []
    broken = False

    def ask(parts: dict[int, Array], lacking: float) -> None:
        """The shifts so far, and ``lacking`` mm more along the directions of the parts."""
        row = np.zeros(2 * len(here))
        for k, direction in parts.items():
            if k not in held:
                row[2 * k : 2 * k + 2] = direction
        if row.any() or lacking > SLACK_MM:
            rows.append(row)
            needs.append(float(row @ shifts.ravel()) + lacking)

    for i, j in combinations(range(len(here)), 2):
        distance, out = _apart(here[i], here[j], by_middles)
        if distance < gap_mm + WATCH_MM:
            ask({i: out, j: -out}, gap_mm - distance)
            broken |= distance < gap_mm - SLACK_MM
    for i, opening in enumerate(here):
        for thing in fixed:
            distance, out = _apart(opening, thing, by_middles)
            if distance < gap_mm + WATCH_MM:
                ask({i: out}, gap_mm - distance)
                broken |= distance < gap_mm - SLACK_MM
        x0, y0, x1, y1 = room.bounds
        a0, b0, a1, b1 = opening.bounds
        for out, beyond in (
            (np.array([1.0, 0.0]), x0 - a0),
            (np.array([-1.0, 0.0]), a1 - x1),
            (np.array([0.0, 1.0]), y0 - b0),
            (np.array([0.0, -1.0]), b1 - y1),
        ):
            ask({i: out}, beyond)
            broken |= beyond > SLACK_MM
        if not room.covers(opening):  # a rim that is no rectangle
            broken = True
            away = opening.difference(room)
            if not away.is_empty:
                inward = np.array(room.centroid.coords[0]) - np.array(away.centroid.coords[0])
                inward /= max(float(np.hypot(*inward)), 1e-9)
                ask({i: inward}, _width(away, inward))
    return rows, needs, broken


def _apart(one: Polygon, other: BaseGeometry, by_middles: bool) -> tuple[float, Array]:
    """Distance of two shapes, negative where they overlap, and the way that one is to go."""
    distance = float(one.distance(other))
    if distance > 1e-6:
        a, b = (np.array(p.coords[0]) for p in _nearest(one, other))
        return distance, (a - b) / np.hypot(*(a - b))
    overlap = one.intersection(other)
    centre = np.array(one.centroid.coords[0]) - np.array(other.centroid.coords[0])
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(overlap))
    if len(box) < 4 or by_middles:
        out = centre / max(float(np.hypot(*centre)), 1e-9)
        return -_width(overlap, out), out
    sides = np.diff(box[:3], axis=0)
    out = sides[int(np.hypot(*sides.T).argmin())]
    out = out / max(float(np.hypot(*out)), 1e-9)
    out = out if out @ centre >= 0 else -out
    return -_width(overlap, out), out


def _nearest(one: BaseGeometry, other: BaseGeometry) -> tuple[BaseGeometry, BaseGeometry]:
    line = shapely.shortest_line(one, other)
    return shapely.get_point(line, 0), shapely.get_point(line, -1)


def _width(shape: BaseGeometry, along: Array) -> float:
    reach = shapely.get_coordinates(shape) @ along
    return float(np.ptp(reach))


def _least(rows: Array, needs: Array) -> Array | None:
    """The shortest d with rows d >= needs; None where there is none."""
    system = np.vstack([rows.T, needs])
    target = np.zeros(len(system))
    target[-1] = 1.0
    multipliers, _ = nnls(system, target)
    rest = system @ multipliers - target
    if np.hypot.reduce(rest) < 1e-9 or abs(rest[-1]) < 1e-12:
        return None
    return np.asarray(-rest[:-1] / rest[-1], np.float64)
