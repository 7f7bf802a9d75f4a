"""Reading DXF files back.

The reader shares no geometry with the writer: bulges are opened up by the DXF library, so a wrong
bulge or flag shows as a wrong shape.
"""

from __future__ import annotations

import io
import logging
import math
import re
import struct
from collections.abc import Callable, Iterable, Iterator
from typing import Any

import ezdxf
import numpy as np
from ezdxf import path as dxf_path
from ezdxf import recover
from ezdxf.document import Drawing
from ezdxf.entities import (
    Arc,
    Circle,
    DXFEntity,
    Ellipse,
    Insert,
    Line,
    LWPolyline,
    Polyline,
    Spline,
)
from numpy.typing import NDArray

from tracer.errors import TracerError
from tracer.export.reading.curves import ReadCurve, ReadFile, without_repeat
from tracer.export.reading.limits import Budget, too_large, word
from tracer.geometry.sound import FARTHEST_MM

__all__ = ["read_dxf"]

# what the library finds is told as a check; it would print it as well
logging.getLogger("ezdxf").addHandler(logging.NullHandler())

Array = NDArray[np.float64]

_RECOVERED = re.compile(
    r'recovered invalid (integer|floating point) value "(.*)" near line (\d+) as', re.DOTALL
)
#: $INSUNITS values (DXF reference, HEADER) in mm; 0 and the astronomical ones mean nothing here
_INSUNITS_MM = {
    1: 25.4,
    2: 304.8,
    3: 1609344.0,
    4: 1.0,
    5: 10.0,
    6: 1000.0,
    7: 1e6,
    8: 25.4e-6,
    9: 25.4e-3,
    10: 914.4,
    11: 1e-7,
    12: 1e-6,
    13: 1e-3,
    14: 100.0,
    15: 1e4,
    16: 1e5,
}

#: blocks within blocks: no drawing for a machine needs more
_DEEPEST = 8

#: nodes of one spline, whose solution grows faster than their number; common practice, no source
_MOST_NODES, _MOST_DEGREE = 5_000, 12

#: what the library raises on entities that break the format's rules
_FOREIGN = (
    ezdxf.DXFError, OSError, ArithmeticError, AssertionError, AttributeError, LookupError,
    NotImplementedError, RecursionError, TypeError, ValueError, struct.error,
)  # fmt: skip

#: an arc this flat is cut into few chords, whatever its radius
_MOST_RISE_MM = 1.0

_CURVES = {"LWPOLYLINE", "POLYLINE", "LINE", "ARC", "CIRCLE", "ELLIPSE", "SPLINE"}


def _own_nodes(entity: DXFEntity) -> Array:
    if isinstance(entity, LWPolyline):
        return np.array([v[:2] for v in entity.get_points("xy")], np.float64).reshape(-1, 2)
    if isinstance(entity, Polyline):
        return np.array([tuple(v.dxf.location)[:2] for v in entity.vertices], np.float64).reshape(
            -1, 2
        )
    if isinstance(entity, Line):
        return np.array([tuple(entity.dxf.start)[:2], tuple(entity.dxf.end)[:2]])
    return np.empty((0, 2))


