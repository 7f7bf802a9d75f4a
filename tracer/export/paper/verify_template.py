"""Reading the template back: page sizes, scaling, both bars, and every line of every page."""

from __future__ import annotations

import ctypes
from typing import Any

import numpy as np
import pypdfium2 as pdfium
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracer.errors import TracerError
from tracer.export.paper.template import BAR_MM, Template, tile_lines
from tracer.export.paper.tiles import MARGIN_MM, STRIP_BELOW_MM, STRIP_LEFT_MM
from tracer.model.drawing import Drawing

__all__ = ["page_paths_mm", "verify_template"]

#: the library's own binding of the C interface, which has no types
raw: Any = pdfium.raw
Array = NDArray[np.float64]
_MM = 25.4 / 72
#: PDF coordinates are written with enough digits for 1e-4 mm
_CLOSE_MM = 0.005


def _refuse(what: str) -> TracerError:
    return TracerError(
        "file-differs-from-drawing",
        f"The template was not written: read back, {what}.",
        "This is a defect of the program: keep the job folder and report it.",
    )


def page_paths_mm(page: Any) -> list[Array]:
    """Points (N, 2) of every path of a page, in mm from the page's lower left corner."""
    paths = []
    for item in page.get_objects(filter=[raw.FPDF_PAGEOBJ_PATH]):
        matrix = item.get_matrix()
        points = []
        for k in range(raw.FPDFPath_CountSegments(item)):
            segment = raw.FPDFPath_GetPathSegment(item, k)
            x, y = ctypes.c_float(), ctypes.c_float()
            raw.FPDFPathSegment_GetPoint(segment, x, y)
            points.append(matrix.on_point(x.value, y.value))
        paths.append(np.array(points, np.float64).reshape(-1, 2) * _MM)
    return paths


def _has_bar(paths: list[Array], axis: int, wanted_mm: float) -> bool:
    for path in paths:
        if len(path) == 2:
            span = np.abs(path[1] - path[0])
            if abs(span[axis] - wanted_mm) < _CLOSE_MM and span[1 - axis] < _CLOSE_MM:
                return True
    return False


def verify_template(template: Template, drawing: Drawing) -> int:
    """Compare a template with its drawing; the number of pages, or TracerError."""
    reader: Any = pdfium
    doc = reader.PdfDocument(template.data)
    try:
        if raw.FPDF_VIEWERREF_GetPrintScaling(doc):
            raise _refuse("it lets the viewer scale its pages")
        if len(doc) != len(template.pages):
            raise _refuse(f"it has {len(doc)} pages, not {len(template.pages)}")
        scale = np.array(template.printer.factors)
        corner = np.array([MARGIN_MM + STRIP_LEFT_MM, MARGIN_MM + STRIP_BELOW_MM])
        for number, tile in enumerate(template.pages):
            page = doc[number]
            size = np.array(page.get_size()) * _MM
            if np.abs(size - template.grid.paper_mm).max() > 0.01:
                raise _refuse(f"page {number + 1} measures {size[0]:.2f} x {size[1]:.2f} mm")
            if tile is None:
                continue
            paths = page_paths_mm(page)
            for axis in (0, 1):
                if not _has_bar(paths, axis, BAR_MM * scale[axis]):
                    raise _refuse(f"page {tile.name} lacks its bar in {'xy'[axis]}")
            drawn = [
                np.array(part) * scale + corner
                for _, parts in tile_lines(drawing, tile)
                for part in parts
            ]
            if drawn and paths:
                away = float(np.max(cKDTree(np.vstack(paths)).query(np.vstack(drawn))[0]))
                if away > _CLOSE_MM:
                    raise _refuse(f"page {tile.name} is up to {away:.3f} mm off")
    finally:
        doc.close()
    return len(template.pages)
