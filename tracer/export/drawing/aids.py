"""Helps beside the walls: leads in the waste, tabs that hold loose pieces, loops at corners.

Walls stay closed curves on their own layers, untouched; these stand on layers of their own that
are off in the file. Who wants them switches them on; nobody has to take them out.

Vocabulary
----------
lead
    A triangle whose tip touches the wall where it begins: in along one side, out along another.
tab
    A rectangle across a wall: the cutter is lifted within it, and a bridge stays.
corner loop
    A triangle in the waste beyond a sharp corner of a loose piece, in which a trailing blade turns.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import STRtree
from shapely.geometry import LinearRing, Polygon

from tracer.geometry.loops import flatten, polygon_of
from tracer.model.drawing import CutPath, Drawing, Layer, Loop, Operation
from tracer.model.machine import Machine

__all__ = ["begun_on_a_straight", "with_aids"]

Point = NDArray[np.float64]

_LOOSE = {Operation.THROUGH, Operation.INSERT, Operation.INLAY}
_PIECES = {Operation.INSERT, Operation.INLAY}
#: a trailing blade swings round within so many of its offsets
_SWING = 3.0
#: corners that turn by less need no loop
_SHARP_RAD = math.radians(30)
#: a tab reaches past the cut on either side
_PAST_MM = 0.5
#: share by which the wall within a tab may be longer than the tab
_BENT = 0.05
#: a straight piece shorter than this is no place to begin
_SHORT_MM = 2.0


def begun_on_a_straight(loop: Loop) -> Loop:
    """The same loop, begun in the middle of its longest straight piece; of its longest arc without.

    A cut shows most where it begins and ends: there it is easiest to dress, and far from corners.
    """
    v = loop.vertices
    span = np.hypot(*(np.roll(v[:, :2], -1, axis=0) - v[:, :2]).T)
    straight = np.abs(v[:, 2]) < 1e-9
    if not straight.any():
        first = int(np.argmax(span))
        return loop if first == 0 else Loop(np.roll(v, -first, axis=0))
    first = int(np.argmax(np.where(straight, span, -1.0)))
    if span[first] < _SHORT_MM:
        return loop
    turned = np.roll(v, -first, axis=0)
    middle = (turned[0, :2] + turned[1 % len(v), :2]) / 2
    return Loop(np.vstack([[*middle, 0.0], turned[1:], turned[:1]]))


def with_aids(drawing: Drawing, machine: Machine) -> Drawing:
    """The drawing with the helps that a machine's profile asks for behind its paths."""
    paths = [p for p in drawing.paths if p.layer.operation.is_cut]
    shapes = [polygon_of(p.loop, 0.05) for p in paths]
    tree = STRtree([s.exterior for s in shapes])
    aids: list[CutPath] = []
    for k, path in enumerate(paths):
        if path.layer.operation not in _LOOSE:
            continue
        outside = (path.layer.operation in _PIECES) != path.island
        if machine.lead_mm > 0:
            others = [shapes[j].exterior for j in tree.query(shapes[k].buffer(30)) if j != k]
            aids += _lead(path, shapes[k], machine.lead_mm, outside, others)
        if machine.tabs > 0 and machine.tab_width_mm > 0:
            aids += _tabs(path, machine)
        if machine.blade_offset_mm > 0 and outside:
            aids += _corner_loops(path, machine.blade_offset_mm * _SWING)
    return replace(drawing, paths=(*drawing.paths, *aids)) if aids else drawing


def _aid(points: Sequence[Point], operation: Operation, owner: str) -> CutPath:
    ring = Polygon([tuple(p) for p in points])
    ordered = shapely.get_coordinates(shapely.geometry.polygon.orient(ring))[:-1]
    return CutPath(Loop.polygon(ordered), Layer(operation), owner)


def _directions(loop: Loop) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Angle in which each piece leaves its vertex, and in which the one before arrives there."""
    v = loop.vertices
    chord = np.roll(v[:, :2], -1, axis=0) - v[:, :2]
    direction, half = np.arctan2(chord[:, 1], chord[:, 0]), 2 * np.arctan(v[:, 2])
    return direction - half, np.roll(direction + half, 1)


def _unit(angle: float) -> Point:
    return np.array([math.cos(angle), math.sin(angle)])


def _lead(
    path: CutPath, shape: Polygon, length_mm: float, outside: bool, others: Sequence[LinearRing]
) -> Iterator[CutPath]:
    """A lead as long as the waste has room for, at least a third of what is asked."""
    start = path.loop.vertices[0, :2]
    along = _unit(float(_directions(path.loop)[0][0]))
    left = np.array([-along[1], along[0]])
    counter_clockwise = (
        LinearRing(path.loop.vertices[:, :2]).is_ccw if (len(path.loop.vertices) > 2) else True
    )
    inward = left if counter_clockwise else -left
    into = -inward if outside else inward
    for share in (1.0, 0.66, 0.34):
        reach = length_mm * share
        ends = [start + reach * (into + side * 0.4 * along) for side in (-1, 1)]
        triangle = Polygon([tuple(start), *(tuple(e) for e in ends)])
        core = triangle.buffer(-0.01 * reach)
        free = core.disjoint(shape) if outside else shape.contains(core)
        if free and all(triangle.disjoint(o) for o in others):
            yield _aid([start, *ends], Operation.LEAD, path.subject_id)
            return


def _tabs(path: CutPath, machine: Machine) -> Iterator[CutPath]:
    """Tabs evenly along a wall, none on a wall too short for them."""
    ring = LinearRing(flatten(path.loop, 0.02))
    if ring.length < 4 * machine.tabs * machine.tab_width_mm:
        return
    for k in range(machine.tabs):
        at = (k + 0.5) / machine.tabs * ring.length
        # beside a corner, never across it
        for step in (0, 1, -1, 2, -2, 3, -3):
            corners = _tab_at(ring, at + step * machine.tab_width_mm, machine)
            crossed = Polygon(corners).intersection(ring).length
            if abs(crossed / machine.tab_width_mm - 1) < _BENT:
                yield _aid(corners, Operation.TAB, path.subject_id)
                break


def _tab_at(ring: LinearRing, at_mm: float, machine: Machine) -> list[Point]:
    before, here, after = (
        np.array(ring.interpolate((at_mm + d) % ring.length).coords[0]) for d in (-0.5, 0, 0.5)
    )
    along = (after - before) / max(float(np.hypot(*(after - before))), 1e-9)
    across = np.array([-along[1], along[0]])
    w, half = machine.tab_width_mm / 2, machine.kerf_mm / 2 + _PAST_MM
    return [
        here + a * w * along + b * half * across for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    ]


def _corner_loops(path: CutPath, reach_mm: float) -> Iterator[CutPath]:
    leaving, arriving = _directions(path.loop)
    turn = (leaving - arriving + np.pi) % (2 * np.pi) - np.pi
    for (x, y), before, after, angle in zip(
        path.loop.vertices[:, :2].tolist(), arriving, leaving, turn, strict=True
    ):
        if angle > _SHARP_RAD:
            here = np.array([x, y])
            ends = [here + reach_mm * _unit(before), here - reach_mm * _unit(after)]
            yield _aid([here, *ends], Operation.CORNER_LOOP, path.subject_id)
