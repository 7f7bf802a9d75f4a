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
from scipy import ndimage
from shapely.geometry import Polygon

from tracer.model.silhouette import Kind
from tracer.segmentation.separate.cables import without_cables
from tracer.segmentation.separate.joining import grown_back, joined_pieces
from tracer.segmentation.separate.left_out import LeftOut, Reason, things_in
from tracer.segmentation.separate.splitting import split_along, split_at_necks, split_between
from tracer.segmentation.working_picture.components import Labels, highest, label_cells
from tracer.segmentation.working_picture.evidence import RegionEvidence
from tracer.segmentation.working_picture.options import SegmentOptions
from tracer.segmentation.working_picture.raster import Image, Mask, disc, in_quarters, paint

__all__ = ["Blob", "Marks", "separate"]

Array = NDArray[np.float64]


CRUMB_MM2, CRUMB_REACH_MM = 250.0, 12.0
SPECK_MM2 = 25.0  # what is smaller is told of no more
ADOPTED_SHARE = 0.3  # of its neighbour's area: an unmarked piece that is larger stays a tool
ADOPTED_ALONG_MM = 5.0  # a corner that just touches makes no part of a tool


@dataclass(frozen=True, eq=False)
class Blob:
    """One tool's cells.

    Attributes
    ----------
    cells
        (h, w) mask of a window of the raster, with a margin.
    corner
        (row, column) of the window's upper left cell.
    likely
        (h, w) likelihood of tool, 0 to 1.
    fine
        (2 h, 2 w) likelihood per quarter of a cell, 0 where another tool lies; None where the
        decision is no finer than the cells.
    kind, touches_border
        As in `Silhouette`.
    marked
        Somebody said that a tool lies here.
    """

    cells: Mask
    corner: tuple[int, int]
    likely: Image
    fine: Image | None = None
    kind: Kind = Kind.TOOL
    touches_border: bool = False
    marked: bool = False


@dataclass(frozen=True, eq=False)
class Marks:
    """Corrections in cells (column, row): points to keep and to drop, lines to split along."""

    keep: tuple[Array, ...] = ()
    drop: tuple[Array, ...] = ()
    split: tuple[Array, ...] = ()


def separate(
    evidence: RegionEvidence,
    *,
    hull: Polygon | None,
    seen: Mask,
    options: SegmentOptions,
    marks: Marks | None = None,
) -> tuple[list[Blob], list[LeftOut]]:
    """Tools among the evidence, in no particular order; and what else was seen."""
    marks = marks or Marks()
    mm = evidence.raster.mm_per_cell
    tool = (evidence.tool > 0.5) & evidence.domain
    if evidence.instances is None:
        tool = _without_lines(tool, options.smallest_mm[0], mm)
        tool = _joined(tool, mm)
        tool = _without_crumbs(tool, mm)
    rim = _rim(seen)
    reach = paint([hull], evidence.raster) if hull is not None else np.ones_like(tool)
    count, labels, boxes = _labelled(tool, evidence.instances)
    kept = {_label_near(labels, p[0], mm) for p in marks.keep} - {0}
    if evidence.instances is not None and kept:
        labels = _adopted(labels, boxes, kept, evidence.cables, mm)
        count, labels, boxes = _labelled(tool, labels)
    dropped = {_label_near(labels, p[0], mm) for p in marks.drop} - {0}
    blobs: list[Blob] = []
    left: dict[Reason, Mask] = {}

    def leave(reason: Reason, place: tuple[slice, slice], cells: Mask) -> None:
        left.setdefault(reason, np.zeros(labels.shape, np.bool_))[place] |= cells

    for k in range(1, count):
        x, y, w, h, area = (int(v) for v in boxes[k])
        if k in dropped and not _points_in(labels, marks.keep, k):
            continue
        y0, x0 = max(y - 4, 0), max(x - 4, 0)
        window = np.s_[y0 : y + h + 4, x0 : x + w + 4]
        cells = labels[window] == k
        if k not in kept and not _big_enough(w, h, area, mm, options):
            leave(Reason.SMALL, window, cells)
            continue
        at_rim = bool((cells & rim[window]).any())
        if at_rim and k not in kept and not (cells & reach[window]).any():
            leave(Reason.CUT, window, cells)
            continue
        for part in _parts(cells, labels, k, (x0, y0), evidence, marks):
            if _hit(part, marks.drop, (x0, y0)):
                continue
            if evidence.instances is None:
                tools, cables = without_cables(part, mm)
            else:
                tools, cables = ([], [part]) if k in evidence.cables else ([part], [])
            for kind, pieces in (
                (Kind.TOOL, tools),
                (Kind.CABLE, cables if options.cables else []),
            ):
                for piece in pieces:
                    likely = evidence.tool[window]
                    if evidence.instances is not None:
                        free = (labels[window] == 0) & evidence.domain[window]
                        piece = grown_back(piece, np.where(free, likely, 0), mm)
                        piece = joined_pieces(piece, free, mm)
                    piece, loose = _main_piece(piece)
                    leave(Reason.PIECE, window, loose)
                    whole = _filled(piece, options.smallest_hole_mm, mm)
                    fine = _fine(evidence, window, whole, labels[window], k)
                    touches = bool((whole & rim[window]).any())
                    blobs.append(Blob(whole, (y0, x0), likely, fine, kind, touches, k in kept))
    width, length = options.smallest_mm
    least = {Reason.SMALL: SPECK_MM2}
    things = [
        thing
        for reason, cells in left.items()
        for thing in things_in(
            cells, evidence.raster, reason, least.get(reason, 0.6 * width * length)
        )
    ]
    return blobs, things


