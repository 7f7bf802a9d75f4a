"""One tool in pieces: gaps that glare and dark joints leave are closed, bites grown back.

A piece that the decision numbers with a tool but leaves apart would be lost when the tool's
outline is drawn, and with it half a pair of pliers. So pieces are joined over the shortest gap, as
wide as the narrower of the two ends.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tracer.segmentation.working_picture.raster import Image, Mask

__all__ = ["grown_back", "joined_pieces"]

BITE_MM = 4.0  # a bite is narrower than twice this
POSSIBLE = 0.15  # a cell less likely tool than this is ground, bite or not
WIDEST_GAP_MM = 30.0  # pieces further apart are left apart
LEAST_PIECE_MM2 = 20.0  # smaller pieces are specks
NARROWEST_MM, WIDEST_MM = 2.5, 30.0


def grown_back(cells: Mask, likely: Image, mm: float) -> Mask:
    """Fill bites whose cells are possibly tool: closing, held to a lower level of likelihood."""
    radius = max(1, round(BITE_MM / mm))
    size = 2 * radius + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    padded = np.pad(cells.astype(np.uint8), radius)
    closed = cv2.morphologyEx(padded, cv2.MORPH_CLOSE, kernel)[radius:-radius, radius:-radius]
    return np.asarray(cells | ((closed > 0) & (likely > POSSIBLE)), np.bool_)


def joined_pieces(cells: Mask, free: Mask, mm: float) -> Mask:
    """Join the pieces of one tool into one.

    Parameters
    ----------
    cells
        (h, w) cells of the tool, in any number of pieces.
    free
        (h, w) cells that no other tool takes.
    """
    out = cells.copy()
    while True:
        count, pieces, stats, _ = cv2.connectedComponentsWithStats(
            out.astype(np.uint8), connectivity=4
        )
        labels = np.asarray(pieces, np.int32)
        area = stats[1:, cv2.CC_STAT_AREA]
        order = 1 + np.argsort(area)[::-1]
        order = order[area[order - 1] * mm * mm >= LEAST_PIECE_MM2]
        if len(order) < 2:
            break
        bar = _shortest_bar(labels, int(order[0]), order[1:], mm)
        if bar is None:
            break
        bar &= free | out
        grown = out | bar
        again = cv2.connectedComponents(grown.astype(np.uint8), connectivity=4)[0]
        if again >= count:  # something lies between
            break
        out = grown
    return np.asarray(out, np.bool_)


def _shortest_bar(
    labels: NDArray[np.int32], main: int, others: NDArray[np.intp], mm: float
) -> Mask | None:
    """Cells of the bar from the main piece to the piece nearest to it."""
    body = labels == main
    away, at = ndimage.distance_transform_edt(~body, return_indices=True)
    rest = np.isin(labels, others)
    near = np.where(rest, away, np.inf)
    end = np.unravel_index(int(np.argmin(near)), near.shape)
    gap = float(near[end])
    if gap * mm > WIDEST_GAP_MM:
        return None
    # the middle of the facing ends, not the one cell that happens to be nearest
    facing = rest & (labels == labels[end]) & (away <= gap + max(2.0, 0.3 * gap))
    rows, cols = np.nonzero(facing)
    first = np.array([cols.mean(), rows.mean()])
    second = np.array([at[1][facing].mean(), at[0][facing].mean()])
    ends = [_width(body, second), _width(labels == labels[end], first)]
    width = float(np.clip(min(ends) * mm, NARROWEST_MM, WIDEST_MM))
    bar = np.zeros(labels.shape, np.uint8)
    along = (second - first) / max(float(np.linalg.norm(second - first)), 1e-9)
    a, b = first - along * 1.5, second + along * 1.5
    points = [tuple(int(v) for v in np.round(p * 256)) for p in (a, b)]
    cv2.line(bar, points[0], points[1], 1, max(1, round(width / mm)), cv2.LINE_8, 8)
    return np.asarray(bar > 0, np.bool_)


def _width(piece: Mask, end: NDArray[np.float64]) -> float:
    """Width of a piece near one of its ends, in cells: twice its depth within 8 cells."""
    depth = cv2.distanceTransform(np.pad(piece.astype(np.uint8), 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    x, y = np.round(end).astype(int)
    window = depth[max(y - 8, 0) : y + 9, max(x - 8, 0) : x + 9]
    return 2.0 * float(window.max(initial=0.5)) - 1.0
