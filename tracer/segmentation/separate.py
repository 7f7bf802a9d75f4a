"""From evidence to one region per tool.

Pieces of one tool are joined, marks and crumbs dropped, touching tools parted, cables cut off at
the strain relief, what the frame cuts marked. All on the working picture: the exact edge comes
later.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from tracer.model.silhouette import Kind
from tracer.segmentation.evidence import RegionEvidence
from tracer.segmentation.options import SegmentOptions
from tracer.segmentation.raster import Mask, paint

__all__ = ["Blob", "separate"]

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Blob:
    """One tool's cells.

    Attributes
    ----------
    cells
        (h, w) mask of a window of the raster, with a margin.
    corner
        (row, column) of the window's upper left cell.
    kind, touches_border
        As in `Silhouette`.
    """

    cells: Mask
    corner: tuple[int, int]
    kind: Kind = Kind.TOOL
    touches_border: bool = False


def separate(
    evidence: RegionEvidence,
    *,
    hull: Polygon | None,
    seen: Mask,
    options: SegmentOptions,
) -> list[Blob]:
    """Tools among the evidence, in no particular order."""
    mm = evidence.raster.mm_per_cell
    tool = (evidence.tool > 0.5) & evidence.domain
    tool = _without_lines(tool, options.smallest_mm[0], mm)
    tool = _joined(tool, mm)
    rim = _rim(seen)
    reach = paint([hull], evidence.raster) if hull is not None else np.ones_like(tool)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        tool.astype(np.uint8), connectivity=8
    )
    blobs = []
    for k in range(1, count):
        x, y, w, h, area = (int(v) for v in stats[k])
        if not _big_enough(w, h, area, mm, options):
            continue
        window = np.s_[max(y - 4, 0) : y + h + 4, max(x - 4, 0) : x + w + 4]
        cells = labels[window] == k
        at_rim = bool((cells & rim[window]).any())
        if at_rim and not (cells & reach[window]).any():
            continue
        cells = _filled(cells, options.smallest_hole_mm, mm)
        blobs.append(Blob(cells, (max(y - 4, 0), max(x - 4, 0)), Kind.TOOL, at_rim))
    return blobs


def _rim(seen: Mask) -> Mask:
    inner = cv2.copyMakeBorder(seen.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    inner = cv2.erode(inner, np.ones((7, 7), np.uint8))[1:-1, 1:-1]
    return np.asarray(seen & (inner == 0), np.bool_)


def _big_enough(w: int, h: int, area: int, mm: float, options: SegmentOptions) -> bool:
    width, length = options.smallest_mm
    # a bar of the smallest size loses a cell all round to sampling; a disc of equal area counts
    return area * mm * mm >= 0.6 * width * length and max(w, h) * mm >= 0.4 * length


def _disc(radius_mm: float, mm: float) -> NDArray[np.uint8]:
    k = 2 * int(round(radius_mm / mm)) + 1
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (k, k)).astype(np.uint8)


def _without_lines(tool: Mask, width_mm: float, mm: float) -> Mask:
    """Drop printed lines and scratches: connected cells that nowhere reach the least width."""
    depth = cv2.distanceTransform(tool.astype(np.uint8), cv2.DIST_L2, 3)
    count, labels = cv2.connectedComponents(tool.astype(np.uint8), connectivity=8)
    deepest = np.zeros(count, np.float32)
    np.maximum.at(deepest, labels.ravel(), depth.ravel())
    # a bar of width w has a depth of w / 2 cells' worth at its middle, at least one cell
    wide = deepest * mm >= 0.45 * width_mm
    wide[0] = False
    return np.asarray(wide[labels], np.bool_)


def _joined(tool: Mask, mm: float) -> Mask:
    """Close the gaps that glare and dark joints leave in one tool."""
    kernel = _disc(1.5, mm)
    return np.asarray(
        cv2.morphologyEx(tool.astype(np.uint8), cv2.MORPH_CLOSE, kernel) > 0, np.bool_
    )


def _filled(cells: Mask, hole_mm: float, mm: float) -> Mask:
    """Fill holes below a size."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        (~cells).astype(np.uint8), connectivity=4
    )
    out = cells.copy()
    limit = np.pi * (hole_mm / 2 / mm) ** 2
    rim = np.unique(np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]]))
    for k in range(1, count):
        if k not in rim and stats[k, cv2.CC_STAT_AREA] < limit:
            out[labels == k] = True
    return out
