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

from tracer.segmentation.decide.cut import cut_regions
from tracer.segmentation.decide.regions import Partition, partition, sharpness
from tracer.segmentation.decide.shadow import find_hard_shadow
from tracer.segmentation.decide.sheet import (
    CARD_RIM_MM,
    CORE_MM,
    FLOOR,
    SheetModel,
    fit_sheet,
    sheet_extent,
)
from tracer.segmentation.working_picture.components import highest, label_cells
from tracer.segmentation.working_picture.evidence import RegionEvidence
from tracer.segmentation.working_picture.raster import Image, Mask, Raster, paint

__all__ = ["classical_evidence"]

Array = NDArray[np.float64]

EDGE_REACH_MM = 4.0  # a sharp edge speaks for this depth on either side
HALO_CHROMA = 0.20  # log colour shift that light bouncing off a bright tool gives the sheet
HALO_BRIGHT = 0.25  # the same for brightness
COLOUR_WEIGHT = 0.2  # per cell of a colour that neither sheet nor shadow has
UNCLEAR_EDGE = 0.5  # what an edge between two strange sides says for tool, on both sides
GROUND_SIDE = 0.7  # what an edge says for ground on its quieter side: tools have edges inside
STRONG = 2.0  # an edge is this much sharper than the bare sheet ever is
GRAIN_WEIGHT = 0.15  # per cell
EDGE_WEIGHT = 0.3  # per cell beside a sharp edge; its sum along a normal stays below an open cell


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
    domain = sheet_extent(sheet.certain, core, mm) & allowed
    sharp = sharpness(sheet.residual, mm)
    bare = sheet.certain & core
    level = max(0.03, float(np.percentile(sharp[bare][::5], 99)) if bare.any() else 0.03)
    open_cells = _grow(domain & ~sheet.certain, 2) & domain
    parts = partition(sharp, open_cells, level, mm)
    looks = _looks(parts, sheet, linear, bare)
    edge = parts.mean(_edge_evidence(sheet.residual, sharp, STRONG * level, domain, mm))
    unevenness, grain = _unevenness(parts, sheet.residual, bare, mm)
    by_grain = _grain_evidence(unevenness, grain)
    by_grain = np.where((by_grain < 0) & ~looks.shadow_like, 0, by_grain)
    weight = (looks.evidence + EDGE_WEIGHT * edge + by_grain) * parts.area
    tool = cut_regions(parts, weight)
    # noise in log light grows as light falls, and borders belong to a region too: half must be calm
    calm = 2.5 * level * np.exp(np.clip(-0.4 * sheet.residual.mean(axis=-1), 0, 1.2))
    smooth = parts.mean(sharp < calm) > 0.5
    maybe = looks.shadow_like & smooth & (looks.depth < -0.25)
    shaded = np.zeros(parts.count, np.bool_)
    light = np.asarray(sheet.residual.mean(axis=-1), np.float32)
    side: tuple[float, float] | None = None
    for _ in range(2):
        hard = find_hard_shadow(parts, tool, maybe, looks.depth, light, domain, mm)
        # what faces the lamp once its shadows are gone are the tools themselves
        if hard is None or (side is not None and np.dot(side, hard.direction) < 0):
            break
        side = side or hard.direction
        shaded |= hard.regions
        tool = cut_regions(parts, np.where(shaded, -parts.area, weight))
    cells = tool[parts.labels] & open_cells
    quiet = np.abs(sheet.residual).max(axis=-1) < 3 * looks.sigma
    cells = _without_mirrors(cells, quiet | sheet.certain, mm)
    cells = _bridged(cells, sheet.certain, mm)
    return RegionEvidence(
        raster,
        cells.astype(np.float32),
        np.clip(sharp / (12 * level), 0, 1).astype(np.float32),
        domain,
        shaded[parts.labels] & open_cells,
    )


def _grow(mask: Mask, cells: int) -> Mask:
    k = 2 * cells + 1
    return cv2.dilate(mask.astype(np.uint8), np.ones((k, k), np.uint8)).astype(bool)


def _unevenness(parts: Partition, residual: Image, bare: Mask, mm: float) -> tuple[Array, float]:
    """Local variance of log light per region over the bare sheet's, and the sheet's deviation."""
    light = residual.mean(axis=-1)
    fine = light - cv2.GaussianBlur(light, (0, 0), 1.5 / mm)
    energy = cv2.GaussianBlur(fine * fine, (0, 0), 2.0 / mm)
    usual = max(float(np.median(energy[bare][::7])) if bare.any() else 0.0, 1e-6)
    return np.exp(parts.mean(np.log(energy + 1e-9))) / usual, float(np.sqrt(usual))


