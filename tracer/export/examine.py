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
from shapely import STRtree
from shapely.geometry import LinearRing, LineString, Polygon
from shapely.validation import explain_validity

from tracer.export.examine_scale import scale_checks
from tracer.export.read import ReadCurve, ReadFile
from tracer.model.report import Check, Severity

__all__ = ["Examined", "examine"]

Array = NDArray[np.float64]

#: ends nearer than this meet for every machine; a gap up to the second is bridged by some
_MEET_MM, _NEAR_MM = 0.01, 1.0
#: two curves nearer than this all along are one curve drawn twice: thinner than any cutter
_DOUBLE_MM = 0.05
#: shorter pieces make machines stutter, and come from drawing errors
_TINY_MM = 0.01
#: foam between a cut and the sheet's rim (common practice, no source: smallest feature 5 mm)
_RIM_MM = 5.0
_NOT_CUT = {"outline", "label", "check-square", "check-circle"}


@dataclass(frozen=True, eq=False)
class Examined:
    """Findings, and the closed curves in mm."""

    checks: tuple[Check, ...]
    closed: tuple[ReadCurve, ...]
    open: tuple[ReadCurve, ...]
    size_mm: tuple[float, float]


def examine(found: ReadFile, *, square_mm: float = 100.0) -> Examined:
    """Examine a file that was read.

    Parameters
    ----------
    square_mm
        Side of the square by which the scale is checked, where the file holds one.
    """
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
        crossing = _self_crossing(curve)
        if crossing is None:
            sound.append(curve)
        else:
            checks.append(crossing)
    polygons = [Polygon(c.points) for c in sound]
    doubled = set[int]()
    checks += _doubled(sound, polygons, doubled)
    rest = [i for i in range(len(sound)) if i not in doubled]
    checks += _overlaps([sound[i] for i in rest], [polygons[i] for i in rest])
    checks += _rim([sound[i] for i in rest], [polygons[i] for i in rest], found.sheet)
    points = np.vstack([c.points for c in curves]) if curves else np.zeros((1, 2))
    size = np.ptp(points, axis=0)
    return Examined(tuple(checks), tuple(closed), tuple(open_), (float(size[0]), float(size[1])))


def _scaled(curve: ReadCurve, scale: float) -> ReadCurve:
    return ReadCurve(
        curve.layer, curve.kind, curve.points * scale, curve.closed, curve.node_gaps * scale
    )


def _at(point: Array) -> str:
    return f"({point[0]:.1f}, {point[1]:.1f})"


def _place(point: Array) -> tuple[float, float]:
    return float(point[0]), float(point[1])


