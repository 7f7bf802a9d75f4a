"""Where an outline and the decision behind it do not agree.

The decision gives each cell of the working picture a likelihood p of being tool; the outline, moved
to the edge seen in the photo and repaired, says plainly tool or ground. If p is right, 1 - p of a
cell inside the outline and p of a cell outside is expected to be wrong. Along the outline some of
that is unavoidable, as an edge crosses cells; away from it, it is a face that may be missing, a
shadow that may have been taken in, or a stretch where the edge search left the decision.

The other ways tried say less. Whether what the outline encloses differs from the fitted sheet tells
nothing, since shadows differ too; and the classical way is more often wrong than the outlines it
would judge (`docs/explanation/accuracy.md` has the figures).
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from shapely import STRtree
from shapely.geometry import Polygon

from tracer.model.silhouette import Doubt
from tracer.segmentation.working_picture.raster import Image, Mask, Raster, paint

__all__ = ["doubts"]

EDGE_MM = 1.6  # an edge is decided to about a cell and a half: nearer cells say nothing
REACH_MM = 8.0  # a face that is missing lies no farther outside than this


def doubts(
    regions: Sequence[Polygon], likely: Image, domain: Mask, raster: Raster
) -> tuple[Doubt, ...]:
    """Measure each outline against the decision.

    Parameters
    ----------
    regions
        Outlines, sheet mm, of positive area.
    likely
        (rows, columns) likelihood of tool, 0 to 1.
    domain
        (rows, columns) cells where tools may lie; others do not count.
    raster
        Where the cells lie.
    """
    tree = STRtree(list(regions))
    found = []
    for index, region in enumerate(regions):
        window, part = _window(region, raster)
        inside = paint([region], part)
        beside = [regions[k] for k in tree.query(region.buffer(REACH_MM)) if k != index]
        counted = domain[window] & ~paint(beside, part) & _away_from_edge(inside, part.mm_per_cell)
        wrong = np.where(counted, np.abs(inside - likely[window]), 0).astype(np.float32)
        area = float(wrong.sum()) * part.mm_per_cell**2
        found.append(Doubt(area / region.area, *_greatest(wrong, part)))
    return tuple(found)


def _window(region: Polygon, raster: Raster) -> tuple[tuple[slice, slice], Raster]:
    """The part of a raster round a region, with the reach about it."""
    x0, y0, x1, y1 = region.buffer(REACH_MM + EDGE_MM).bounds
    (left, top), (right, bottom) = raster.to_cells([(x0, y1), (x1, y0)])
    rows = slice(max(int(top), 0), min(int(bottom) + 2, raster.shape[0]))
    cols = slice(max(int(left), 0), min(int(right) + 2, raster.shape[1]))
    return (rows, cols), raster.window(rows, cols)


def _away_from_edge(inside: Mask, mm: float) -> Mask:
    """Cells farther than `EDGE_MM` from the outline, on either side, and within reach of it."""
    within, without = (
        cv2.distanceTransform(side.astype(np.uint8), cv2.DIST_L2, 5) * mm
        for side in (inside, ~inside)
    )
    return np.asarray((within > EDGE_MM) | ((without > EDGE_MM) & (without <= REACH_MM)))


def _greatest(wrong: Image, raster: Raster) -> tuple[float, tuple[float, float]]:
    """Largest expected wrong share round a cell, and that cell's place on the sheet."""
    spread = cv2.GaussianBlur(wrong, (0, 0), REACH_MM / 2 / raster.mm_per_cell)
    row, col = np.unravel_index(int(np.argmax(spread)), spread.shape)
    x, y = raster.to_sheet([(col, row)])[0]
    return float(spread[row, col]), (float(x), float(y))