def _grain_evidence(unevenness: Array, grain: float) -> Array:
    """What the sheet's grain says per region: a smooth spot on a grainy sheet is no ground.

    Shadow leaves the grain in place, since it multiplies. Zero where the sheet has none.
    """
    trust = np.clip((grain - 0.012) / 0.012, 0, 1)
    smooth = np.clip((0.55 - unevenness) / 0.3, 0, 1)
    grainy = np.clip((unevenness - 0.6) / 0.2, 0, 1) * np.clip((1.8 - unevenness) / 0.4, 0, 1)
    return np.asarray(trust * (GRAIN_WEIGHT * smooth - 0.5 * GRAIN_WEIGHT * grainy), np.float64)


def _without_mirrors(cells: Mask, like_sheet: Mask, mm: float) -> Mask:
    """Fill what looks like a hole but is a bright or dark face of the tool.

    A hole shows the sheet, lit or shaded, and is compact; a face that mirrors something is a
    strip between edges.
    """
    closed = cv2.morphologyEx(cells.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    count, labels, boxes = label_cells(closed == 0, connectivity=4)
    deepest = highest(labels, cv2.distanceTransform(1 - closed, cv2.DIST_L2, 3), count)
    area = np.maximum(boxes[:, 4].astype(float), 1)
    sheet = np.bincount(labels.ravel(), like_sheet.ravel(), count) / area
    compact = np.pi * deepest**2 / area
    hole = (deepest * mm >= 1.8) & ((sheet > 0.4) | (compact > 0.45))
    hole &= (sheet >= 0.1) | (compact >= 0.3)
    fill = ~hole & (area < area[1:].max(initial=0))  # the largest is the ground around
    fill[0] = False
    return np.asarray((closed > 0) | fill[labels], np.bool_)


def _bridged(cells: Mask, certain: Mask, mm: float) -> Mask:
    """Join pieces across narrow gaps that do not show the sheet: glare and dark joints."""
    k = 2 * round(3.0 / mm) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (k, k))
    closed = cv2.morphologyEx(cells.astype(np.uint8), cv2.MORPH_CLOSE, kernel) > 0
    count, gaps, boxes = label_cells(closed & ~cells & ~certain, connectivity=4)
    pieces = label_cells(cells)[1].astype(np.float32)
    square = np.ones((3, 3), np.uint8)
    top = float(pieces.max()) + 1
    high = highest(gaps, cv2.dilate(pieces, square), count)
    reverse = np.where(pieces > 0, top - pieces, 0).astype(np.float32)
    low = top - highest(gaps, cv2.dilate(reverse, square), count)
    joins = (low < high) & (boxes[:, 4] * mm * mm < 200.0)  # two pieces meet in a small gap
    joins[0] = False
    return np.asarray(cells | joins[gaps], np.bool_)


def _edge_evidence(residual: Image, sharp: Image, level: float, domain: Mask, mm: float) -> Image:
    """What the nearest strong edge says of a cell: 1 tool, -1 ground, fading with distance.

    Of an edge's two sides, the one that looks less like the sheet is the tool. Where both look
    about as strange (a grey tool in its own shadow) the edge speaks weakly for tool on both sides.
    """
    strong = (sharp > level) & domain
    away = cv2.distanceTransform((~strong).astype(np.uint8), cv2.DIST_L2, 3) * mm
    depth = residual.mean(axis=-1)
    chroma = np.sqrt(((residual - depth[..., None]) ** 2).mean(axis=-1))
    strange = cv2.GaussianBlur(np.hypot(depth, 3 * chroma), (0, 0), 0.8)
    k = 2 * max(2, round(3.0 / mm)) + 1
    kernel = np.ones((k, k), np.uint8)
    most, least = cv2.dilate(strange, kernel), cv2.erode(strange, kernel)
    side = 2 * (strange - least) / np.maximum(most - least, 0.05) - 1
    unclear = np.clip(2.5 * least / np.maximum(most, 0.05) - 0.75, 0, 1)
    side = np.where(side < 0, GROUND_SIDE * side, side)
    says = side * (1 - unclear) + UNCLEAR_EDGE * unclear
    return np.asarray(says * np.exp(-away / EDGE_REACH_MM), np.float32)


@dataclass(frozen=True, eq=False)
class _Looks:
    """Per region: evidence per cell from its colour, and whether it could be ground in shadow."""

    evidence: Array
    shadow_like: NDArray[np.bool_]
    depth: Array
    chroma: Array
    sigma: float


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
    limit = np.maximum(6 * sigma_c, HALO_CHROMA) + 0.12 * np.abs(depth) + 0.5 * dark
    bright = max(4 * sigma_d, HALO_BRIGHT)
    evidence = COLOUR_WEIGHT * np.clip((chroma - limit) / limit, 0, 1)
    evidence += COLOUR_WEIGHT * np.clip((depth - bright) / bright, 0, 1)
    like_sheet = (np.abs(depth) < 2 * sigma_d) & (chroma < 2.5 * sigma_c)
    evidence = np.where(like_sheet, -0.3, evidence)
    shadow_like = (depth < 0) & (chroma < 0.5 * limit + 0.1 * np.abs(depth))
    return _Looks(evidence, shadow_like, depth, chroma, sigma_d)
