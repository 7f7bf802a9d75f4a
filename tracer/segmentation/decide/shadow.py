"""Hard shadows: told from tools by lying on the same side of all of them.

Under a small lamp a shadow ends as sharply as a tool, so a sharp edge proves nothing. But the
ground in shadow keeps one fraction of its light all over the lay, and its free border faces one
way: away from the lamp, since on the other side lies the tool that throws it. A tool of the same
tone has free borders all round, or, beside its own shadow, towards the lamp. So regions of one
tone that hang together, *patches*, are asked for the side that their free border faces. And right
beyond a hard shadow the sheet is fully lit: where it darkens softly there, the light is soft, and
what is dark and sharp is a tool.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from tracer.segmentation.decide.regions import Partition
from tracer.segmentation.working_picture.components import highest, label_cells
from tracer.segmentation.working_picture.raster import Image, Mask

__all__ = ["HardShadow", "find_hard_shadow"]

Array = NDArray[np.float64]

DEPTHS = np.arange(-3.4, -0.25, 0.05)
SIDES_RAD = np.radians(np.arange(0.0, 360.0, 10.0))
ONE_TONE = 0.2  # log light between neighbouring regions of one patch
BAND, WIDE_BAND = 0.2, 0.5  # log light: patches that vote for one shadow, and that may belong to it
CLOSED_COST = 0.15  # what each cell of border says against, whichever way it faces
LEAST_VOTE_MM = 25.0
FACING = 0.25  # of a full circle's cosine: within 75 degrees of the shadow's side
LEAST_ONE_SIDED, LEAST_NEAR = 0.4, 0.15  # resultant of a patch's normals; a closed one has 0
STEPS = ((1, 1), (1, -1), (0, 1), (0, -1))  # axis and step of the four neighbours
BEYOND_MM = 4.0
DARKEST_BEYOND = -0.15  # log light
LEAST_TOOLS = 2  # pieces that must agree on side and depth
LEAST_OF_PIECE_MM = 8.0
MOST_OF_PIECE = 0.8  # a shadow needs something that throws it


@dataclass(frozen=True, eq=False)
class HardShadow:
    """Regions (count,) in hard shadow, its log depth, and its direction in cells (x, y)."""

    regions: NDArray[np.bool_]
    depth: float
    direction: tuple[float, float]


def find_hard_shadow(
    parts: Partition,
    tool: NDArray[np.bool_],
    candidates: NDArray[np.bool_],
    depth: Array,
    light: Image,
    domain: Mask,
    mm: float,
) -> HardShadow | None:
    """Find the lay's hard shadow among regions taken for tool.

    Parameters
    ----------
    tool
        (count,) regions taken for tool so far.
    candidates
        (count,) those that might be shadow by colour and smoothness.
    depth
        (count,) mean log light against the sheet.
    light
        (rows, columns) the same per cell.

    Returns
    -------
    HardShadow or None
        None where no depth and side stand out.
    """
    patches = _patches(parts, tool & candidates, depth, _free_borders(parts, tool, domain))
    best = _common_side(patches)
    if best is None or best[0] * mm < LEAST_VOTE_MM:
        return None
    _, level, ux, uy = best
    along = (patches.x * ux + patches.y * uy) / np.maximum(patches.border, 1) * (4 / np.pi)
    turned = along > FACING * np.hypot(patches.x, patches.y) / np.maximum(patches.border, 1)
    off = np.abs(patches.depth - level)
    taken = turned & (off < WIDE_BAND) & (along > LEAST_ONE_SIDED)
    taken |= turned & (off < BAND) & (along > LEAST_NEAR)
    regions = taken[patches.number] & tool & candidates
    pieces, piece_of, _ = label_cells(tool[parts.labels])
    piece = highest(parts.labels, piece_of, parts.count).astype(np.int64)
    area = np.bincount(piece, parts.area * tool, pieces)
    share = np.bincount(piece, parts.area * regions, pieces) / np.maximum(area, 1)
    regions &= share[piece] < MOST_OF_PIECE
    facing = np.bincount(piece, patches.free * regions * np.maximum(along, 0)[patches.number])
    agreeing = int(np.sum(facing * mm > LEAST_OF_PIECE_MM))
    if agreeing < min(LEAST_TOOLS, pieces - 1) or not regions.any():
        return None
    if _light_beyond(parts, tool, regions, light, domain, mm) < DARKEST_BEYOND:
        return None
    return HardShadow(regions, level, (ux, uy))


@dataclass(frozen=True, eq=False)
class _Patches:
    """Connected regions of one tone.

    ``number`` (regions,) the patch of each region; ``free`` (regions,) its steps of border to
    ground. Per patch: mean log ``depth``, sum of the outward steps ``x``, ``y`` across its border
    to ground and their number ``border``; all 0 for patches without any.
    """

    number: NDArray[np.integer]
    free: Array
    depth: Array
    x: Array
    y: Array
    border: Array


def _patches(
    parts: Partition,
    use: NDArray[np.bool_],
    depth: Array,
    borders: tuple[Array, Array, Array],
) -> _Patches:
    a, b = parts.first, parts.second
    joined = use[a] & use[b] & (parts.openness > 0.5 * parts.length)
    joined &= np.abs(depth[a] - depth[b]) < ONE_TONE
    n = parts.count
    links = sparse.csr_array((np.ones(int(joined.sum())), (a[joined], b[joined])), shape=(n, n))
    count, number = connected_components(links, directed=False)
    area = np.bincount(number, parts.area * use, count)
    mean = np.bincount(number, parts.area * use * depth, count) / np.maximum(area, 1)
    x, y, border = (np.asarray(np.bincount(number, v * use, count), np.float64) for v in borders)
    return _Patches(number, borders[2] * use, mean, x, y, border)


def _common_side(patches: _Patches) -> tuple[float, float, float, float] | None:
    """Vote, log depth and direction (x, y) of the side that patches of one depth face."""
    have = patches.border > 2
    if not have.any():
        return None
    # a slanted border counts its steps both ways: up to 4 / pi too long on average
    steps = np.column_stack([patches.x, patches.y])[have] * (4 / np.pi)
    depth, border = patches.depth[have], patches.border[have]
    sides = np.column_stack([np.cos(SIDES_RAD), np.sin(SIDES_RAD)])
    votes = np.maximum(steps @ sides.T, 0) - CLOSED_COST * border[:, None]
    near = np.abs(depth[None, :] - DEPTHS[:, None]) < BAND
    score = near.astype(float) @ votes
    level, side = np.unravel_index(int(np.argmax(score)), score.shape)
    x, y = sides[side]
    return float(score[level, side]), float(DEPTHS[level]), float(x), float(y)


def _free_borders(
    parts: Partition, tool: NDArray[np.bool_], domain: Mask
) -> tuple[Array, Array, Array]:
    """Per region: sum of the outward steps (x, y) across its border to ground, and their number."""
    x, y, n = (np.zeros(parts.count) for _ in range(3))
    taken, ground = _inner_and_ground(parts, tool, domain)
    for axis, step in STEPS:
        beside = np.roll(ground, -step, axis)
        hit = np.bincount(parts.labels[taken & beside], minlength=parts.count)
        n += hit
        if axis == 1:
            x += step * hit
        else:
            y += step * hit
    return x, y, n


def _inner_and_ground(parts: Partition, tool: NDArray[np.bool_], domain: Mask) -> tuple[Mask, Mask]:
    taken = tool[parts.labels]
    # step over the edge's own ramp, whose cells are neither
    ground = cv2.dilate((domain & ~taken).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    return taken & ~ground, ground


def _light_beyond(
    parts: Partition,
    tool: NDArray[np.bool_],
    regions: NDArray[np.bool_],
    light: Image,
    domain: Mask,
    mm: float,
) -> float:
    """Median log light of the ground a little beyond the free border of regions."""
    inner, ground = _inner_and_ground(parts, tool, domain)
    inner &= regions[parts.labels]
    free = domain & ~tool[parts.labels]
    away = round(BEYOND_MM / mm) + 2
    found = []
    for axis, step in STEPS:
        at = inner & np.roll(ground, -step, axis)
        beyond = np.roll(free, -away * step, axis)
        found.append(np.roll(light, -away * step, axis)[at & beyond])
    all_light = np.concatenate(found)
    return float(np.median(all_light)) if len(all_light) else -np.inf
