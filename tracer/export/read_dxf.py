"""Reading DXF files back.

The reader shares no geometry with the writer: bulges are opened up by the DXF library, so a wrong
bulge or flag shows as a wrong shape.
"""

from __future__ import annotations

import io
import logging
import re
from collections.abc import Iterable, Iterator
from itertools import islice
from typing import Any

import ezdxf
import numpy as np
from ezdxf import path as dxf_path
from ezdxf import recover
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
from tracer.export.read import ReadCurve, ReadFile, without_repeat
from tracer.geometry.sound import FARTHEST_MM, MOST_CORNERS

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


def _bounded(points: Iterable[Any], piece: DXFEntity) -> list[Any]:
    """Points of one curve, asked for one by one; a curve of too many is refused.

    A circle is cut into chords all at once, so its radius is looked at first.
    """
    radius = abs(float(piece.dxf.radius)) if isinstance(piece, Arc | Circle) else 0.0
    found = list(islice(points, MOST_CORNERS + 1)) if radius <= FARTHEST_MM else []
    if (not found and radius > FARTHEST_MM) or len(found) > MOST_CORNERS:
        raise TracerError(
            "drawing-too-large",
            f"A {piece.dxftype().lower()} on layer {piece.dxf.layer} is too large to be read"
            f"{f' (radius {radius:.3g})' if radius else ''}.",
            "Check the drawing's unit, and delete what lies far outside the sheet.",
        )
    return found


def _piece_points(piece: DXFEntity, tolerance: float) -> Array:
    """Points (N, 2) along one entity, by the library's own exact formulas for arcs."""
    if isinstance(piece, Line):
        points = [piece.dxf.start, piece.dxf.end]
    elif isinstance(piece, Arc | Circle | Ellipse | Spline):
        points = _bounded(piece.flattening(tolerance), piece)
    else:
        points = _bounded(dxf_path.make_path(piece).flattening(tolerance), piece)
    return np.array([(p[0], p[1]) for p in points], np.float64).reshape(-1, 2)


def _polyline_points(entity: LWPolyline | Polyline, tolerance: float) -> Array:
    """Points along a polyline; its arcs come counter-clockwise and are turned where needed."""
    nodes = _own_nodes(entity)
    if not entity.has_arc:
        return nodes
    chain = [nodes[:1]]
    for piece in entity.virtual_entities():
        points = _piece_points(piece, tolerance)
        if len(points) > 1:
            here = chain[-1][-1]
            if np.hypot(*(points[0] - here)) > np.hypot(*(points[-1] - here)):
                points = points[::-1]
            chain.append(points[1:])
    return np.vstack(chain)


def _curve(entity: DXFEntity, tolerance: float) -> ReadCurve:
    if isinstance(entity, LWPolyline | Polyline):
        points = _polyline_points(entity, tolerance)
    else:
        points = _piece_points(entity, tolerance)
    points, meets = without_repeat(points)
    kind = entity.dxftype()
    flagged = bool(getattr(entity, "is_closed", getattr(entity, "closed", False)))
    nodes = _own_nodes(entity)
    loop = np.vstack([nodes, nodes[:1]]) if flagged else nodes
    gaps = np.hypot(*np.diff(loop, axis=0).T) if len(loop) > 1 else np.empty(0)
    closed = flagged or kind == "CIRCLE" or (kind in {"ELLIPSE", "SPLINE"} and meets)
    return ReadCurve(str(entity.dxf.layer), kind, points, closed, gaps)


def _curve_or_none(entity: DXFEntity, tolerance: float) -> ReadCurve | None:
    """The curve, or None where the entity's own numbers make none (a spline without knots)."""
    try:
        curve = _curve(entity, tolerance)
    except (ValueError, ArithmeticError, IndexError, TypeError, ezdxf.DXFError):
        return None
    return curve if len(curve.points) and np.isfinite(curve.points).all() else None


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


def read_dxf(data: bytes, tolerance: float = 0.001) -> ReadFile:
    """Everything in the model space of a DXF file, blocks opened up.

    Raises
    ------
    TracerError
        When the bytes are no DXF file, or one without any entity.
    """
    try:
        doc, auditor = recover.read(io.BytesIO(data))
    except (OSError, ezdxf.DXFError, ValueError, KeyError, IndexError, AttributeError) as error:
        raise TracerError(
            "not-a-dxf-file",
            f"The file cannot be read as DXF: {_broken_at(error)}.",
            "Export it again; if it is an SVG or PDF file, give it its proper ending.",
        ) from error
    curves: list[ReadCurve] = []
    others: dict[str, int] = {}
    for entity in _opened(doc.modelspace(), others):
        kind = entity.dxftype()
        solid = isinstance(entity, Polyline) and not entity.is_2d_polyline
        curve = None if kind not in _CURVES or solid else _curve_or_none(entity, tolerance)
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
    unit = _INSUNITS_MM.get(int(doc.header.get("$INSUNITS", 0)))
    return ReadFile(
        # R12 has no unit field; the library fills in a default when it reads such a file
        mm_per_unit=unit if doc.dxfversion > "AC1009" and b"$INSUNITS" in data else None,
        version=str(doc.dxfversion),
        curves=tuple(curves),
        others=others,
        audit_errors=tuple(_plain(entry.message) for entry in auditor.errors),
        audit_fixes=tuple(entry.message for entry in auditor.fixes),
    )


def _opened(
    space: Iterable[DXFEntity], others: dict[str, int], inside: tuple[str, ...] = ()
) -> Iterator[DXFEntity]:
    """Entities of a space, block references opened up one after the other.

    A block that holds itself is a defect of the file and is not entered again.
    """
    for entity in space:
        if isinstance(entity, Insert):
            others["INSERT"] = others.get("INSERT", 0) + 1
            name = str(entity.dxf.name).lower()
            if name not in inside and len(inside) < _DEEPEST:
                yield from _opened(entity.virtual_entities(), others, (*inside, name))
        else:
            yield entity
