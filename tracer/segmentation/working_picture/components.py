"""Connected components of masks, and figures per component."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.segmentation.working_picture.raster import Mask

__all__ = ["Labels", "highest", "label_cells"]

Array = NDArray[np.float64]
Labels = NDArray[np.int32]


def label_cells(mask: Mask, connectivity: int = 8) -> tuple[int, Labels, Labels]:
    """Label connected cells.

    Returns
    -------
    count
        Number of labels, label 0 (not in the mask) included.
    labels
        (rows, columns) label per cell.
    boxes
        (count, 5) first column, first row, width, height and area of each label.
    """
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(
        mask.astype(np.uint8), connectivity=connectivity
    )
    return count, np.asarray(labels, np.int32), np.asarray(boxes, np.int32)


def highest(
    labels: NDArray[np.integer], values: NDArray[np.number], count: int, floor: float = 0.0
) -> Array:
    """Largest value (count,) of a cell map over each label, at least ``floor``."""
    out = np.full(count, floor)
    np.maximum.at(out, np.asarray(labels, np.intp).ravel(), np.asarray(values, np.float64).ravel())
    return out