def _main_piece(cells: Mask) -> tuple[Mask, Mask]:
    """The largest piece of a mask, and the rest."""
    count, pieces, boxes = label_cells(cells, connectivity=4)
    if count <= 2:
        return cells, np.zeros_like(cells)
    main = pieces == 1 + int(np.argmax(boxes[1:, 4]))
    return main, cells & ~main


def _fine(
    evidence: RegionEvidence, window: tuple[slice, slice], cells: Mask, labels: Labels, label: int
) -> Image | None:
    """Likelihood of one tool per quarter of a cell, in agreement with its final cells.

    Quarters decide within a cell of the tool's border, where the decision was for tool; cells that
    were added since (bites, joints, small holes) and the inside are tool whole.
    """
    if evidence.fine is None:
        return None
    rows, cols = window
    fine = evidence.fine[2 * rows.start : 2 * rows.stop, 2 * cols.start : 2 * cols.stop]
    square = np.ones((3, 3), np.uint8)
    solid = cells.astype(np.uint8)
    whole = cells & ((cv2.erode(solid, square) > 0) | (labels != label))
    open_ = (cv2.dilate(solid, square) > 0) & (cells | (labels == 0)) & evidence.domain[window]
    near = np.where(in_quarters(open_), fine, 0)
    return np.where(in_quarters(whole), np.maximum(fine, 0.6), near).astype(np.float32)


def _labelled(tool: Mask, instances: Labels | None) -> tuple[int, Labels, Labels]:
    """`label_cells` of the tools, by number where the decision has given each its own."""
    if instances is None:
        return label_cells(tool)
    labels = np.where(tool, instances, 0).astype(np.int32)
    count = int(labels.max()) + 1
    boxes = np.zeros((count, 5), np.int32)
    for k, place in enumerate(ndimage.find_objects(labels), 1):
        if place is not None:
            rows, cols = place
            area = np.count_nonzero(labels[place] == k)
            size = (cols.stop - cols.start, rows.stop - rows.start)
            boxes[k] = (cols.start, rows.start, *size, area)
    return count, labels, boxes


