"""Drawings as DXF: R2000 with bulges, strict R12, both also in straight segments only.

The same drawing gives the same bytes on every run.

References
----------
DXF reference: HEADER section ($ACADVER, $INSUNITS, $MEASUREMENT), LWPOLYLINE, POLYLINE.
"""

from __future__ import annotations

import io
import re
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from enum import StrEnum

import ezdxf
from ezdxf import colors, units
from ezdxf.document import Drawing as DxfDocument

from tracer.export.drawing.palette import RGB, colour_table
from tracer.geometry.loops import straightened
from tracer.model.drawing import Drawing

__all__ = ["DxfOptions", "DxfVersion", "dxf_bytes", "dxf_layer_names", "straight_drawing"]


class DxfVersion(StrEnum):
    """File versions offered; the value is what a maker types."""

    R2000 = "R2000"
    R12 = "R12"


@dataclass(frozen=True, kw_only=True)
class DxfOptions:
    """How to write a DXF file.

    Attributes
    ----------
    version
        R2000 (lightweight polylines, $INSUNITS) or strict R12 (old polylines, no unit).
    straight
        Write chords instead of arcs, for readers that get bulges wrong.
    straight_tolerance_mm
        Largest distance between arc and chord.
    colours
        The shop's own colours per layer or operation.
    layer_names
        The shop's own names per operation; a depth is put behind.
    """

    version: DxfVersion = DxfVersion.R2000
    straight: bool = False
    straight_tolerance_mm: float = 0.02
    colours: Mapping[str, RGB] = field(default_factory=dict)
    layer_names: Mapping[str, str] = field(default_factory=dict)


def straight_drawing(drawing: Drawing, tolerance_mm: float) -> Drawing:
    """The drawing with chords for arcs."""
    paths = tuple(
        replace(path, loop=straightened(path.loop, tolerance_mm)) for path in drawing.paths
    )
    return replace(drawing, paths=paths, tolerance_mm=drawing.tolerance_mm + tolerance_mm)


def dxf_layer_names(drawing: Drawing, options: DxfOptions) -> dict[str, str]:
    """Layer name in the file per layer name of the drawing.

    R12 knows only A-Z, 0-9, ``$``, ``-`` and ``_``, 31 of them at most (DXF reference, R12); later
    versions forbid ``<>/\\":;?*|=`` and the grave accent.
    """
    table = {}
    for layer in drawing.layers:
        base = layer.operation.value
        name = options.layer_names.get(base, base) + layer.name[len(base) :]
        if options.version is DxfVersion.R12:
            name = re.sub(r"[^A-Z0-9$_-]", "_", name.upper())[:31]
        table[layer.name] = re.sub(r"[<>/\\\":;?*|=`\x00-\x1f]", "_", name)
    return table


def _nearest_index(colour: RGB) -> int:
    """Index (1 to 249) of the standard colour table nearest to a colour."""
    table = colors.DXF_DEFAULT_COLORS
    rgb = [colors.int2rgb(value) for value in table[:250]]
    return min(
        range(1, 250), key=lambda i: sum((a - b) ** 2 for a, b in zip(rgb[i], colour, strict=True))
    )


def _index_table(colours: Mapping[str, RGB]) -> dict[str, int]:
    """Colour index per layer, no two alike."""
    taken: set[int] = set()
    table = {}
    for name, colour in colours.items():
        index = _nearest_index(colour)
        while index in taken:
            index = index % 249 + 1
        taken.add(index)
        table[name] = index
    return table


_META_LOCK = threading.Lock()


@contextmanager
def _fixed_meta_data() -> Iterator[None]:
    """Dates and identifiers fixed, so that equal drawings give equal bytes.

    The switch is global in the library, hence the lock and the one place.
    """
    with _META_LOCK:
        before = ezdxf.options.write_fixed_meta_data_for_testing
        ezdxf.options.write_fixed_meta_data_for_testing = True
        try:
            yield
        finally:
            ezdxf.options.write_fixed_meta_data_for_testing = before


def _comment(text: str) -> str:
    """Text as comment groups (code 999), ASCII, at most 200 characters a line."""
    plain = text.encode("ascii", "replace").decode()
    lines = [plain[i : i + 200] for i in range(0, len(plain), 200)]
    return "".join(f"999\n{line}\n" for line in lines)


def _new_document(drawing: Drawing, version: DxfVersion) -> DxfDocument:
    if version is DxfVersion.R12:
        doc = DxfDocument.new("AC1009")  # not ezdxf.new: that sets a unit and warns of it
    else:
        doc = ezdxf.new(version.value, units=units.MM)
        doc.header["$MEASUREMENT"] = 1
    width, height = drawing.size_mm
    doc.modelspace().reset_extents((0, 0, 0), (width, height, 0))
    doc.modelspace().reset_limits((0, 0), (width, height))
    return doc


def dxf_bytes(drawing: Drawing, options: DxfOptions | None = None) -> bytes:
    """The drawing as a DXF file, entities in the drawing's order."""
    options = options or DxfOptions()
    if options.straight:
        drawing = straight_drawing(drawing, options.straight_tolerance_mm)
    names = dxf_layer_names(drawing, options)
    with _fixed_meta_data():
        doc = _new_document(drawing, options.version)
        indices = _index_table(colour_table(drawing.layers, options.colours))
        for layer in drawing.layers:
            entry = doc.layers.add(names[layer.name], color=indices[layer.name])
            if layer.operation.is_aid:
                entry.off()
        space = doc.modelspace()
        for path in drawing.paths:
            attributes = {"layer": names[path.layer.name]}
            vertices = [tuple(map(float, v)) for v in path.loop.vertices]
            if options.version is DxfVersion.R12:
                space.add_polyline2d(vertices, format="xyb", close=True, dxfattribs=attributes)
            else:
                space.add_lwpolyline(vertices, format="xyb", close=True, dxfattribs=attributes)
        stream = io.StringIO()
        doc.write(stream)
    unit = "" if options.version is DxfVersion.R2000 else " (this file version has no unit field)"
    head = _comment(
        f"{drawing.title}: {drawing.size_mm[0]:.1f} x {drawing.size_mm[1]:.1f} millimetres{unit}"
    ) + _comment(drawing.kerf.sentence())
    return (head + stream.getvalue()).encode("cp1252", "replace")
