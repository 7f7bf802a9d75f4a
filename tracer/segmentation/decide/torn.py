"""Tools that the decision tore in two: a gap is closed where what fills it looks like the tool.

Where a thin part crosses a printed line, or its colour comes near the ground's, the network may
lose a stretch of it. What lies between the two ends is then compared with both: with the tool's
own colour beside the gap, and with the sheet's beside that. Fisher's linear discriminant
(R. A. Fisher, Annals of Eugenics 7, 1936, 179-188) puts each cell on a line from sheet (0) to tool
(1). A gap in which the sheet shows, lit or in shadow, stays open.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.segmentation.working_picture.components import Labels, label_cells
from tracer.segmentation.working_picture.raster import Image, Mask

__all__ = ["closed_tears"]

Array = NDArray[np.float64]

LONGEST_MM = 15.0  # a longer gap is told of, not closed
SHORTEST_CELLS = 2.0  # nearer pieces were parted on purpose
END_MM = 4.0  # so much of each end faces the other
TOOL_REACH_MM, SHEET_REACH_MM = 18.0, 25.0  # where the two colours are taken from
SHEET_OFF_MM = 4.0  # nearer to a tool, its shadow begins
LEAST_PIECE_MM2 = 20.0
LEAST_CELLS = 15
CLEAR = 4.0  # standard deviations between the two colours, or nothing can be said
TOOL_LIKE = (0.6, 1.6)  # of a cell that is tool; what lies beyond is darker or brighter than either
MEAN_LIKE = 0.75
WIDTH_SHARE = 0.5  # of the narrower end, at the gap's narrowest
CONTACT = 0.3  # more than this, on the mean, says that two tools meet there
SURE_SHEET = 0.1


@dataclass(frozen=True, eq=False)
class _Colours:
    """Sheet (0) to tool (1) along Fisher's direction."""

    sheet: Array
    direction: Array

    def place(self, log: Image) -> Array:
        """Where colours (..., 3) lie on the line."""
        return np.asarray((log - self.sheet) @ self.direction, np.float64)


def closed_tears(
    labels: Labels,
    cables: frozenset[int],
    unsure: Mask,
    likely: Image,
    contact: Image,
    log: Image,
    domain: Mask,
    mm: float,
) -> tuple[Labels, Mask]:
    """Join pieces across gaps that look like tool.

    Parameters
    ----------
    labels
        (rows, columns) numbers of tools and cables; 0 elsewhere.
    cables
        Numbers that are cables; they are left alone.
    unsure
        (rows, columns) pieces that the decision dropped as not sure enough; one that a gap of this
        kind joins to a tool is part of it.
    likely, contact
        (rows, columns) likelihood of tool, and of two tools meeting.
    log
        (rows, columns, 3) logarithm of linear light.
    domain
        (rows, columns) where tools may lie.
    mm
        Cell in mm.

    Returns
    -------
    The labels with gaps filled, the larger piece's number for both; and what is still unsure.
    """
    out = labels.copy()
    pieces, first_unsure = _with_unsure(out, unsure, mm)
    now = {int(k): int(k) for k in np.unique(pieces)}  # a piece's number after joining
    for pair in _near_pairs(pieces, cables, first_unsure, mm):
        a, b = (now[k] for k in pair)
        if a == b:
            continue
        window, cells_a, cells_b = _window(pieces, a, b, mm)
        bar = _bar(
            cells_a,
            cells_b,
            (pieces[window] > 0) & ~cells_a & ~cells_b,
            likely[window],
            contact[window],
            log[window],
            domain[window],
            mm,
        )
        if bar is None:
            continue
        pieces[window][bar] = a
        pieces[pieces == b] = a
        now = {k: a if root == b else root for k, root in now.items()}
    grown = (pieces > 0) & (pieces < first_unsure)
    out[grown] = pieces[grown]
    return out, unsure & ~grown


def _with_unsure(labels: Labels, unsure: Mask, mm: float) -> tuple[Labels, int]:
    """Labels with numbers of their own for unsure pieces, and the first of those."""
    first = int(labels.max()) + 1
    count, found, boxes = label_cells(unsure & (labels == 0))
    large = boxes[:, 4] * mm * mm >= LEAST_PIECE_MM2
    large[0] = False
    numbers = np.where(large, np.arange(count) + first, 0).astype(np.int32)
    return np.where(labels > 0, labels, numbers[found]).astype(np.int32), first


def _near_pairs(
    pieces: Labels, cables: frozenset[int], first_unsure: int, mm: float
) -> list[tuple[int, int]]:
    """Pairs (sure or larger first) whose gap is short, the shortest first."""
    area = np.bincount(pieces.ravel())
    reach = LONGEST_MM / mm
    pad = int(np.ceil(reach)) + 1
    found = []
    for k in np.flatnonzero(area):
        if k == 0 or k in cables:
            continue
        rows, cols = np.nonzero(pieces == k)
        box = np.s_[
            max(rows.min() - pad, 0) : rows.max() + pad + 1,
            max(cols.min() - pad, 0) : cols.max() + pad + 1,
        ]
        local = pieces[box]
        away = cv2.distanceTransform((local != k).astype(np.uint8), cv2.DIST_L2, 5)
        for j in np.unique(local[(local > 0) & (local != k) & (away <= reach)]):
            both = (int(k), int(j))
            if j in cables or area[j] > area[k] or (area[j] == area[k] and j < k):
                continue  # comes the other way round
            if min(both) >= first_unsure:
                continue
            gap = float(away[local == j].min())
            keeps, joins = both if both[0] < first_unsure else both[::-1]
            if gap > SHORTEST_CELLS:
                found.append((gap, keeps, joins))
    return [(a, b) for _, a, b in sorted(found)]


