"""How far the sheet goes: all that the photo shows of it, up to what is certainly something else.

A lamp's light falls off smoothly however far one goes, and a mat's lines are thin; the bench beyond
the sheet's edge begins with a step. So the picture is looked at in blocks, each with the median of
its colour, which neither grain nor a thin line moves. From the cards' field the sheet is followed
from block to block over small steps. What is not reached that way is a tool, its shadow, or the
bench. The bench runs out of the photo round one of its corners; a tool that the frame cuts does
not. Everything else is searched.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry import Polygon

from tracer.geometry.rings import largest_polygon
from tracer.segmentation.working_picture.raster import Image, Mask, Raster

__all__ = ["Extent", "find_extent", "outlines"]

Array = NDArray[np.float64]
Blocks = NDArray[np.bool_]

LEAST_BLOCK_MM, BLOCK_MM, BLOCKS = 3.0, 8.0, 120  # a close view of small tools has small blocks
USUAL_STEPS = 4.0  # times the median step between blocks of the cards' field that is still sheet
LEAST_STEP, MOST_STEP = 0.05, 0.20  # log light; within them the field itself decides
LEAST_AREA_MM2 = 120.0**2  # less than that beyond the edge harms nobody
LEAST_RIM_MM = 150.0  # of the photo's rim: a tool cut by the frame hardly ever takes more
EDGE_SHARE = 0.6  # of the border between sheet and bench that must be a clear step
FAR = 1e6  # log light that no block has
FLAT = 3.0  # times the usual unevenness of a block from which something may lie there


@dataclass(frozen=True, eq=False)
class BlockView:
    """The picture in blocks.

    Attributes
    ----------
    size
        Cells on a block's side.
    colour
        (r, c, 3) median log light of each block.
    known
        (r, c) blocks that the photo shows and no card takes.
    eventful
        (r, c) blocks where more than plain sheet is seen.
    corners
        (r, c) blocks at the corners of what the photo shows.
    """

    size: int
    colour: Image
    known: Blocks
    eventful: Blocks
    corners: Blocks


@dataclass(frozen=True, eq=False)
class Extent:
    """Where tools may lie.

    Attributes
    ----------
    beyond
        (rows, columns) cells past the sheet's edge.
    eventful
        (rows, columns) cells where more than plain sheet is seen, in whole blocks.
    blocks
        The blocks themselves; None where no sheet is known.
    """

    beyond: Mask
    eventful: Mask
    blocks: BlockView | None = None

    def shows(self, where_mm: tuple[float, float], raster: Raster) -> bool:
        """Whether more than plain sheet is seen at a place."""
        col, row = (int(v) for v in np.round(raster.to_cells([where_mm])[0]))
        rows, cols = self.eventful.shape
        return 0 <= row < rows and 0 <= col < cols and bool(self.eventful[row, col])


def find_extent(log: Image, core: Mask, allowed: Mask, mm_per_cell: float) -> Extent:
    """Follow the sheet from the cards' field.

    Parameters
    ----------
    log
        (rows, columns, 3) logarithm of linear light.
    core
        The cards' surroundings, mostly sheet.
    allowed
        Seen, and no card.
    """
    view_mm = float(np.sqrt(np.count_nonzero(allowed))) * mm_per_cell
    block_mm = np.clip(view_mm / BLOCKS, LEAST_BLOCK_MM, BLOCK_MM)
    size = max(2, round(block_mm / mm_per_cell))
    colour, spread, known = _blocks(log, allowed, size)
    field = _in_blocks(core, size) > 0.5
    seen = _in_blocks(allowed, size) > 0
    if not (field & known).any():
        nothing = np.zeros(allowed.shape, np.bool_)
        return Extent(nothing, allowed.copy())
    down, right = _steps(colour)
    usual = np.concatenate(
        [
            down[(field & known)[:-1] & (field & known)[1:]],
            right[(field & known)[:, :-1] & (field & known)[:, 1:]],
        ]
    )
    level = float(np.clip(USUAL_STEPS * np.median(usual), LEAST_STEP, MOST_STEP))
    reached = _reached(colour, known, field, level)
    beyond = _beyond(colour, reached, known, field, level, size * mm_per_cell)
    unevenness = float(np.percentile(spread[field & known], 75))
    whole = ndimage.binary_erosion(_in_blocks(allowed, size) > 0.99, np.ones((3, 3), np.bool_))
    eventful = seen & ~beyond & ((known & ~reached) | (whole & (spread > FLAT * unevenness)))
    shape = allowed.shape
    view = BlockView(size, colour, known & ~beyond, eventful, _corners(known))
    return Extent(_to_cells(beyond, size, shape), _to_cells(eventful, size, shape), view)


def outlines(mask: Mask, raster: Raster) -> tuple[Polygon, ...]:
    """Outer outlines of a mask on the sheet, mm; holes left out."""
    rings, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    shapes = [Polygon(raster.to_sheet(r[:, 0])).buffer(0) for r in rings if len(r) >= 3]
    return tuple(largest_polygon(s) for s in shapes if s.area > 0)


def _blocks(log: Image, allowed: Mask, size: int) -> tuple[Image, Image, Blocks]:
    """Median colour (r, c, 3) and spread of light (r, c) per block, and which blocks have any."""
    rows, cols = (n // size for n in allowed.shape)
    part = log[: rows * size, : cols * size]
    cells = part.reshape(rows, size, cols, size, 3).transpose(0, 2, 1, 3, 4)
    cells = cells.reshape(rows, cols, size * size, 3)
    colour = np.median(cells, axis=2).astype(np.float32)
    low, high = np.percentile(cells[..., 1], [10, 90], axis=2)
    known = _in_blocks(allowed, size) > 0.5
    return colour, (high - low).astype(np.float32), known


def _in_blocks(mask: Mask, size: int) -> Image:
    """Share of each block that a mask takes."""
    rows, cols = (n // size for n in mask.shape)
    part = mask[: rows * size, : cols * size].reshape(rows, size, cols, size)
    return np.asarray(part.mean(axis=(1, 3)), np.float32)


def _to_cells(blocks: Blocks, size: int, shape: tuple[int, ...]) -> Mask:
    """Blocks as cells; the last rows and columns go with the blocks beside them."""
    cells = np.repeat(np.repeat(blocks, size, axis=0), size, axis=1)
    rest = [(0, n - m) for n, m in zip(shape, cells.shape, strict=True)]
    return np.pad(cells, rest, mode="edge")


def _steps(colour: Image) -> tuple[Image, Image]:
    """Largest change of a channel to the block below and to the one on the right."""
    down, right = (np.abs(np.diff(colour, axis=axis)).max(axis=2) for axis in (0, 1))
    return down, right


def _reached(colour: Image, known: Blocks, field: Blocks, level: float) -> Blocks:
    """Blocks linked with the cards' field over calm blocks."""
    smooth = np.asarray(cv2.medianBlur(colour, 3), np.float32)
    # cards and what the photo does not show are no change
    low, high = (np.where(known[..., None], smooth, edge) for edge in (FAR, -FAR))
    square = np.ones((3, 3), np.uint8)
    change = cv2.dilate(high.astype(np.float32), square) - cv2.erode(low.astype(np.float32), square)
    # a block that an edge runs through may look half way: so the change over three blocks counts
    calm = known & (change.max(axis=2) < 2 * level)
    labels, count = ndimage.label(calm)
    inside = np.bincount(labels[field & calm], minlength=count + 1)
    inside[0] = 0
    reached = (inside >= max(0.1 * inside.max(), 1))[labels]
    down, right = _steps(smooth)
    beside = np.zeros(known.shape, np.bool_)
    for one, other, step in (
        (np.s_[:-1], np.s_[1:], down),
        (np.s_[:, :-1], np.s_[:, 1:], right),
    ):
        beside[one] |= reached[other] & (step < level)
        beside[other] |= reached[one] & (step < level)
    return np.asarray((reached | beside) & known, np.bool_)


