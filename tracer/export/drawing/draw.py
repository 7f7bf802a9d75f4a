"""From outlines and pockets to drawings."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from shapely import affinity
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from tracer.errors import TracerError
from tracer.export.drawing.order import in_cutting_order
from tracer.model.drawing import CutPath, Drawing, Layer, Loop, Operation
from tracer.model.outline import Outline

__all__ = ["CHECK_CIRCLE_MM", "CHECK_SQUARE_MM", "check_shapes", "draw_outlines", "region_loops"]

#: side and diameter of the two shapes by which a reader's scale and arcs are checked
CHECK_SQUARE_MM, CHECK_CIRCLE_MM = 100.0, 50.0
#: between the sheet and the check shapes beside it
_GAP_MM = 20.0


def check_shapes(sheet_width_mm: float) -> tuple[CutPath, CutPath]:
    """Square of 100 mm and circle of diameter 50 mm, to the right of the sheet."""
    x = sheet_width_mm + _GAP_MM
    square = Loop.rectangle(x, 0.0, CHECK_SQUARE_MM, CHECK_SQUARE_MM)
    radius = CHECK_CIRCLE_MM / 2
    circle = Loop.circle(x + CHECK_SQUARE_MM / 2, CHECK_SQUARE_MM / 2, radius)
    return (
        CutPath(square, Layer(Operation.CHECK_SQUARE)),
        CutPath(circle, Layer(Operation.CHECK_CIRCLE)),
    )


def region_loops(region: Polygon, tolerance_mm: float) -> list[tuple[Loop, bool]]:
    """Loops of a region, each with whether it is a hole: outer rings left, holes right handed."""
    region = orient(region)
    rings = [(region.exterior, False), *((hole, True) for hole in region.interiors)]
    loops = []
    for ring, is_hole in rings:
        points = np.asarray(ring.simplify(tolerance_mm).coords)[:-1, :2]
        if len(points) >= 3:
            loops.append((Loop.polygon(points), is_hole))
    return loops


def _edge(outlines: Sequence[Outline], margin_mm: float) -> tuple[int, int, int, int]:
    """Box around outlines in whole millimetres: sizes that a person can read off and type."""
    boxes = np.array([outline.region.bounds for outline in outlines])
    x0, y0 = (math.floor(v - margin_mm) for v in boxes[:, :2].min(axis=0))
    x1, y1 = (math.ceil(v + margin_mm) for v in boxes[:, 2:].max(axis=0))
    return x0, y0, x1, y1


def draw_outlines(
    outlines: Sequence[Outline],
    *,
    title: str = "Outlines",
    margin_mm: float = 20.0,
    tolerance_mm: float = 0.02,
    frame_of: Sequence[Outline] = (),
) -> Drawing:
    """True outlines as a reference drawing: not offset, not to be cut.

    Parameters
    ----------
    outlines
        In the sheet frame, mm.
    margin_mm
        Between the outlines and the edge drawn around them.
    tolerance_mm
        How far the drawn lines may lie from the outlines.
    frame_of
        Outlines of an earlier drawing, whose edge is kept while all outlines lie inside it.

    Raises
    ------
    TracerError
        When there is no outline to draw.
    """
    if not outlines:
        raise TracerError(
            "nothing-to-draw",
            "There is no outline to draw.",
            "Trace a photo with at least one tool first.",
        )
    x0, y0, x1, y1 = _edge(outlines, margin_mm)
    if frame_of:
        kept = _edge(frame_of, margin_mm)
        inner = _edge(outlines, 0.0)
        if (
            kept[0] <= inner[0]
            and kept[1] <= inner[1]
            and inner[2] <= kept[2]
            and (inner[3] <= kept[3])
        ):
            x0, y0, x1, y1 = kept
    size = float(x1 - x0), float(y1 - y0)
    paths = [CutPath(Loop.rectangle(0, 0, *size), Layer(Operation.SHEET_EDGE))]
    for outline in outlines:
        region = affinity.translate(outline.region, -x0, -y0)
        for loop, is_hole in region_loops(region, tolerance_mm):
            paths.append(
                CutPath(loop, Layer(Operation.OUTLINE), outline.outline_id, island=is_hole)
            )
    paths += check_shapes(size[0])
    return Drawing(
        title=title,
        size_mm=size,
        paths=in_cutting_order(paths),
        origin_mm=(float(x0), float(y0)),
        tolerance_mm=tolerance_mm,
    )
