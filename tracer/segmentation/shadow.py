"""Hard shadows: told from tools by lying on the same side of all of them.

Under a small lamp a shadow ends as sharply as a tool, so a sharp edge proves nothing. But the
ground in shadow keeps one fraction of its light all over the lay, and its free border faces one
way: away from the lamp. The borders of tools of any one tone face all ways, since they close.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tracer.segmentation.components import highest, label_cells
from tracer.segmentation.raster import Mask
from tracer.segmentation.regions import Partition

__all__ = ["HardShadow", "find_hard_shadow"]

Array = NDArray[np.float64]

DEPTHS = np.arange(-3.4, -0.25, 0.05)
BAND = 0.25  # log light: spread of one shadow's depth, with what the tools beside it add
LEAST_BORDER_MM = 40.0
LEAST_ONE_SIDED = 0.42  # resultant of the border's normals; a closed shape has 0
LEAST_TOOLS = 2  # pieces that must agree on side and depth
AGREEING_SHARE = 0.3  # of a piece's border on the shadow's side
ROUGHEST_PLAIN, ROUGHEST_GRAINY = 12.0, 2.5  # unevenness of shadow against the bare sheet's


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
    unevenness: Array,
    grain: float,
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
    unevenness
        (count,) local variance of log light over that of the bare sheet.
    grain
        Local deviation of log light on the bare sheet.

    Returns
    -------
    HardShadow or None
        None where no depth and side stand out.
    """
    side_x, side_y, length = _free_borders(parts, tool, domain)
    pieces, piece_of, _ = label_cells(tool[parts.labels])
    piece = highest(parts.labels, piece_of, parts.count).astype(np.int64)
    pieces -= 1
    usable = candidates & tool & (length > 0)
    best: tuple[float, float, float, float] | None = None
    for level in DEPTHS:
        near = usable & (np.abs(depth - level) < BAND)
        total = float(length[near].sum())
        if total * mm < LEAST_BORDER_MM:
            continue
        x, y = float(side_x[near].sum()), float(side_y[near].sum())
        # a slanted border counts its steps both ways: up to 4 / pi too long on average
        one_sided = np.hypot(x, y) / total * (4 / np.pi)
        if one_sided < LEAST_ONE_SIDED:
            continue
        ux, uy = x / np.hypot(x, y), y / np.hypot(x, y)
        along = side_x * ux + side_y * uy
        agree = np.bincount(piece[near], along[near], piece.max() + 1) * mm
        facing = np.bincount(piece, np.maximum(along, 0), piece.max() + 1) * mm
        if np.sum((agree > 8.0) & (agree > AGREEING_SHARE * facing)) < min(LEAST_TOOLS, pieces):
            continue
        score = total * (one_sided - 0.4)
        if best is None or score > best[0]:
            best = (score, float(level), ux, uy)
    if best is None:
        return None
    _, level, ux, uy = best
    along = (side_x * ux + side_y * uy) / np.maximum(length, 1)
    band = candidates & tool & (depth > level - 2 * BAND) & (depth < level + 1.5 * BAND)
    seeds = band & (length > 1) & (along > 0.2)
    regions = _spread(parts, seeds, band)
    if not _even(unevenness[regions], parts.area[regions], level, grain):
        return None
    return HardShadow(regions, level, (ux, uy))


def _even(unevenness: Array, area: Array, level: float, grain: float) -> bool:
    """Whether the quietest tenth is as even as ground in shadow; mirrors and paint are not.

    Noise grows in the dark as light falls (log light, photon noise); grain does not.
    """
    if len(area) == 0:
        return False
    order = np.argsort(unevenness)
    share = np.cumsum(area[order]) / area.sum()
    quiet = float(unevenness[order][np.searchsorted(share, 0.1)])
    grainy = float(np.clip((grain - 0.02) / 0.01, 0, 1))
    limit = (1 - grainy) * ROUGHEST_PLAIN * np.exp(-level) + grainy * ROUGHEST_GRAINY
    return bool(quiet < limit)


def _free_borders(
    parts: Partition, tool: NDArray[np.bool_], domain: Mask
) -> tuple[Array, Array, Array]:
    """Per region: sum of the outward steps (x, y) across its border to ground, and their number."""
    taken = tool[parts.labels]
    # step over the edge's own ramp, whose cells are neither
    ground = cv2.dilate((domain & ~taken).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    taken &= ~ground
    x, y, n = (np.zeros(parts.count) for _ in range(3))
    for axis, step in ((1, 1), (1, -1), (0, 1), (0, -1)):
        beside = np.roll(ground, -step, axis)
        hit = np.bincount(parts.labels[taken & beside], minlength=parts.count)
        n += hit
        if axis == 1:
            x += step * hit
        else:
            y += step * hit
    return x, y, n


def _spread(
    parts: Partition, seeds: NDArray[np.bool_], band: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Grow the seeds through open borders within the band."""
    open_pair = parts.openness > 0.5 * parts.length
    a, b = parts.first[open_pair], parts.second[open_pair]
    grown = seeds.copy()
    for _ in range(12):
        reach = grown.copy()
        reach[b[grown[a]]] = True
        reach[a[grown[b]]] = True
        reach &= band
        if np.array_equal(reach | seeds, grown):
            break
        grown = reach | seeds
    return grown