def _window(pieces: Labels, a: int, b: int, mm: float) -> tuple[tuple[slice, slice], Mask, Mask]:
    """The surroundings of the gap between two pieces, and their cells there."""
    mine, other = pieces == a, pieces == b
    away = cv2.distanceTransform((~mine).astype(np.uint8), cv2.DIST_L2, 5)
    row, col = np.unravel_index(int(np.argmin(np.where(other, away, np.inf))), away.shape)
    reach = round((LONGEST_MM + SHEET_REACH_MM) / mm)
    window = (
        slice(max(int(row) - reach, 0), int(row) + reach + 1),
        slice(max(int(col) - reach, 0), int(col) + reach + 1),
    )
    return window, mine[window], other[window]


def _bar(
    a: Mask,
    b: Mask,
    others: Mask,
    likely: Image,
    contact: Image,
    log: Image,
    domain: Mask,
    mm: float,
) -> Mask | None:
    """Cells that join two pieces; None where the gap is not tool."""
    if not a.any() or not b.any():
        return None
    to_a, to_b = _away(a), _away(b)
    gap = float(to_a[b].min())
    end_a, end_b = a & (to_b <= gap + END_MM / mm), b & (to_a <= gap + END_MM / mm)
    corridor = _hull(end_a | end_b) & ~a & ~b & ~others & domain
    if not corridor.any():
        return None
    middle = corridor & (np.abs(to_a - to_b) <= 1.5)
    if not middle.any():
        return None
    from_gap = cv2.distanceTransform((~middle).astype(np.uint8), cv2.DIST_L2, 5) * mm
    both = a | b
    core = cv2.erode(both.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    tool = core & (from_gap <= TOOL_REACH_MM)
    if tool.sum() < LEAST_CELLS:
        tool = both & (likely > 0.8) & (from_gap <= TOOL_REACH_MM)
    off = cv2.distanceTransform((~(both | others | corridor)).astype(np.uint8), cv2.DIST_L2, 5)
    sheet = domain & (off * mm >= SHEET_OFF_MM) & (likely < SURE_SHEET)
    sheet &= from_gap <= SHEET_REACH_MM
    colours = _colours(log[tool], log[sheet])
    if colours is None:
        return None
    place = colours.place(log)
    solid = corridor & (place >= TOOL_LIKE[0]) & (place <= TOOL_LIKE[1])
    joined = _joining(solid, a, b)
    if not joined.any() or place[joined].mean() < MEAN_LIKE or contact[joined].mean() > CONTACT:
        return None
    ends = min(_across(end, to_other, gap, mm) for end, to_other in ((end_a, to_b), (end_b, to_a)))
    narrowest = _narrowest(joined, to_a, to_b, gap)
    return joined if narrowest >= max(WIDTH_SHARE * ends, 1.0) else None


def _away(cells: Mask) -> Image:
    """Distance of every cell from a piece, in cells."""
    return np.asarray(cv2.distanceTransform((~cells).astype(np.uint8), cv2.DIST_L2, 5), np.float32)


def _hull(cells: Mask) -> Mask:
    """Cells of the convex hull."""
    rows, cols = np.nonzero(cells)
    hull = cv2.convexHull(np.column_stack([cols, rows]).astype(np.int32))
    out = np.zeros(cells.shape, np.uint8)
    cv2.fillConvexPoly(out, hull, 1)
    return out > 0


def _colours(tool: Image, sheet: Image) -> _Colours | None:
    """Fisher's direction, scaled so that the sheet lies at 0 and the tool at 1."""
    if len(tool) < LEAST_CELLS or len(sheet) < LEAST_CELLS:
        return None
    between = tool.mean(axis=0, dtype=np.float64) - sheet.mean(axis=0, dtype=np.float64)
    spread = 0.5 * (np.cov(tool.T.astype(np.float64)) + np.cov(sheet.T.astype(np.float64)))
    direction = np.linalg.solve(spread + 1e-4 * np.eye(3), between)
    squared = float(direction @ between)
    if squared < CLEAR**2:
        return None
    return _Colours(sheet.mean(axis=0, dtype=np.float64), direction / squared)


def _joining(solid: Mask, a: Mask, b: Mask) -> Mask:
    """Cells of the solid components that touch both pieces."""
    count, labels, _ = label_cells(solid)
    square = np.ones((3, 3), np.uint8)
    beside = [set(np.unique(labels[cv2.dilate(m.astype(np.uint8), square) > 0])) for m in (a, b)]
    both = (beside[0] & beside[1]) - {0}
    return np.asarray(np.isin(labels, sorted(both)) & (labels > 0) & (count > 1), np.bool_)


def _across(end: Mask, to_other: Image, gap: float, mm: float) -> float:
    """Width of an end in cells: its area over its length towards the other."""
    length = float(to_other[end].max() - gap) + 1
    return float(np.count_nonzero(end)) / max(min(length, END_MM / mm + 1), 1.0)


def _narrowest(bar: Mask, to_a: Image, to_b: Image, gap: float) -> float:
    """Least width in cells of a bar between two pieces, over steps of a cell along the gap."""
    along = to_a / np.maximum(to_a + to_b, 1e-6)
    steps = max(int(np.ceil(gap)) - 1, 1)
    share = gap / steps
    counts, _ = np.histogram(along[bar], bins=steps, range=(0.0, 1.0))
    return float(counts.min() / share) if share > 0 else 0.0
