"""The sheet as it would look without tools: a smooth surface in log linear light.

A lamp's fall-off is smooth and multiplies, so it adds in logarithms: a polynomial of order 2 in
(x, y) per channel follows it, and a local mean of what is certainly sheet follows stains, clouds
and the polynomial's misfit far from the cards. What differs from that surface is a tool, a
shadow or a mark; which of them is decided elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.segmentation.working_picture.raster import Image, Mask

__all__ = ["CARD_RIM_MM", "CORE_MM", "FLOOR", "SheetModel", "fit_sheet", "sheet_extent"]

Array = NDArray[np.float64]

FLOOR = 0.003  # linear light added before the logarithm: sensor and JPEG noise in the dark
CARD_RIM_MM = 3.0  # paper edge, its contact shadow and calibration's error
CORE_MM = 60.0  # how far beyond the cards' hull the sheet surely goes
RIM_GAP_MM = 120.0  # a tool cut by the frame is no wider than this
ROUNDS = 8
STRIDE = 4
SAMPLE = 60_000  # cells from which medians and spreads are taken
LOCAL_MM = 30.0  # radius of the local mean: wider than half of most tools


@dataclass(frozen=True, eq=False)
class SheetModel:
    """What the sheet looks like, and how much it varies by itself.

    Attributes
    ----------
    residual
        (rows, columns, 3) log linear light minus the surface.
    covariance
        (3, 3) of the residual over certain sheet cells.
    certain
        Cells that the fit took for bare sheet.
    """

    residual: Image
    covariance: Array
    certain: Mask


def _terms(rows: Array, cols: Array, shape: tuple[int, int]) -> Array:
    y, x = 2 * rows / shape[0] - 1, 2 * cols / shape[1] - 1
    return np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])


def _polynomial(log: Image, use: Mask) -> Array:
    """(6, 3) coefficients by iteratively reweighted least squares (Cauchy weights)."""
    rows, cols = np.nonzero(use[::STRIDE, ::STRIDE])
    rows, cols = rows * STRIDE, cols * STRIDE
    a = _terms(rows.astype(float), cols.astype(float), use.shape)
    b = log[rows, cols].astype(float)
    # start from the most common level, not the mean: half of the field may be tools
    start = np.median(b, axis=0)
    coefficients = np.zeros((6, 3))
    coefficients[0] = start
    for turn in range(ROUNDS):
        r = b - a @ coefficients
        size = np.sqrt((r**2).mean(axis=1))
        scale = max(1.4826 * float(np.median(size)), 0.01)
        # a tool is more often darker than the sheet than brighter, a shadow always
        size = np.where(r.mean(axis=1) < 0, 1.5 * size, size)
        w = 1 / (1 + (size / (2.0 * scale)) ** 2) ** (1 if turn < 3 else 2)
        root = np.sqrt(w)[:, None]
        order = 1 if turn == 0 else a.shape[1]
        coefficients = np.zeros((6, 3))
        coefficients[:order] = np.linalg.lstsq(a[:, :order] * root, b * root, rcond=None)[0]
    return coefficients


def _surface(coefficients: Array, shape: tuple[int, int]) -> Image:
    y = (2 * np.arange(shape[0]) / shape[0] - 1).astype(np.float32)[:, None]
    x = (2 * np.arange(shape[1]) / shape[1] - 1).astype(np.float32)[None, :]
    out = np.empty((*shape, 3), np.float32)
    for k in range(3):
        c = coefficients[:, k].astype(np.float32)
        out[..., k] = (c[0] + c[1] * x + c[3] * x * x) + (c[2] + c[4] * x) * y + c[5] * y * y
    return out


def fit_sheet(log: Image, core: Mask, allowed: Mask, mm_per_cell: float) -> SheetModel:
    """Fit the sheet.

    Parameters
    ----------
    log
        (rows, columns, 3) logarithm of linear light (with `FLOOR`).
    core
        Where most cells are known to be sheet: the cards' surroundings.
    allowed
        Where sheet may be at all: seen, and no card.
    """
    coefficients = _polynomial(log, core & allowed)
    residual = log - _surface(coefficients, core.shape)
    certain = core & allowed
    for _ in range(2):
        sample = _sample(residual, certain)
        centre = np.median(sample, axis=0)
        spread = np.maximum(1.4826 * np.median(np.abs(sample - centre), axis=0), 0.012)
        # texture alone stays within 2.5 sigma after smoothing over a few mm
        smooth = cv2.GaussianBlur(residual, (0, 0), 2.0 / mm_per_cell)
        near = cv2.inRange(smooth, centre - 2.5 * spread, centre + 2.5 * spread)
        near[~allowed] = 0
        certain = cv2.erode(near, np.ones((3, 3), np.uint8)).astype(bool)
        residual -= _local_mean(residual, certain, LOCAL_MM / mm_per_cell)
    sample = _sample(residual, certain & core).astype(float)
    covariance = np.cov(sample.T) + np.eye(3) * 0.006**2
    return SheetModel(residual, covariance, certain)


def _sample(values: Image, use: Mask) -> Image:
    """About `SAMPLE` of the used cells' values (N, 3), evenly spread."""
    cells = np.flatnonzero(use)
    return values.reshape(-1, 3)[cells[:: max(1, len(cells) // SAMPLE)]]


def _local_mean(values: Image, use: Mask, radius: float) -> Image:
    """Gaussian mean over the used cells, fading to 0 where there are none; at a quarter size."""
    shrink = 4
    h, w = use.shape
    size = (max(w // shrink, 1), max(h // shrink, 1))
    weight = cv2.resize(use.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    total = cv2.resize(values * use[..., None], size, interpolation=cv2.INTER_AREA)
    sigma = radius / shrink / 1.5
    weight = cv2.GaussianBlur(weight, (0, 0), sigma)
    total = cv2.GaussianBlur(total, (0, 0), sigma)
    mean = total / (weight + 0.02)[..., None]
    return np.asarray(cv2.resize(mean, (w, h), interpolation=cv2.INTER_LINEAR), np.float32)


def sheet_extent(certain: Mask, core: Mask, mm_per_cell: float) -> Mask:
    """The sheet and what lies on it: certain cells connected to the core, holes filled."""
    k = max(3, round(4 / mm_per_cell) | 1)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (k, k))
    solid = cv2.morphologyEx(certain.astype(np.uint8), cv2.MORPH_OPEN, kernel)
    count, labels = cv2.connectedComponents(solid)
    inside = np.bincount(labels[core & (solid > 0)], minlength=count)
    inside[0] = 0
    keep = (inside > 0.02 * inside.sum())[labels] & (solid > 0)
    # the cards' field itself is sheet for certain, the margin round it may reach beyond the edge
    k = 2 * round((CORE_MM - 5.0) / mm_per_cell) + 1
    keep |= cv2.erode(core.astype(np.uint8), np.ones((k, k), np.uint8)) > 0
    # a tool that runs out of the photo opens a gap in the sheet's rim: bridge it, coarsely
    small = cv2.resize(keep.astype(np.uint8), None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    k = 2 * max(1, round(RIM_GAP_MM / 2 / (4 * mm_per_cell))) + 1
    small = cv2.morphologyEx(
        small, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (k, k))
    )
    size = (keep.shape[1], keep.shape[0])
    keep |= cv2.resize(small, size, interpolation=cv2.INTER_NEAREST) > 0
    outside = (~keep).astype(np.uint8)
    # holes are what the frame cannot reach
    padded = cv2.copyMakeBorder(outside, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=1)
    cv2.floodFill(padded, None, (0, 0), 2)
    return np.asarray(padded[1:-1, 1:-1] != 2, np.bool_)