def _adopted(
    labels: Labels, boxes: Labels, kept: set[int], cables: frozenset[int], mm: float
) -> Labels:
    """Give pieces that nobody marked to the marked tool that they lie against.

    Where the maker says which tools there are, a small piece parted from one of them (a sole of
    another material, a lid) is no tool of its own.
    """
    out = labels.copy()
    for k, (x, y, w, h, area) in enumerate(boxes):
        if k == 0 or area == 0 or k in kept or k in cables:
            continue
        window = np.s_[max(y - 1, 0) : y + h + 1, max(x - 1, 0) : x + w + 1]
        mine = labels[window] == k
        rim = (cv2.dilate(mine.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0) & ~mine
        touch = np.bincount(labels[window][rim], minlength=len(boxes))
        larger = [j for j in kept if area <= ADOPTED_SHARE * boxes[j, 4]]
        host = max(larger, key=lambda j: touch[j], default=0)
        if host and touch[host] * mm >= ADOPTED_ALONG_MM:
            out[window][mine] = host
    return out


def _parts(
    cells: Mask,
    labels: Labels,
    label: int,
    origin: tuple[int, int],
    evidence: RegionEvidence,
    marks: Marks,
) -> list[Mask]:
    """One mask per tool: typed lines first, then typed points, then necks."""
    lines = [line - origin for line in marks.split]
    parts = split_along(cells, lines) if lines else [cells]
    if len(parts) > 1:
        return parts
    points = [p for p in _points_in(labels, marks.keep, label)]
    if len(points) > 1:
        h, w = cells.shape
        border = evidence.border[origin[1] : origin[1] + h, origin[0] : origin[0] + w]
        return split_between(cells, [(x - origin[0], y - origin[1]) for x, y in points], border)
    if points or evidence.instances is not None:
        return [cells]
    return split_at_necks(cells, evidence.raster.mm_per_cell)


def _cell(point: Array, shape: tuple[int, ...]) -> tuple[int, int]:
    x, y = np.round(point).astype(int)
    return int(np.clip(x, 0, shape[1] - 1)), int(np.clip(y, 0, shape[0] - 1))


def _label_near(labels: Labels, point: Array, mm: float) -> int:
    """Label at a point, or the nearest within 5 mm; 0 for none."""
    x, y = _cell(point, labels.shape)
    r = max(1, round(5.0 / mm))
    y0, x0 = max(y - r, 0), max(x - r, 0)
    window = labels[y0 : y + r + 1, x0 : x + r + 1]
    rows, cols = np.nonzero(window)
    if len(rows) == 0:
        return 0
    k = int(np.argmin((rows + y0 - y) ** 2 + (cols + x0 - x) ** 2))
    return int(window[rows[k], cols[k]])


def _points_in(labels: Labels, points: tuple[Array, ...], label: int) -> list[tuple[int, int]]:
    cells = [_cell(p[0], labels.shape) for p in points]
    return [(x, y) for x, y in cells if labels[y, x] == label]


def _hit(part: Mask, points: tuple[Array, ...], origin: tuple[int, int]) -> bool:
    for p in points:
        x, y = np.round(p[0]).astype(int) - origin
        if 0 <= y < part.shape[0] and 0 <= x < part.shape[1] and part[y, x]:
            return True
    return False


def _rim(seen: Mask) -> Mask:
    inner = cv2.copyMakeBorder(seen.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    inner = cv2.erode(inner, np.ones((7, 7), np.uint8))[1:-1, 1:-1]
    return np.asarray(seen & (inner == 0), np.bool_)


def _big_enough(w: int, h: int, area: int, mm: float, options: SegmentOptions) -> bool:
    width, length = options.smallest_mm
    # a bar of the smallest size loses a cell all round to sampling; a disc of equal area counts
    return area * mm * mm >= 0.6 * width * length and max(w, h) * mm >= 0.4 * length


def _without_lines(tool: Mask, width_mm: float, mm: float) -> Mask:
    """Drop printed lines and scratches: connected cells that nowhere reach the least width."""
    depth = cv2.distanceTransform(tool.astype(np.uint8), cv2.DIST_L2, 3)
    count, labels, _ = label_cells(tool)
    deepest = highest(labels, depth, count)
    # a bar of width w has a depth of w / 2 cells' worth at its middle, at least one cell
    wide = deepest * mm >= 0.45 * width_mm
    wide[0] = False
    return np.asarray(wide[labels], np.bool_)


def _without_crumbs(tool: Mask, mm: float) -> Mask:
    """Drop small pieces close to a much larger one: glints and dark spots of that tool."""
    count, labels, boxes = label_cells(tool)
    area = boxes[:, 4] * mm * mm
    crumbs = area < CRUMB_MM2
    crumbs[0] = False
    large = area > 4 * CRUMB_MM2
    large[0] = False
    if not crumbs.any() or not large.any():
        return tool
    away = cv2.distanceTransform((~large[labels]).astype(np.uint8), cv2.DIST_L2, 5) * mm
    nearest = -highest(labels, -away, count, floor=-1e9)
    drop = crumbs & (nearest < CRUMB_REACH_MM)
    return np.asarray(tool & ~drop[labels], np.bool_)


def _joined(tool: Mask, mm: float) -> Mask:
    """Close the gaps that glare and dark joints leave in one tool."""
    kernel = disc(1.5, mm)
    return np.asarray(
        cv2.morphologyEx(tool.astype(np.uint8), cv2.MORPH_CLOSE, kernel) > 0, np.bool_
    )


def _filled(cells: Mask, hole_mm: float, mm: float) -> Mask:
    """Fill holes below a size."""
    count, labels, boxes = label_cells(~cells, connectivity=4)
    out = cells.copy()
    limit = np.pi * (hole_mm / 2 / mm) ** 2
    rim = np.unique(np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]]))
    for k in range(1, count):
        if k not in rim and boxes[k, 4] < limit:
            out[labels == k] = True
    return out