def _beyond(
    colour: Image, reached: Blocks, known: Blocks, field: Blocks, level: float, block_mm: float
) -> Blocks:
    """Blocks of what is certainly not the sheet."""
    labels, count = ndimage.label(known & ~reached, np.ones((3, 3)))
    padded = np.pad(known, 1)
    rim = known & ~ndimage.binary_erosion(padded, np.ones((3, 3), np.bool_))[1:-1, 1:-1]
    corners = _corners(known)
    beyond = np.zeros(known.shape, np.bool_)
    for k in range(1, count + 1):
        mine = labels == k
        if mine.sum() * block_mm**2 < LEAST_AREA_MM2 or (mine & field).any():
            continue
        along_rim = np.count_nonzero(mine & rim) * block_mm
        if along_rim < LEAST_RIM_MM or not (mine & corners).any():
            continue
        if _edge_share(colour, mine, reached, level) >= EDGE_SHARE:
            beyond |= mine
    return beyond


def _corners(known: Blocks) -> Blocks:
    """Blocks at the corners of what the photo shows, which may stand aslant on the sheet."""
    rows, cols = np.nonzero(known)
    out = np.zeros(known.shape, np.bool_)
    points = np.column_stack([cols, rows]).astype(np.float32)
    hull = cv2.convexHull(points)[:, 0]
    approx = cv2.approxPolyDP(hull, 0.03 * cv2.arcLength(hull, True), True)[:, 0]
    for x, y in approx.astype(int):
        out[max(y - 1, 0) : y + 2, max(x - 1, 0) : x + 2] = True
    return out


def _edge_share(colour: Image, mine: Blocks, reached: Blocks, level: float) -> float:
    """Part of the border with the sheet across which the colour changes clearly."""
    clear = total = 0
    for axis in (0, 1):
        for step in (-1, 1):
            # two blocks on either side: the one at the edge is often half and half
            inner, outer = (np.roll(colour, by, axis) for by in (step, -step))
            at = mine & np.roll(reached, -step, axis)
            change = np.abs(inner - outer).max(axis=2)[at]
            clear += int((change > 2 * level).sum())
            total += int(at.sum())
    return clear / total if total else 0.0