def _piece_points(piece: DXFEntity, tolerance: float, budget: Budget) -> Array:
    """Points (N, 2) along one entity, by the library's own exact formulas for arcs."""
    kind = piece.dxftype().lower()
    what = f"{'An' if kind[0] in 'aeio' else 'A'} {kind} on layer {word(piece.dxf.layer)}"
    points: Iterable[Any]
    if isinstance(piece, Line):
        points = [piece.dxf.start, piece.dxf.end]
    elif isinstance(piece, Arc) and _rise(piece) <= tolerance:
        points = [piece.start_point, piece.end_point]  # as good as straight, however large
    elif isinstance(piece, Arc | Circle):
        # cut into chords all at once, so their number is looked at first; a nearly straight arc
        # has few of them however large its radius
        radius = abs(float(piece.dxf.radius))
        if not math.isfinite(radius):
            raise ValueError("no arc")
        short = isinstance(piece, Arc) and _rise(piece) < _MOST_RISE_MM
        if radius > FARTHEST_MM and not short:
            raise too_large(f"{what} has a radius of {abs(float(piece.dxf.radius)):.3g}")
        points = piece.flattening(tolerance)
    elif isinstance(piece, Ellipse):
        if not math.isfinite(piece.dxf.major_axis.magnitude):
            raise ValueError("no ellipse")
        if piece.dxf.major_axis.magnitude > FARTHEST_MM:
            raise too_large(f"{what} has a radius of {piece.dxf.major_axis.magnitude:.3g}")
        points = piece.flattening(tolerance)
    elif isinstance(piece, Spline):
        if max(len(piece.control_points), len(piece.fit_points)) > _MOST_NODES:
            raise too_large(f"{what} has more than {_MOST_NODES} nodes")
        if piece.dxf.degree > _MOST_DEGREE:
            raise ValueError("no drawing program makes such a spline")
        points = piece.flattening(tolerance)
    else:
        points = dxf_path.make_path(piece).flattening(tolerance)
    found = budget.some(points, what)
    return np.array([(p[0], p[1]) for p in found], np.float64).reshape(-1, 2)


def _rise(arc: Arc) -> float:
    """How far an arc stands off its chord, in the drawing's unit."""
    half = math.radians((arc.dxf.end_angle - arc.dxf.start_angle) % 360.0) / 2
    return 2 * abs(float(arc.dxf.radius)) * math.sin(half / 2) ** 2


def _polyline_points(entity: LWPolyline | Polyline, tolerance: float, budget: Budget) -> Array:
    """Points along a polyline; its arcs come counter-clockwise and are turned where needed."""
    nodes = _own_nodes(entity)
    if not entity.has_arc:
        budget.corners(len(nodes))
        return nodes
    chain = [nodes[:1]]
    for piece in entity.virtual_entities():
        points = _piece_points(piece, tolerance, budget)
        if len(points) > 1:
            here = chain[-1][-1]
            if np.hypot(*(points[0] - here)) > np.hypot(*(points[-1] - here)):
                points = points[::-1]
            chain.append(points[1:])
    return np.vstack(chain)


def _curve(entity: DXFEntity, tolerance: float, budget: Budget) -> ReadCurve:
    if isinstance(entity, LWPolyline | Polyline):
        points = _polyline_points(entity, tolerance, budget)
    else:
        points = _piece_points(entity, tolerance, budget)
    points, meets = without_repeat(points)
    kind = entity.dxftype()
    flagged = bool(getattr(entity, "is_closed", getattr(entity, "closed", False)))
    nodes = _own_nodes(entity)
    loop = np.vstack([nodes, nodes[:1]]) if flagged else nodes
    gaps = np.hypot(*np.diff(loop, axis=0).T) if len(loop) > 1 else np.empty(0)
    closed = flagged or kind == "CIRCLE" or (kind in {"ELLIPSE", "SPLINE"} and meets)
    return ReadCurve(str(entity.dxf.layer), kind, points, closed, gaps)


def _curve_or_none(entity: DXFEntity, tolerance: float, budget: Budget) -> ReadCurve | None:
    """The curve, or None where the entity's own numbers make none (a spline without knots)."""
    try:
        with np.errstate(all="ignore"):  # what comes out is looked at below
            curve = _curve(entity, tolerance, budget)
    except _FOREIGN:
        return None
    if not len(curve.points) or not np.isfinite(curve.points).all():
        return None
    budget.curve(curve.points, f"A {curve.kind.lower()} on layer {word(curve.layer)}")
    return curve


def _plain(message: str) -> str:
    """What the library says of a broken rule, in words about the file.

    Examples
    --------
    >>> _plain('recovered invalid integer value "1e12" near line 1822 as "1"')
    'near line 1822 stands "1e12" where a whole number belongs'
    >>> _plain("Fixed undefined BlockRecord for <class 'Insert'>")
    'it holds entries that its format does not know'
    """
    if found := _RECOVERED.match(message):
        kind = "a whole number" if found[1] == "integer" else "a number"
        return f'near line {found[3]} stands "{found[2][:40]}" where {kind} belongs'
    return "it holds entries that its format does not know"


