"""Touching tools parted: along typed lines, between typed points, at clear necks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage import segmentation

from tracer.segmentation.working_picture.components import highest, label_cells
from tracer.segmentation.working_picture.raster import Image, Mask

__all__ = ["split_along", "split_at_necks", "split_between"]

Array = NDArray[np.float64]

NECK_SHARE = 0.25  # a neck is narrower than this share of the width on both of its sides
SHORT_NECK, WIDENS = 3.0, 1.6  # within so many half widths, both sides are so much wider
LEAST_PART_MM2 = 600.0  # each part must be a tool of its own
LEAST_PART_MM = 50.0


def split_along(cells: Mask, lines: Sequence[Array]) -> list[Mask]:
    """Cut a mask along polylines of (column, row); the cut cells go to the nearer part."""
    cut = cells.astype(np.uint8)
    for line in lines:
        cv2.polylines(cut, [np.round(line).astype(np.int32)], False, 0, 2)
    count, labels, _ = label_cells(cut > 0, connectivity=4)
    if count <= 2:
        return [cells]
    return _shared(cells, labels, count)


def split_between(cells: Mask, points: Sequence[tuple[int, int]], border: Image) -> list[Mask]:
    """Part a mask between points (column, row), one tool each.

    The line runs where the mask is thin or an edge runs through it.
    """
    markers = np.zeros(cells.shape, np.int32)
    for k, (x, y) in enumerate(points):
        cv2.circle(markers, (int(x), int(y)), 1, k + 1, -1)
    markers[~cells] = 0
    if len(np.unique(markers)) - 1 < 2:
        return [cells]
    depth = cv2.distanceTransform(cells.astype(np.uint8), cv2.DIST_L2, 5)
    relief = border - 0.5 * depth / max(float(depth.max()), 1.0)
    labels = segmentation.watershed(relief, markers, mask=cells)  # type: ignore[no-untyped-call]
    return [labels == k for k in np.unique(labels) if k > 0]


def split_at_necks(cells: Mask, mm: float) -> list[Mask]:
    """Part a mask at necks: clearly narrower than both of their sides, and short.

    A long thin stretch between two bodies is the shank of one tool; two tools that touch widen
    at once on both sides of where they meet.
    """
    padded = np.pad(cells.astype(np.uint8), 1)
    depth = np.asarray(cv2.distanceTransform(padded, cv2.DIST_L2, 5)[1:-1, 1:-1], np.float32)
    soft = cv2.GaussianBlur(depth, (0, 0), 1.0)
    peaks = (soft >= cv2.dilate(soft, np.ones((7, 7), np.uint8))) & (depth > 2.0)
    markers, count = ndimage.label(ndimage.binary_dilation(peaks) & cells)
    if count < 2:
        return [cells]
    labels = segmentation.watershed(-soft, markers, mask=cells)  # type: ignore[no-untyped-call]
    deepest = highest(labels, depth, count + 1)
    group = np.arange(count + 1)
    necks = sorted(_necks(labels, depth), key=lambda n: -n.half_width)
    for neck in necks:
        a, b = group[neck.first], group[neck.second]
        sides = min(deepest[a], deepest[b])
        if a != b and (
            neck.half_width >= NECK_SHARE * sides or not _widens(group[labels], a, b, neck, depth)
        ):
            deepest[a] = max(deepest[a], deepest[b])
            group[group == b] = a
    # a part too small to be a tool stays with its neighbour
    for neck in necks:
        for one, other in ((neck.first, neck.second), (neck.second, neck.first)):
            a, b = group[one], group[other]
            if a != b and not _is_tool((group[labels] == a) & cells, mm):
                group[group == a] = b
    parts = group[labels]
    return [parts == k for k in np.unique(parts[cells])]


@dataclass(frozen=True)
class _Neck:
    """Where two labels touch: its deepest cell (row, column), and the depth there."""

    first: int
    second: int
    row: int
    column: int
    half_width: float


def _widens(parts: NDArray[np.integer], a: int, b: int, neck: _Neck, depth: Image) -> bool:
    """Whether a mask widens soon on both sides of a neck."""
    reach = round(SHORT_NECK * neck.half_width) + 2
    window = (
        slice(max(neck.row - reach, 0), neck.row + reach + 1),
        slice(max(neck.column - reach, 0), neck.column + reach + 1),
    )
    return all(
        float(np.max(depth[window], where=parts[window] == k, initial=0.0))
        > WIDENS * neck.half_width
        for k in (a, b)
    )


def _is_tool(cells: Mask, mm: float) -> bool:
    rows, cols = np.nonzero(cells)
    if len(rows) * mm * mm < LEAST_PART_MM2:
        return False
    return float(np.hypot(np.ptp(rows), np.ptp(cols))) * mm >= LEAST_PART_MM


def _necks(labels: NDArray[np.integer], depth: Image) -> list[_Neck]:
    """Where labels touch."""
    deepest: dict[tuple[int, int], _Neck] = {}
    for down, right in ((0, 1), (1, 0)):
        h, w = labels.shape
        a, b = labels[: h - down, : w - right], labels[down:, right:]
        low = np.minimum(depth[: h - down, : w - right], depth[down:, right:])
        rows, cols = np.nonzero((a != b) & (a > 0) & (b > 0))
        for row, col in zip(rows.tolist(), cols.tolist(), strict=True):
            p, q = sorted((int(a[row, col]), int(b[row, col])))
            here = float(low[row, col])
            if (p, q) not in deepest or deepest[p, q].half_width < here:
                deepest[p, q] = _Neck(p, q, row, col, here)
    return list(deepest.values())


def _shared(cells: Mask, labels: NDArray[np.integer], count: int) -> list[Mask]:
    """Give every cell of the mask to the nearest labelled one."""
    nearest = ndimage.distance_transform_edt(
        labels == 0, return_distances=False, return_indices=True
    )
    full = labels[tuple(nearest)]
    return [cells & (full == k) for k in range(1, count)]
