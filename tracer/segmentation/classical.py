"""Region decision without a learned model: sheet model, sharp edges, colour, shadow.

Order of trust: what equals the sheet is ground; what differs in colour or is brighter is tool;
what is darker is tool only where a sharp edge closes round it, for shadows end softly. Under a
hard lamp shadows end sharply too: those are told by all lying on the same side of their tools.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from tracer.segmentation.cut import cut_regions
from tracer.segmentation.evidence import RegionEvidence
from tracer.segmentation.raster import Image, Mask, Raster, paint
from tracer.segmentation.regions import Partition, partition, sharpness
from tracer.segmentation.sheet import FLOOR, SheetModel, fit_sheet

__all__ = ["classical_evidence"]

Array = NDArray[np.float64]

CARD_RIM_MM = 3.0  # paper edge, its contact shadow and calibration's error
CORE_MM = 60.0  # how far beyond the cards' hull the sheet surely goes
EDGE_REACH_MM = 4.0  # a sharp edge speaks for this depth on either side
EDGE_WEIGHT = 0.1  # per cell beside a sharp edge; its sum along a normal stays below an open cell


def classical_evidence(
    linear: Image,
    seen: Mask,
    raster: Raster,
    *,
    cards: Sequence[Polygon] = (),
    hull: Polygon | None = None,
) -> RegionEvidence:
    """Decide which cells are tool.

    Parameters
    ----------
    linear
        (rows, columns, 3) linear light on the raster.
    seen
        (rows, columns) cells that the photo covers.
    cards
        Papers of all cards, sheet mm.
    hull
        Convex hull of the boards, sheet mm; None without cards.
    """
    mm = raster.mm_per_cell
    card_cells = paint([c.buffer(CARD_RIM_MM) for c in cards], raster)
    allowed = seen & ~card_cells
    core = paint([hull.buffer(CORE_MM)], raster) & seen if hull is not None else seen
    sheet = fit_sheet(np.log(linear + FLOOR), core, allowed, mm)
    domain = _sheet_extent(sheet.certain, core, mm) & allowed
    sharp = sharpness(sheet.residual, mm)
    bare = sheet.certain & core
    level = max(0.03, float(np.percentile(sharp[bare][::5], 99)) if bare.any() else 0.03)
    open_cells = _grow(domain & ~sheet.certain, 2) & domain
    parts = partition(sharp, open_cells, level)
    looks = _looks(parts, sheet, linear, bare)
    strong = (sharp > 3 * level) & domain
    away = cv2.distanceTransform((~strong).astype(np.uint8), cv2.DIST_L2, 3) * mm
    beside = parts.mean(np.exp(-away / EDGE_REACH_MM))
    edge = np.where(looks.shadow_like, EDGE_WEIGHT, 2 * EDGE_WEIGHT) * beside
    weight = (looks.evidence + edge) * parts.area
    tool = cut_regions(parts, weight)
    cells = tool[parts.labels] & open_cells
    return RegionEvidence(
        raster,
        cells.astype(np.float32),
        np.zeros(raster.shape, np.float32),
        domain,
        np.zeros(raster.shape, np.bool_),
    )


def _grow(mask: Mask, cells: int) -> Mask:
    k = 2 * cells + 1
    return cv2.dilate(mask.astype(np.uint8), np.ones((k, k), np.uint8)).astype(bool)


def _sheet_extent(certain: Mask, core: Mask, mm_per_cell: float) -> Mask:
    """The sheet and what lies on it: certain cells connected to the core, holes filled."""
    k = max(3, int(round(4 / mm_per_cell)) | 1)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (k, k))
    solid = cv2.morphologyEx(certain.astype(np.uint8), cv2.MORPH_OPEN, kernel)
    count, labels = cv2.connectedComponents(solid)
    inside = np.bincount(labels[core & (solid > 0)], minlength=count)
    inside[0] = 0
    keep = (inside > 0.02 * inside.sum())[labels] & (solid > 0)
    keep |= core
    outside = (~keep).astype(np.uint8)
    # holes are what the frame cannot reach
    padded = cv2.copyMakeBorder(outside, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=1)
    cv2.floodFill(padded, None, (0, 0), 2)
    return np.asarray(padded[1:-1, 1:-1] != 2, np.bool_)


@dataclass(frozen=True, eq=False)
class _Looks:
    """Per region: evidence per cell from its colour, and whether it could be ground in shadow."""

    evidence: Array
    shadow_like: NDArray[np.bool_]
    depth: Array
    chroma: Array


def _looks(parts: Partition, sheet: SheetModel, linear: Image, bare: Mask) -> _Looks:
    depth_cells = sheet.residual.mean(axis=-1)
    chroma_cells = sheet.residual - depth_cells[..., None]
    if bare.any():
        sigma_d = max(float(depth_cells[bare].std()), 0.012)
        sigma_c = max(float(np.sqrt((chroma_cells[bare] ** 2).mean())), 0.004)
    else:
        sigma_d, sigma_c = 0.05, 0.02
    depth = parts.mean(depth_cells)
    chroma = np.sqrt(np.mean([parts.mean(chroma_cells[..., k]) ** 2 for k in range(3)], axis=0))
    dark = 0.004 / (parts.mean(linear.min(axis=-1)) + 0.004)  # colour is noise in the dark
    # shadows turn towards the colour of the other light: allow a tenth of their depth
    limit = np.maximum(6 * sigma_c, 0.10) + 0.12 * np.abs(depth) + 0.5 * dark
    bright = max(3 * sigma_d, 0.1)
    evidence = 0.3 * np.clip((chroma - limit) / limit, 0, 1.5)
    evidence += 0.3 * np.clip((depth - bright) / bright, 0, 1)
    like_sheet = (np.abs(depth) < 2 * sigma_d) & (chroma < 2.5 * sigma_c)
    evidence = np.where(like_sheet, -0.3, evidence)
    shadow_like = (depth < 0) & (chroma < 0.5 * limit + 0.1 * np.abs(depth))
    return _Looks(evidence, shadow_like, depth, chroma)
