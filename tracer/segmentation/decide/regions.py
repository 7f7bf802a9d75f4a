"""The working picture cut into small regions along its sharp edges.

A tool ends in a sharp edge, a soft shadow does not. So the *sharpness* of a cell is its gradient
at the scale of a cell less its gradient at a wider scale: a step keeps most of it, a ramp loses
all. Watershed basins of the sharpness are the *regions*; every later decision is made on them.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.morphology import local_minima
from skimage.segmentation import watershed

from tracer.segmentation.working_picture.raster import Image, Mask

__all__ = ["Partition", "partition", "sharpness"]

Array = NDArray[np.float64]
Labels = NDArray[np.int32]

FINE_CELLS, WIDE_CELLS = 0.7, 2.5
STEEPEST_SHADOW = 0.15  # log light per mm that a soft shadow reaches beside a tool
SOFTEST_EDGE = 0.06  # sharpness per mm below which even a smooth sheet's border counts as open
BLOCK_MM = 8.0  # flat areas are divided into blocks, so that a gap in an edge leaks little


def _gradient(values: Image, mm_per_cell: float) -> Image:
    """Largest gradient among the channels, per mm."""
    step = np.array([-0.5, 0.0, 0.5], np.float32)
    one = np.array([1.0], np.float32)
    gx = cv2.sepFilter2D(values, -1, step, one)
    gy = cv2.sepFilter2D(values, -1, one, step)
    size = cv2.magnitude(gx.reshape(len(gx), -1), gy.reshape(len(gy), -1)).reshape(values.shape)
    return np.asarray(size.max(axis=-1) / mm_per_cell, np.float32)


def _blurred(values: Image, sigma: float) -> Image:
    return np.asarray(cv2.GaussianBlur(values, (0, 0), sigma), np.float32)


def sharpness(residual: Image, mm_per_cell: float) -> Image:
    """Sharp part of the gradient (rows, columns) of log light, per mm."""
    fine = _gradient(_blurred(residual, FINE_CELLS), mm_per_cell)
    wide = _gradient(_blurred(residual, WIDE_CELLS), mm_per_cell)
    # capped: a strong edge near by must not hide a weak one
    return np.asarray(np.maximum(fine - np.minimum(wide, STEEPEST_SHADOW), 0), np.float32)


@dataclass(frozen=True, eq=False)
class Partition:
    """Regions of the open cells, and their borders.

    Region 0 is everything else: certain sheet, cards, beyond the domain.

    Attributes
    ----------
    labels
        (rows, columns) region number per cell.
    count
        Number of regions, region 0 included.
    area
        (count,) cells per region, at least 1.
    first, second, length, openness
        Per pair of touching regions (first < second): the border's length in cells, and the sum
        over it of exp(-(sharpness / level)^2): how much of the border is no edge.
    """

    labels: Labels
    count: int
    area: Array
    first: NDArray[np.intp]
    second: NDArray[np.intp]
    length: Array
    openness: Array

    def mean(self, values: NDArray[np.floating] | Mask) -> Array:
        """Mean (count,) of a cell map (rows, columns) over each region."""
        total = np.bincount(self.labels.ravel(), values.ravel(), self.count)
        return np.asarray(total / self.area, np.float64)


def partition(sharp: Image, open_cells: Mask, level: float, mm_per_cell: float) -> Partition:
    """Cut the open cells into watershed basins of the sharpness.

    ``level`` is the sharpness that the bare sheet reaches now and then (its 99th percentile).
    """
    steps = np.minimum(sharp / (0.5 * level), 30000).astype(np.int16)
    lowest = local_minima(steps, connectivity=1)  # type: ignore[no-untyped-call]
    markers, count = ndimage.label(lowest & open_cells)
    block = max(3, round(BLOCK_MM / mm_per_cell))
    rows, cols = np.arange(sharp.shape[0]) // block, np.arange(sharp.shape[1]) // block
    tile = rows[:, None] * (int(cols[-1]) + 1) + cols[None, :]
    markers = np.where(markers > 0, markers + tile * np.int64(count + 1), 0)
    markers = np.unique(markers, return_inverse=True)[1].reshape(sharp.shape)
    basins = watershed(sharp, markers, mask=open_cells)  # type: ignore[no-untyped-call]
    labels: Labels = basins.astype(np.int32)
    count = int(labels.max()) + 1
    area = np.maximum(np.bincount(labels.ravel(), minlength=count), 1).astype(float)
    barrier = max(2 * level, SOFTEST_EDGE)
    firsts, seconds, weights = [], [], []
    for a, b, ea, eb in (
        (labels[:, :-1], labels[:, 1:], sharp[:, :-1], sharp[:, 1:]),
        (labels[:-1], labels[1:], sharp[:-1], sharp[1:]),
    ):
        at = a != b
        firsts.append(np.minimum(a[at], b[at]))
        seconds.append(np.maximum(a[at], b[at]))
        weights.append(np.exp(-((np.maximum(ea[at], eb[at]) / barrier) ** 2)))
    key = np.concatenate(firsts).astype(np.int64) * count + np.concatenate(seconds)
    pairs, inverse = np.unique(key, return_inverse=True)
    openness = np.asarray(np.bincount(inverse, np.concatenate(weights), len(pairs)), np.float64)
    length: Array = np.bincount(inverse, minlength=len(pairs)).astype(np.float64)
    return Partition(labels, count, area, pairs // count, pairs % count, length, openness)
