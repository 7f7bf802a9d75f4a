"""The picture's blur, measured where black meets white on the scale cards."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from tracer.model.view import PlaneMap
from tracer.segmentation.edge.edges import fit_blur
from tracer.segmentation.edge.profiles import sample_profiles

__all__ = ["DEFAULT_BLUR_PX", "measure_blur"]

DEFAULT_BLUR_PX = 1.0  # a sharp phone picture, where no card tells
REACH_PX = 6.0
PER_CARD = 120
LEAST = 20  # fewer clean edges than this tell nothing


def measure_blur(pixels: NDArray[np.uint8], plane: PlaneMap, cards: Sequence[Polygon]) -> float:
    """Gaussian blur in px, median over clean straight edges within the cards."""
    found = [b for card in cards for b in _card_blur(pixels, plane, card)]
    if len(found) < LEAST:
        return DEFAULT_BLUR_PX
    return float(np.clip(np.median(found), 0.3, 4.0))


def _card_blur(pixels: NDArray[np.uint8], plane: PlaneMap, card: Polygon) -> list[float]:
    corners = plane.to_photo(np.asarray(card.buffer(-4.0).exterior.coords)[:, :2])
    h, w = pixels.shape[:2]
    x0, y0 = np.clip(np.floor(corners.min(axis=0)).astype(int), 0, (w, h))
    x1, y1 = np.clip(np.ceil(corners.max(axis=0)).astype(int), 0, (w, h))
    if min(x1 - x0, y1 - y0) < 40:
        return []
    grey = cv2.cvtColor(np.ascontiguousarray(pixels[y0:y1, x0:x1]), cv2.COLOR_RGB2GRAY)
    smooth = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), 1.0)
    gx, gy = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    size = cv2.magnitude(gx, gy)
    ridge = (size == cv2.dilate(size, np.ones((5, 5), np.uint8))) & (size > 0.5 * size.max())
    m = int(REACH_PX) + 3
    ridge[:m], ridge[-m:], ridge[:, :m], ridge[:, -m:] = False, False, False, False
    rows, cols = np.nonzero(ridge)
    if len(rows) == 0:
        return []
    pick = np.linspace(0, len(rows) - 1, min(len(rows), 4 * PER_CARD)).astype(int)
    rows, cols = rows[pick], cols[pick]
    normals = np.column_stack([gx[rows, cols], gy[rows, cols]]).astype(float)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    points = np.column_stack([cols + x0, rows + y0]).astype(float)
    profiles = sample_profiles(pixels, points, normals, REACH_PX, along_px=1.0)
    values = profiles.light.mean(axis=2)
    s = profiles.offset_px
    contrast = values[:, s > 3.5].mean(axis=1) - values[:, s < -3.5].mean(axis=1)
    flat = np.maximum(values[:, s > 3.5].std(axis=1), values[:, s < -3.5].std(axis=1))
    clean = (contrast > 0.4 * np.max(contrast, initial=0)) & (flat < 0.05 * contrast)
    if not clean.any():
        return []
    sigma, misfit = fit_blur(s, values[clean][:PER_CARD])
    return [float(v) for v in sigma[misfit < 0.03]]