def _broken_at(error: Exception) -> str:
    """Where the library gave up, if it says so."""
    found = re.search(r"\bline:? (\d+)", str(error))
    return f"its form breaks at line {found[1]}" if found else "it has not the form of one"


def read_dxf(data: bytes, tolerance: float = 0.001, *, ours: bool = False) -> ReadFile:
    """Everything in the model space of a DXF file, blocks opened up.

    ``ours`` lifts the limits for a file that was just written by this program.

    Raises
    ------
    TracerError
        When the bytes are no DXF file, one without any entity, or one of more objects, curves or
        corners than are read.
    """
    budget = Budget(for_any=not ours)
    # each begins with the group code 0 on a line of its own (DXF reference, group codes)
    Budget(for_any=not ours).object(sum(n.strip() == b"0" for n in data.split(b"\n")[::2]))
    try:
        doc, auditor = recover.read(io.BytesIO(data))
    except _FOREIGN as error:
        raise _not_dxf(_broken_at(error)) from error
    curves: list[ReadCurve] = []
    others: dict[str, int] = {}
    for entity in _opened(doc.modelspace(), others, budget):
        kind = entity.dxftype()
        solid = isinstance(entity, Polyline) and not entity.is_2d_polyline
        curve = None if kind not in _CURVES or solid else _curve_or_none(entity, tolerance, budget)
        if curve is None:
            others[kind] = others.get(kind, 0) + 1
        else:
            curves.append(curve)
    if not curves and not others:
        raise TracerError(
            "empty-drawing",
            "The file holds no curve at all.",
            "Check that the right sheet was exported, and that the file was copied completely.",
        )
    return ReadFile(
        # R12 has no unit field; the library fills in a default when it reads such a file
        mm_per_unit=_unit_mm(doc) if doc.dxfversion > "AC1009" and b"$INSUNITS" in data else None,
        version=str(doc.dxfversion),
        curves=tuple(curves),
        others=others,
        audit_errors=tuple(_plain(entry.message) for entry in auditor.errors),
        audit_fixes=tuple(entry.message for entry in auditor.fixes),
    )


def _not_dxf(why: str) -> TracerError:
    return TracerError(
        "not-a-dxf-file",
        f"The file cannot be read as DXF: {why}.",
        "Export it again; if it is an SVG or PDF file, give it its proper ending.",
    )


def _unit_mm(doc: Drawing) -> float | None:
    try:
        return _INSUNITS_MM.get(int(doc.header.get("$INSUNITS", 0)))
    except (ValueError, OverflowError, TypeError):
        return None


def _opened(
    space: Iterable[DXFEntity],
    others: dict[str, int],
    budget: Budget,
    inside: tuple[str, ...] = (),
) -> Iterator[DXFEntity]:
    """Entities of a space, block references opened up one after the other.

    A block that holds itself is a defect of the file and is not entered again.
    """
    for entity in space:
        budget.object()
        if isinstance(entity, Insert):
            others["INSERT"] = others.get("INSERT", 0) + 1
            name = str(entity.dxf.name).lower()
            if name not in inside and len(inside) < _DEEPEST:
                for one in _each_of_array(entity, budget):
                    parts = _as_far_as_sound(one.virtual_entities)
                    yield from _opened(parts, others, budget, (*inside, name))
        else:
            yield entity


def _each_of_array(entity: Insert, budget: Budget) -> Iterator[Insert]:
    """A block reference, or those that it stands for where it is an array."""
    if entity.mcount <= 1:
        yield entity
        return
    budget.object(entity.mcount)
    for count, spacing in (("row_count", "row_spacing"), ("column_count", "column_spacing")):
        if not entity.dxf.get(spacing, 0):  # all of them in one place
            entity.dxf.set(count, 1)
    yield from _as_far_as_sound(entity.multi_insert)


def _as_far_as_sound(parts: Callable[[], Iterable[Any]]) -> Iterator[Any]:
    """What a block holds, up to the first thing that the library cannot place."""
    try:
        rest = iter(parts())
    except _FOREIGN:
        return
    while True:
        try:
            part = next(rest)
        except StopIteration:
            return
        except _FOREIGN:
            return
        yield part
