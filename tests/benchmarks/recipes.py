"""Recipes for separating tool and ground that anyone can write in an hour.

They are told where the cards' papers lie, that tools lie between the cards, and how large the
smallest tool is, so that they are judged on tools alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.segmentation import watershed

__all__ = ["RECIPES", "Hints", "Labels", "Prepared"]

Labels = NDArray[np.int32]
Ring = NDArray[np.float64]
WORK_PX = 1200  # longer side at which the recipes run: graph cuts and watersheds are slow
ROUNDS = 5  # of the graph cut, each with new colour mixtures
RIM_SHARE = 0.02  # without cards the outermost strip of a photo is taken for ground


@dataclass(frozen=True, eq=False)
class Hints:
    """What a recipe is told besides the photo.

    Attributes
    ----------
    least_px
        Area of the smallest tool, in pixels of the photo.
    papers_px
        Corners of the cards' papers, (N, 2) each.
    """

    least_px: float
    papers_px: tuple[Ring, ...] = ()


class Prepared:
    """A photo at working size, with what the recipes are told."""

    def __init__(self, pixels: NDArray[np.uint8], hints: Hints) -> None:
        self.full_size = pixels.shape[1], pixels.shape[0]
        scale = WORK_PX / max(self.full_size)
        size = round(self.full_size[0] * scale), round(self.full_size[1] * scale)
        self.rgb = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
        self.grey = cv2.GaussianBlur(cv2.cvtColor(self.rgb, cv2.COLOR_RGB2GRAY), (0, 0), 1.5)
        self.least_px = hints.least_px * scale**2
        self.cards = np.zeros(self.grey.shape, np.uint8)
        self.inside = np.zeros(self.grey.shape, np.uint8)
        rings = [np.round(r * scale).astype(np.int32) for r in hints.papers_px]
        for ring in rings:
            cv2.fillPoly(self.cards, [ring], 1)
        if rings:
            cv2.fillPoly(self.inside, [cv2.convexHull(np.vstack(rings))], 1)
        else:
            rim = round(RIM_SHARE * WORK_PX)
            self.inside[rim:-rim, rim:-rim] = 1

    def free(self) -> NDArray[np.bool_]:
        """Between the cards and not on one."""
        return (self.inside > 0) & (self.cards == 0)

    def labels(self, mask: NDArray[np.bool_]) -> Labels:
        """Pieces of a mask that are large enough, at the photo's full size."""
        clean = ndimage.binary_opening(mask & (self.cards == 0), iterations=1)
        found, count = ndimage.label(clean)
        sizes = ndimage.sum_labels(clean, found, np.arange(1, count + 1))
        keep = np.zeros(count + 1, np.int32)
        large = np.flatnonzero(sizes >= self.least_px) + 1
        keep[large] = np.arange(1, len(large) + 1)
        full = cv2.resize(
            keep[found].astype(np.float32), self.full_size, interpolation=cv2.INTER_NEAREST
        )
        return np.asarray(full, np.int32)


def threshold(p: Prepared) -> Labels:
    """Otsu's threshold between the cards; the rarer side is tool."""
    level, _ = cv2.threshold(p.grey[p.free()].reshape(-1, 1), 0, 255, cv2.THRESH_OTSU)
    dark = (p.grey <= level) & (p.inside > 0)
    if dark[p.free()].mean() > 0.5:
        dark = (p.grey > level) & (p.inside > 0)
    return p.labels(ndimage.binary_closing(dark, iterations=2))


def graph_cut(p: Prepared) -> Labels:
    """Graph cut from the rectangle round the cards, colour mixtures, five rounds."""
    ys, xs = np.nonzero(p.inside)
    mask = np.full(p.grey.shape, cv2.GC_BGD, np.uint8)
    box = (int(xs.min()), int(ys.min()), int(np.ptp(xs)), int(np.ptp(ys)))
    bgr = np.ascontiguousarray(p.rgb[..., ::-1])
    cv2.setRNGSeed(1)
    models = np.zeros((1, 65)), np.zeros((1, 65))
    cv2.grabCut(bgr, mask, box, *models, ROUNDS, cv2.GC_INIT_WITH_RECT)
    return p.labels(np.isin(mask, (cv2.GC_FGD, cv2.GC_PR_FGD)))


def watershed_on_gradients(p: Prepared) -> Labels:
    """Watershed of the gradient from sure ground and sure tool, by distance to the median grey."""
    away = np.abs(p.grey.astype(float) - np.median(p.grey[p.free()]))
    low, high = np.percentile(away[p.free()], [60, 92])
    markers = np.zeros(p.grey.shape, np.int32)
    markers[away < low] = 1
    markers[(away > high) & p.free()] = 2
    markers[p.inside == 0] = 1
    slope = np.hypot(cv2.Sobel(p.grey, cv2.CV_32F, 1, 0), cv2.Sobel(p.grey, cv2.CV_32F, 0, 1))
    return p.labels(watershed(slope, markers) == 2)


RECIPES: dict[str, Callable[[Prepared], Labels]] = {
    "threshold": threshold,
    "watershed": watershed_on_gradients,
    "graph-cut": graph_cut,
}
