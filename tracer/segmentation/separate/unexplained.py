"""Something left out: what stands out from the sheet and belongs to nothing that was found.

Where the sheet was followed from the cards, its colour is known everywhere: blocks that differ from
it show something. A found tool explains its own blocks, its shadow (darker, of the sheet's colour,
not far away) and the glow of its colour on the sheet beside it. What then is left is large enough
to be a tool and clearly different, or it is a knot in the wood, a speck, the bench at the photo's
rim: those are smaller, of the sheet's colour, or run along the rim.

The decision of the learned model has no say here, so that its blind spots are seen.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry import Polygon

from tracer.segmentation.separate.left_out import NEAR_MM, LeftOut, Reason, things_in
from tracer.segmentation.working_picture.extent import BlockView
from tracer.segmentation.working_picture.raster import Image, Raster, paint

__all__ = ["unexplained"]

Blocks = NDArray[np.bool_]

OWN_BLOCKS = 1.0  # a tool's own blocks reach a block beyond its edge
SOFT_SHADE = -0.7  # log light
SHADOW_MM, GLOW_MM = 45.0, 25.0  # how far a tool's shadow and glow reach
SHADOW_CHROMA, GLOW_CHROMA, TURN = 0.10, 0.30, 0.12  # log colour; and per log depth of shade
LEVEL_BLOCKS = 5.0  # deviation of the mean that gives the sheet's colour under a thing
LEAST_CHANGE = 0.25  # log light that the most different fifth of a thing's blocks reaches
USUAL_CHANGES = 6.0  # the same in robust deviations of the bare sheet
LEAST_MM2 = 300.0
LEAST_SHADE_MM2 = 600.0  # of what has the sheet's colour and is darker, as a knot is
LEAST_BESIDE_MM2 = 700.0  # of what lies against a tool
USUAL_VIEW_MM = 700.0  # a photo that shows less was taken of smaller things
MOST_SHADE = 0.8  # share of blocks that look like shade
STRIP = 4.0  # a strip along the photo's rim is so much longer than it is deep


def unexplained(blocks: BlockView, found: Sequence[Polygon], raster: Raster) -> list[LeftOut]:
    """Things that no found region explains.

    Parameters
    ----------
    blocks
        The picture in blocks.
    found
        Regions of tools, cables and of whatever else is told of already, sheet mm.
    raster
        Where the cells lie.
    """
    mm = raster.mm_per_cell * blocks.size
    view_mm = float(np.sqrt(np.count_nonzero(blocks.known))) * mm
    closeness = min(1.0, view_mm / USUAL_VIEW_MM) ** 2
    away = _away(found, blocks, raster)
    change = blocks.colour - _sheet_colour(blocks)
    usual = 1.4826 * np.median(np.abs(change[blocks.known & ~blocks.eventful]), axis=0) + 0.01
    depth = change.mean(axis=2)
    chroma = np.abs(change - depth[..., None]).max(axis=2)
    dark = depth < 0.05
    shade = dark & (chroma < SHADOW_CHROMA + TURN * np.abs(depth))
    glow = chroma < GLOW_CHROMA + TURN * np.abs(depth)
    square = np.ones((3, 3))
    joined, number = ndimage.label(blocks.eventful, square)
    owned = np.zeros(number + 1, np.bool_)
    owned[joined[away < OWN_BLOCKS * mm + mm]] = True
    own = owned[joined]  # a deep shadow hangs together with what throws it, a soft one fades
    near_shade = shade & (away < SHADOW_MM) & (own | (depth > SOFT_SHADE))
    explained = (away < OWN_BLOCKS * mm) | near_shade | (own & glow & (away < GLOW_MM))
    labels, count = ndimage.label(blocks.eventful & ~explained, square)
    largest = np.abs(change).max(axis=2)
    relative = (np.abs(change) / usual).max(axis=2)
    kept = np.zeros(blocks.known.shape, np.bool_)
    for k in range(1, count + 1):
        mine = labels == k
        area = float(mine.sum()) * mm * mm
        if (
            area < closeness * LEAST_MM2
            or np.percentile(largest[mine], 80) < LEAST_CHANGE
            or np.percentile(relative[mine], 80) < USUAL_CHANGES
        ):
            continue
        beside = bool((own & mine & (away < GLOW_MM)).any())
        shaded = float(shade[mine].mean())
        least = LEAST_BESIDE_MM2 if beside else LEAST_SHADE_MM2 if shaded > MOST_SHADE else 0.0
        shadow = beside and shaded > MOST_SHADE
        if area >= closeness * least and not shadow and not _at_rim(mine, blocks):
            kept |= mine
    cells, unlike = (
        _in_cells(values, blocks.size, raster) for values in (kept, np.where(kept, largest, 0))
    )
    near = min(NEAR_MM, 2 * mm)
    return things_in(cells > 0, raster, Reason.UNLIKE, unlike=unlike, near_mm=near)


def _in_cells(values: NDArray[np.generic], size: int, raster: Raster) -> Image:
    """Blocks as cells of the raster; 0 in the rows and columns that no block takes."""
    cells = np.zeros(raster.shape, np.float32)
    grown = np.kron(values.astype(np.float32), np.ones((size, size), np.float32))
    cells[: grown.shape[0], : grown.shape[1]] = grown
    return cells


def _away(found: Sequence[Polygon], blocks: BlockView, raster: Raster) -> Image:
    """Distance (r, c) of each block's middle from what was found, mm."""
    free = (~paint(list(found), raster)).astype(np.uint8)
    if free.all():
        return np.full(blocks.known.shape, np.inf, np.float32)
    away = cv2.distanceTransform(free, cv2.DIST_L2, 5) * raster.mm_per_cell
    half, size = blocks.size // 2, blocks.size
    rows, cols = blocks.known.shape
    return np.asarray(away[half::size, half::size][:rows, :cols], np.float32)


def _sheet_colour(blocks: BlockView) -> Image:
    """What the sheet looks like at each block: mean over plain blocks around."""
    plain = (blocks.known & ~blocks.eventful).astype(np.float32)
    weight = cv2.GaussianBlur(plain, (0, 0), LEVEL_BLOCKS) + 1e-4
    total = cv2.GaussianBlur(blocks.colour * plain[..., None], (0, 0), LEVEL_BLOCKS)
    return np.asarray(total / weight[..., None], np.float32)


def _at_rim(mine: Blocks, blocks: BlockView) -> bool:
    """Whether a thing is the bench, seen at the photo's rim: at a corner, or a strip along it."""
    three, five, wide = (np.ones((k, k), np.bool_) for k in (3, 5, 33))
    inner = ndimage.binary_erosion(np.pad(blocks.known, 1), three)[1:-1, 1:-1]
    # cards leave gaps that are no rim
    whole = ndimage.binary_closing(np.pad(blocks.known, 40), wide)[40:-40, 40:-40]
    edge = ~ndimage.binary_erosion(np.pad(whole, 1), five)[1:-1, 1:-1] & ~inner
    along = int((mine & edge).sum())
    if not along:
        return False
    return bool((mine & blocks.corners).any()) or along * along > STRIP * int(mine.sum())
