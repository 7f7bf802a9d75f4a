"""What a machine would trip over in a DXF or SVG file, ours or anybody's.

Vocabulary
----------
loose piece
    A line, arc or open polyline. Pieces that meet end to end are joined into chains first; only
    a chain whose ends do not meet is an open curve.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely.geometry import LinearRing, LineString, Polygon
from shapely.validation import explain_validity

from tracer.export.examine.pairs import (
    Patience,
    at,
    doubled,
    on,
    overlaps,
    place,
    rim,
)
from tracer.export.examine.scale import scale_checks
from tracer.export.reading.curves import ReadCurve, ReadFile
from tracer.export.reading.limits import word
from tracer.geometry.sweep import MOST_PAIRS, sweep_pairs
from tracer.model.drawing import Operation
from tracer.model.report import Check, Severity

__all__ = ["Examined", "examine"]

Array = NDArray[np.float64]

#: ends nearer than this meet for every machine; a gap up to the second is bridged by some
_MEET_MM, _NEAR_MM = 0.01, 1.0
#: shorter pieces make machines stutter, and come from drawing errors
_TINY_MM = 0.01
#: of examination; with the reading before it 20 s are not exceeded
_PATIENCE_S = 8.0
#: ends are gathered on a grid of this size before those that meet are looked for
_GRID_MM = 0.002
#: kinds of object that are named
_MOST_KINDS = 30
#: layers of our files that show or help and are not cut as they stand
_NOT_CUT = {op.value for op in Operation if not op.is_cut}


@dataclass(frozen=True, eq=False)
class Examined:
    """Findings, and the closed curves in mm."""

    checks: tuple[Check, ...]
    closed: tuple[ReadCurve, ...]
    open: tuple[ReadCurve, ...]
    size_mm: tuple[float, float]


def examine(
    found: ReadFile, *, square_mm: float = 100.0, patience_s: float = _PATIENCE_S
) -> Examined:
    """Examine a file that was read.

    Parameters
    ----------
    square_mm
        Side of the square by which the scale is checked, where the file holds one.
    patience_s
        Time for what can grow with the square of the drawing's size; what it did not suffice for
        is named in a finding.
    """
    patience = Patience(patience_s)
    scale = found.mm_per_unit or 1.0
    curves = [_scaled(c, scale) for c in found.curves]
    closed, open_, joined = _joined(curves)
    checks = list(scale_checks(found, closed, square_mm))
    checks += _strangers(found, joined)
    checks += [_open(curve) for curve in open_]
    checks += _tiny(curves)
    checks += _without_area(curves)
    cut = [c for c in closed if c.layer.lower() not in _NOT_CUT]
    sound = []
    for curve in cut:
        if patience.over("curves that cross themselves"):
            break
        if sweep_pairs(curve.points) > MOST_PAIRS:
            patience.left_out[f"a scribble {on(curve)} at {at(curve.points[0])}"] = None
            continue
        crossing = _self_crossing(curve)
        if crossing is None:
            sound.append(curve)
        else:
            checks.append(crossing)
    polygons = [Polygon(c.points) for c in sound]
    twice = set[int]()
    checks += doubled(sound, polygons, twice, patience)
    rest = [i for i in range(len(sound)) if i not in twice]
    sound, polygons = [sound[i] for i in rest], [polygons[i] for i in rest]
    checks += overlaps(sound, polygons, patience)
    checks += rim(sound, polygons, found.sheet, patience)
    checks += patience.checks()
    points = np.vstack([c.points for c in curves]) if curves else np.zeros((1, 2))
    size = np.ptp(points, axis=0)
    return Examined(tuple(checks), tuple(closed), tuple(open_), (float(size[0]), float(size[1])))


def _scaled(curve: ReadCurve, scale: float) -> ReadCurve:
    return ReadCurve(
        curve.layer, curve.kind, curve.points * scale, curve.closed, curve.node_gaps * scale
    )


def _joined(curves: Sequence[ReadCurve]) -> tuple[list[ReadCurve], list[ReadCurve], int]:
    """Closed curves, open chains, and how many loose pieces made closed curves.

    Pieces are joined layer by layer where exactly two ends meet.
    """
    closed = [c for c in curves if c.closed and len(c.points) >= 3]
    loose: dict[str, list[ReadCurve]] = {}
    for curve in curves:
        if not curve.closed and len(curve.points) >= 2:
            loose.setdefault(curve.layer, []).append(curve)
    open_: list[ReadCurve] = []
    joined = 0
    for layer, pieces in loose.items():
        lines = [LineString(points) for points in _ends_met([c.points for c in pieces])]
        merged = shapely.line_merge(shapely.multilinestrings(lines))
        parts = list(getattr(merged, "geoms", [merged]))
        for part in parts:
            points = np.asarray(part.coords)
            if part.is_closed and len(points) > 3:
                joined += 1
                closed.append(ReadCurve(layer, "loose pieces", points[:-1], True))
            elif part.length > 0:
                open_.append(ReadCurve(layer, pieces[0].kind, points, False))
    return closed, open_, joined


def _ends_met(pieces: Sequence[Array]) -> list[Array]:
    """The pieces with ends that meet to within the limit put on the very same point."""
    ends = np.vstack([piece[[0, -1]] for piece in pieces])
    # thousands of ends in one place would each have all the others as neighbours
    cells, first, cell_of = np.unique(
        np.round(ends / _GRID_MM), axis=0, return_index=True, return_inverse=True
    )
    near = cKDTree(cells).query_ball_point(cells, _MEET_MM / _GRID_MM)
    leader = np.array([int(first[group].min()) for group in near])[cell_of.ravel()]
    moved = [piece.copy() for piece in pieces]
    for i, lead in enumerate(leader.tolist()):
        moved[i // 2][0 if i % 2 == 0 else -1] = ends[lead]
    return moved


def _open(curve: ReadCurve) -> Check:
    gap = float(np.hypot(*(curve.points[-1] - curve.points[0])))
    nearly = gap <= _NEAR_MM
    return Check(
        slug="curve-open",
        severity=Severity.FAIL,
        sentence=f"A curve {on(curve)} is open: from {at(curve.points[0])} to "
        f"{at(curve.points[-1])}" + (f", a gap of {gap:.2f} mm." if nearly else "."),
        remedy="Join its ends; a machine that offsets or cuts pockets needs closed curves.",
        value=gap,
        limit=_MEET_MM,
        unit="mm",
        where_mm=place(curve.points[0]),
    )


def _strangers(found: ReadFile, joined: int) -> Iterator[Check]:
    splines = sum(c.kind in {"SPLINE", "ELLIPSE"} for c in found.curves)
    if splines:
        yield Check(
            slug="curve-kind-risky",
            severity=Severity.WARN,
            sentence=f"{splines} splines or ellipses: some machines drop them or draw them as "
            "straight lines.",
            remedy="Export as polylines with arcs.",
            value=float(splines),
        )
    if joined:
        yield Check(
            slug="curve-in-pieces",
            severity=Severity.WARN,
            sentence=f"{joined} closed curves are made of loose pieces; some machines cut them "
            "piece by piece in any order.",
            remedy="Join the pieces into polylines before export.",
            value=float(joined),
        )
    words = {"TEXT": "text", "MTEXT": "text", "text": "text", "INSERT": "blocks", "use": "copies"}
    for kind, count in sorted(found.others.items())[:_MOST_KINDS]:
        yield Check(
            slug="not-a-curve",
            severity=Severity.WARN,
            sentence=f"{count} x {words.get(kind, 'objects of kind')} {word(kind)}: not a curve; "
            "machines leave it out or draw it otherwise.",
            remedy="Turn text into outlines, open blocks up, remove fills and dimensions.",
            value=float(count),
        )
    if found.audit_errors:
        yield Check(
            slug="file-has-errors",
            severity=Severity.FAIL,
            sentence=f"The file breaks its format's rules: {found.audit_errors[0]}.",
            remedy="Export it again from the program that made it.",
            value=float(len(found.audit_errors)),
        )


def _tiny(curves: Sequence[ReadCurve]) -> Iterator[Check]:
    count, where = 0, (0.0, 0.0)
    for curve in curves:
        short = np.flatnonzero(curve.node_gaps < _TINY_MM)
        if len(short):
            if not count:
                where = place(curve.points[min(int(short[0]), len(curve.points) - 1)])
            count += len(short)
    if count:
        yield Check(
            slug="segment-tiny",
            severity=Severity.WARN,
            sentence=f"{count} pieces are shorter than {_TINY_MM} mm, the first at "
            f"({where[0]:.1f}, {where[1]:.1f}).",
            remedy="Simplify the curves; machines stutter on such pieces.",
            value=float(count),
            limit=0.0,
            where_mm=where,
        )


def _without_area(curves: Sequence[ReadCurve]) -> Iterator[Check]:
    """Curves marked as closed that hold nothing: a line there and back, or a single point."""
    flat = [c for c in curves if c.closed and len(c.points) < 3]
    if flat:
        where = flat[0].points[0]
        yield Check(
            slug="curve-without-area",
            severity=Severity.WARN,
            sentence=f"{len(flat)} closed curves hold no area, the first {on(flat[0])} at "
            f"{at(where)}.",
            remedy="Delete them; they come from drawing errors.",
            value=float(len(flat)),
            limit=0.0,
            where_mm=place(where),
        )


def _self_crossing(curve: ReadCurve) -> Check | None:
    ring = LinearRing(curve.points)
    polygon = Polygon(curve.points)
    if ring.is_simple and polygon.is_valid:
        return None
    reason = explain_validity(polygon)
    numbers = [float(n) for n in reason.partition("[")[2].rstrip("]").split()] or [math.nan] * 2
    where = np.array(numbers[:2])
    return Check(
        slug="curve-crosses-itself",
        severity=Severity.FAIL,
        sentence=f"A curve {on(curve)} crosses or touches itself at {at(where)}.",
        remedy="Redraw it there; inside and outside cannot be told apart.",
        where_mm=place(where),
    )
