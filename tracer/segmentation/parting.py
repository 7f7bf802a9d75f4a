"""Touching tools parted: along typed lines, between typed points, at clear necks."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.segmentation import watershed

from tracer.segmentation.components import highest, label_cells
from tracer.segmentation.raster import Image, Mask

__all__ = ["part_along", "part_at_necks", "part_between"]

Array = NDArray[np.float64]

NECK_SHARE = 0.25  # a neck is narrower than this share of the width on both of its sides
LEAST_PART_MM2 = 600.0  # each part must be a tool of its own
LEAST_PART_MM = 50.0


def part_along(cells: Mask, lines: Sequence[Array]) -> list[Mask]:
    """Cut a mask along polylines of (column, row); the cut cells go to the nearer part."""
    cut = cells.astype(np.uint8)
    for line in lines:
        cv2.polylines(cut, [np.round(line).astype(np.int32)], False, 0, 2)
    count, labels, _ = label_cells(cut > 0, connectivity=4)
    if count <= 2:
        return [cells]
    return _shared(cells, labels, count)


def part_between(cells: Mask, points: Sequence[tuple[int, int]], border: Image) -> list[Mask]:
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
    labels = watershed(relief, markers, mask=cells)  # type: ignore[no-untyped-call]
    return [labels == k for k in np.unique(labels) if k > 0]


def part_at_necks(cells: Mask, mm: float) -> list[Mask]:
    """Part a mask at necks that are clearly narrower than both of their sides."""
    depth = cv2.distanceTransform(
        cv2.copyMakeBorder(cells.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0),
        cv2.DIST_L2,
        5,
    )[1:-1, 1:-1]
    peaks = depth > np.maximum(0.7 * cv2.dilate(depth, np.ones((9, 9), np.uint8)), 2.0)
    markers, count = ndimage.label(ndimage.binary_dilation(peaks) & cells)
    if count < 2:
        return [cells]
    labels = watershed(-depth, markers, mask=cells)  # type: ignore[no-untyped-call]
    width = 2 * highest(labels, depth, count + 1)
    group = np.arange(count + 1)

    def root(k: int) -> int:
        while group[k] != k:
            k = int(group[k])
        return k

    necks = sorted(_necks(labels), key=lambda n: -n[2])
    for a, b, length in necks:
        if length >= NECK_SHARE * min(width[a], width[b]):
            group[root(a)] = root(b)
    # a part too small to be a tool stays with its neighbour
    merged = np.array([root(k) for k in range(count + 1)])
    for a, b, _ in necks:
        for one, other in ((a, b), (b, a)):
            own = merged[labels] == merged[one]
            if merged[one] != merged[other] and not _is_tool(own & cells, mm):
                merged[merged == merged[one]] = merged[other]
    parts = merged[labels]
    return [parts == k for k in np.unique(parts[cells])]


def _is_tool(cells: Mask, mm: float) -> bool:
    rows, cols = np.nonzero(cells)
    if len(rows) * mm * mm < LEAST_PART_MM2:
        return False
    return float(np.hypot(np.ptp(rows), np.ptp(cols))) * mm >= LEAST_PART_MM


def _necks(labels: NDArray[np.integer]) -> list[tuple[int, int, float]]:
    """Pairs of touching labels and the length of their common border in cells."""
    pairs: dict[tuple[int, int], int] = {}
    for a, b in ((labels[:, :-1], labels[:, 1:]), (labels[:-1], labels[1:])):
        at = (a != b) & (a > 0) & (b > 0)
        for p, q in zip(a[at].tolist(), b[at].tolist(), strict=True):
            key = (min(p, q), max(p, q))
            pairs[key] = pairs.get(key, 0) + 1
    # a slanted border counts its steps in both directions: about sqrt(2) too many
    return [(p, q, n / 1.3) for (p, q), n in pairs.items()]


def _shared(cells: Mask, labels: NDArray[np.integer], count: int) -> list[Mask]:
    """Give every cell of the mask to the nearest labelled one."""
    nearest = ndimage.distance_transform_edt(
        labels == 0, return_distances=False, return_indices=True
    )
    full = labels[tuple(nearest)]
    return [cells & (full == k) for k in range(1, count)]