def _on(curve: ReadCurve) -> str:
    return f"on layer {curve.layer}" if curve.layer else "in the file"


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
    groups = cKDTree(ends).query_ball_point(ends, _MEET_MM)
    moved = [piece.copy() for piece in pieces]
    for i, group in enumerate(groups):
        moved[i // 2][0 if i % 2 == 0 else -1] = ends[int(np.min(group))]
    return moved


def _open(curve: ReadCurve) -> Check:
    gap = float(np.hypot(*(curve.points[-1] - curve.points[0])))
    nearly = gap <= _NEAR_MM
    return Check(
        slug="curve-open",
        severity=Severity.FAIL,
        sentence=f"A curve {_on(curve)} is open: from {_at(curve.points[0])} to "
        f"{_at(curve.points[-1])}" + (f", a gap of {gap:.2f} mm." if nearly else "."),
        remedy="Join its ends; a machine that offsets or cuts pockets needs closed curves.",
        value=gap,
        limit=_MEET_MM,
        unit="mm",
        where_mm=_place(curve.points[0]),
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
    for kind, count in sorted(found.others.items()):
        yield Check(
            slug="not-a-curve",
            severity=Severity.WARN,
            sentence=f"{count} x {words.get(kind, 'objects of kind')} {kind}: not a curve; "
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
                where = _place(curve.points[min(int(short[0]), len(curve.points) - 1)])
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
            sentence=f"{len(flat)} closed curves hold no area, the first {_on(flat[0])} at "
            f"{_at(where)}.",
            remedy="Delete them; they come from drawing errors.",
            value=float(len(flat)),
            limit=0.0,
            where_mm=_place(where),
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
        sentence=f"A curve {_on(curve)} crosses or touches itself at {_at(where)}.",
        remedy="Redraw it there; inside and outside cannot be told apart.",
        where_mm=_place(where),
    )


def _doubled(
    curves: Sequence[ReadCurve], polygons: Sequence[Polygon], doubled: set[int]
) -> Iterator[Check]:
    tree = STRtree(polygons)
    for i, j in zip(*tree.query(polygons, predicate="intersects"), strict=True):
        a, b = int(min(i, j)), int(max(i, j))
        if i >= j or b in doubled:
            continue
        one, other = polygons[a], polygons[b]
        if abs(one.area - other.area) > _DOUBLE_MM * one.length:
            continue
        if shapely.hausdorff_distance(one.exterior, other.exterior) <= 4 * _DOUBLE_MM and (
            _apart(one, other) <= _DOUBLE_MM
        ):
            doubled.add(b)
            yield Check(
                slug="curve-doubled",
                severity=Severity.FAIL,
                sentence=f"A curve {_on(curves[b])} at {_at(curves[b].points[0])} is drawn twice.",
                remedy="Delete one of the two; a laser would burn the line twice.",
                value=_apart(one, other),
                limit=_DOUBLE_MM,
                unit="mm",
                where_mm=_place(curves[b].points[0]),
            )


def _apart(one: Polygon, other: Polygon) -> float:
    """Largest distance from the corners of either ring to the other ring."""
    a = shapely.distance(shapely.points(np.asarray(one.exterior.coords)), other.exterior)
    b = shapely.distance(shapely.points(np.asarray(other.exterior.coords)), one.exterior)
    return float(max(np.max(a), np.max(b)))


def _overlaps(curves: Sequence[ReadCurve], polygons: Sequence[Polygon]) -> Iterator[Check]:
    tree = STRtree(polygons)
    for i, j in zip(*tree.query(polygons, predicate="overlaps"), strict=True):
        if i < j:
            shared = polygons[int(i)].intersection(polygons[int(j)])
            where = np.array(shared.representative_point().coords[0])
            yield Check(
                slug="curves-overlap",
                severity=Severity.FAIL,
                sentence=f"Two curves ({_on(curves[int(i)])} and {_on(curves[int(j)])}) run into "
                f"one another at {_at(where)}, {shared.area:.1f} mm2.",
                remedy="Move them apart or unite them.",
                value=float(shared.area),
                limit=0.0,
                unit="mm2",
                where_mm=_place(where),
            )


def _rim(
    curves: Sequence[ReadCurve], polygons: Sequence[Polygon], page: tuple[float, float] | None
) -> Iterator[Check]:
    """Distance to the sheet's edge: a curve of that layer, or the page of an SVG file."""
    sheets = [i for i, c in enumerate(curves) if c.layer.lower().startswith("sheet-edge")]
    if not sheets:
        holds = [
            i
            for i, p in enumerate(polygons)
            if len(polygons) > 1 and all(p.covers(q) for k, q in enumerate(polygons) if k != i)
        ]
        sheets = holds[:1]
    if sheets:
        sheet = polygons[sheets[0]]
    elif page is not None:
        sheet = Polygon([(0, 0), (page[0], 0), page, (0, page[1])])
    else:
        return
    for i, polygon in enumerate(polygons):
        if i in sheets:
            continue
        if not sheet.covers(polygon):
            where = np.array(polygon.representative_point().coords[0])
            yield Check(
                slug="curve-outside-sheet",
                severity=Severity.FAIL,
                sentence=f"A curve {_on(curves[i])} at {_at(where)} reaches beyond the sheet.",
                remedy="Move it inside or take a larger sheet.",
                where_mm=_place(where),
            )
            continue
        distance = float(sheet.exterior.distance(polygon))
        if distance < _RIM_MM:
            where = np.array(shapely.shortest_line(polygon, sheet.exterior).coords[0])
            yield Check(
                slug="curve-near-edge",
                severity=Severity.WARN,
                sentence=f"A curve {_on(curves[i])} lies {distance:.1f} mm from the sheet's edge "
                f"at {_at(where)}.",
                remedy=f"Leave at least {_RIM_MM:.0f} mm of foam.",
                value=distance,
                limit=_RIM_MM,
                unit="mm",
                where_mm=_place(where),
            )
