"""A file counts as written only when a reader finds in it what was drawn.

Each file is read back, audited, measured and compared with its drawing: unit, layers, number of
curves, closed flags, order, areas, and the largest distance between curve read and curve drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import LinearRing, Polygon

from tracer.errors import TracerError
from tracer.export.drawing.palette import RGB
from tracer.export.dxf.read import read_dxf
from tracer.export.dxf.write import (
    DxfOptions,
    DxfVersion,
    dxf_bytes,
    dxf_layer_names,
    straight_drawing,
)
from tracer.export.reading.curves import ReadCurve, ReadFile
from tracer.export.svg.read import read_svg
from tracer.export.svg.write import svg_bytes
from tracer.geometry.loops import flatten, length, signed_area
from tracer.model.drawing import Drawing

__all__ = ["ReadBack", "compare", "verified_dxf", "verified_svg", "verify_dxf", "verify_svg"]

#: the reader opens arcs up to 0.001 mm and coordinates are rounded to 0.0001 mm: what differs by
#: ten times that is another curve
MAX_DISTANCE_MM = 0.01


@dataclass(frozen=True)
class ReadBack:
    """What the reader measured: number of curves, largest distance to the drawing, cut length.

    ``found`` holds the curves themselves, in the drawing's order.
    """

    curves: int
    max_distance_mm: float
    length_mm: float
    found: tuple[ReadCurve, ...] = ()


def _refuse(what: str) -> TracerError:
    return TracerError(
        "file-differs-from-drawing",
        f"The file was not written: read back, {what}.",
        "This is a defect of the program: keep the job folder and report it; another file "
        "version or straight segments may work meanwhile.",
    )


def _distance(a: np.ndarray, b: np.ndarray) -> float:
    """Largest distance from the points of either closed curve to the other."""
    ring_a, ring_b = LinearRing(a), LinearRing(b)
    return max(
        float(shapely.distance(shapely.points(a), ring_b).max()),
        float(shapely.distance(shapely.points(b), ring_a).max()),
    )


def compare(drawing: Drawing, curves: Sequence[ReadCurve], names: dict[str, str]) -> ReadBack:
    """Hold curves read from a file, in mm, against the drawing, one by one and in order.

    Parameters
    ----------
    names
        Layer name in the file per layer name of the drawing.

    Raises
    ------
    TracerError
        Naming the first difference.
    """
    if len(curves) != len(drawing.paths):
        raise _refuse(f"it holds {len(curves)} curves, not {len(drawing.paths)}")
    worst = 0.0
    for number, (path, curve) in enumerate(zip(drawing.paths, curves, strict=True), 1):
        of = f"curve {number} ({path.subject_id or path.layer.name})"
        if curve.layer != names[path.layer.name]:
            raise _refuse(f"{of} lies on layer {curve.layer!r}, not {names[path.layer.name]!r}")
        if not curve.closed:
            raise _refuse(f"{of} is open")
        if len(curve.points) < 3:
            raise _refuse(f"{of} has no area")
        area, wanted = Polygon(curve.points).area, abs(signed_area(path.loop))
        if abs(area - wanted) > MAX_DISTANCE_MM * length(path.loop):
            raise _refuse(f"{of} has an area of {area:.2f} mm2, not {wanted:.2f}")
        distance = _distance(curve.points, flatten(path.loop, 0.001))
        if not distance <= MAX_DISTANCE_MM:
            raise _refuse(f"{of} lies up to {distance:.3f} mm off")
        worst = max(worst, distance)
    total = sum(length(path.loop) for path in drawing.paths)
    return ReadBack(len(curves), worst, total, tuple(curves))


def _refuse_strangers(found: ReadFile) -> None:
    if found.others:
        raise _refuse(f"it holds more than curves: {', '.join(sorted(found.others))}")
    if found.audit_errors or found.audit_fixes:
        raise _refuse(f"the audit complains: {(found.audit_errors + found.audit_fixes)[0]}")


def verify_dxf(data: bytes, drawing: Drawing, options: DxfOptions | None = None) -> ReadBack:
    """Read a DXF file back and compare it with its drawing; TracerError at any difference."""
    options = options or DxfOptions()
    if options.straight:
        drawing = straight_drawing(drawing, options.straight_tolerance_mm)
    found = read_dxf(data, ours=True)
    _refuse_strangers(found)
    unit = 1.0 if options.version is DxfVersion.R2000 else None
    if found.mm_per_unit != unit:
        raise _refuse(f"its unit is {found.mm_per_unit} mm")
    return compare(drawing, found.curves, dxf_layer_names(drawing, options))


def verify_svg(data: bytes, drawing: Drawing) -> ReadBack:
    """Read an SVG file back and compare it with its drawing; TracerError at any difference."""
    found = read_svg(data, ours=True)
    _refuse_strangers(found)
    if found.mm_per_unit != 1.0:
        raise _refuse("its unit is not the millimetre")
    return compare(drawing, found.curves, {layer.name: layer.name for layer in drawing.layers})


def verified_dxf(drawing: Drawing, options: DxfOptions | None = None) -> bytes:
    """DXF bytes of a drawing that have been read back and compared."""
    data = dxf_bytes(drawing, options)
    verify_dxf(data, drawing, options)
    return data


def verified_svg(drawing: Drawing, colours: dict[str, RGB] | None = None) -> bytes:
    """SVG bytes of a drawing that have been read back and compared."""
    data = svg_bytes(drawing, colours)
    verify_svg(data, drawing)
    return data
