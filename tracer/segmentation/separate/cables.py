"""Cables told from tools: long, thin, of one width and bent."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.segmentation.working_picture.components import label_cells
from tracer.segmentation.working_picture.raster import Mask

__all__ = ["without_cables"]

WIDEST_MM = 12.0
SHORTEST_MM = 200.0
STRAIGHTEST = 0.85  # chord over length: a blade or a long key is straighter, a cable hardly ever
STEADY = 0.35  # relative spread of the width along a cable


def without_cables(cells: Mask, mm: float) -> tuple[list[Mask], list[Mask]]:
    """Take the cables off a mask: (what is left, cables), each as whole pieces.

    The cut lies where the mask becomes wider than a cable: the strain relief.
    """
    radius = max(2, round(WIDEST_MM / 2 / mm))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
    body = cv2.morphologyEx(cells.astype(np.uint8), cv2.MORPH_OPEN, kernel)
    thin = cells & (cv2.dilate(body, np.ones((3, 3), np.uint8)) == 0)
    count, labels, boxes = label_cells(thin)
    cables = [
        labels == k
        for k in range(1, count)
        if boxes[k, 4] * mm * mm > SHORTEST_MM * 2 and _is_cable(labels == k, mm)
    ]
    if not cables:
        return [cells], []
    rest = cells & ~np.any(cables, axis=0)
    count, labels, boxes = label_cells(rest)
    left = [labels == k for k in range(1, count) if boxes[k, 4] * mm * mm > 100.0]
    return left, cables


def _is_cable(cells: Mask, mm: float) -> bool:
    depth = cv2.distanceTransform(
        cv2.copyMakeBorder(cells.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0),
        cv2.DIST_L2,
        5,
    )[1:-1, 1:-1]
    ridge = (depth >= cv2.dilate(depth, np.ones((3, 3), np.uint8))) & cells
    width: NDArray[np.float64] = 2 * depth[ridge].astype(np.float64) * mm
    typical = float(np.median(width))
    if typical > WIDEST_MM or float(np.std(width)) > STEADY * typical:
        return False
    length = float(cells.sum()) * mm * mm / max(typical, mm)
    rows, cols = np.nonzero(cells)
    points = np.column_stack([cols, rows]).astype(np.float32)
    (_, (a, b), _) = cv2.minAreaRect(points)
    chord = float(np.hypot(a, b)) * mm
    return length > SHORTEST_MM and chord < STRAIGHTEST * length
