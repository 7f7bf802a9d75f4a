"""A line drawn by hand near an edge, moved onto the strongest edge beside it.

Along the line, brightness is read across it in the photo's own pixels. The path of steepest
change that bends little is found by dynamic programming over the offsets, then placed between
pixels by a parabola through its neighbours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import gaussian_filter1d, map_coordinates

__all__ = ["SnappedLine", "snap_line"]

Array = NDArray[np.float64]

STEP_PX = 1.5  # along the line; finer than the detail of any drawn line
ACROSS_PX = 0.5
BLUR_PX = 1.0  # of the same order as a phone's point spread: noise falls, edges stay in place
BEND = 0.05  # cost of one sample's side step, in shares of the line's strongest edge
FLAT = 1 / 255  # less than a grey level is no edge
MAX_SIDE = 2  # samples that the edge may step sideways per step along


#: an edge changes brightness by five grey levels at least, and by this many times what is usual
#: beside the line. The best path through the grain of a bare sheet reaches 1.5 to 2.5 times, the
#: weakest of the test's edges 16 times
CLEAR_STEP = 5 / 255
CLEAR_TIMES = 4.0


@dataclass(frozen=True, eq=False)
class SnappedLine:
    """The line on the edge, (N, 2) px, and the mean brightness step across it (0 to 1).

    ``clear`` is False where what was found is as likely the grain of the sheet.
    """

    line_px: Array
    contrast: float
    clear: bool = False


def snap_line(
    pixels: NDArray[np.uint8], line_px: Sequence[Sequence[float]], reach_px: float
) -> SnappedLine:
    """Move a line onto the strongest edge within reach.

    Parameters
    ----------
    pixels
        (H, W, 3) uint8 RGB.
    line_px
        Points of the drawn line, at least two; pixel centres are whole numbers.
    reach_px
        How far to either side the edge may lie.

    Notes
    -----
    Where nothing stands out, the line stays near where it was drawn: a small preference for the
    middle breaks ties.
    """
    line = _resampled(line_px)
    if len(line) < 2:
        return SnappedLine(np.asarray(line_px, np.float64).reshape(-1, 2), 0.0)
    normals = _normals(line)
    count = max(2, round(reach_px / ACROSS_PX))
    offsets = np.arange(-count, count + 1, dtype=np.float64) * ACROSS_PX
    strength = _edge_strength(pixels, line, normals, offsets)
    top = float(strength.max())
    if top < FLAT:
        return SnappedLine(line, 0.0)
    middle = 1 - 0.15 * (offsets / reach_px) ** 2
    path = _best_path(strength / top * middle)
    shift = offsets[path] + _between(strength, path) * ACROSS_PX
    shift = gaussian_filter1d(shift, 1.0, mode="nearest")
    contrast = float(np.mean(strength[np.arange(len(path)), path]))
    usual = float(np.median(strength))
    clear = contrast >= CLEAR_STEP and contrast >= CLEAR_TIMES * usual
    return SnappedLine(line + shift[:, None] * normals, round(min(contrast, 1.0), 3), clear)


def _resampled(line_px: ArrayLike) -> Array:
    """Points a fixed step apart along the line."""
    p = np.asarray(line_px, np.float64).reshape(-1, 2)
    keep = np.r_[True, np.hypot(*np.diff(p, axis=0).T) > 1e-6]
    p = p[keep]
    if len(p) < 2:
        return p
    along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(p, axis=0).T))]
    at = np.linspace(0.0, along[-1], max(2, round(along[-1] / STEP_PX) + 1))
    even = np.column_stack([np.interp(at, along, p[:, 0]), np.interp(at, along, p[:, 1])])
    # a hand trembles by a pixel or two, which would turn the normals about; its ends stay
    smooth = gaussian_filter1d(even, 3.0, axis=0, mode="nearest")
    smooth[[0, -1]] = even[[0, -1]]
    return np.asarray(smooth, np.float64)


def _normals(line: Array) -> Array:
    tangent = gaussian_filter1d(np.gradient(line, axis=0), 2.0, axis=0, mode="nearest")
    length = np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)
    return np.column_stack([-tangent[:, 1], tangent[:, 0]]) / length[:, None]


def _edge_strength(pixels: NDArray[np.uint8], line: Array, normals: Array, offsets: Array) -> Array:
    """(N, M) brightness change per blur width across the line, averaged a little along it."""
    xy = line[:, None, :] + offsets[None, :, None] * normals[:, None, :]
    x0, y0 = np.floor(xy.reshape(-1, 2).min(axis=0)).astype(int) - 2
    x1, y1 = np.ceil(xy.reshape(-1, 2).max(axis=0)).astype(int) + 3
    height, width = pixels.shape[:2]
    x0, y0 = int(np.clip(x0, 0, width - 1)), int(np.clip(y0, 0, height - 1))
    x1, y1 = int(np.clip(x1, x0 + 1, width)), int(np.clip(y1, y0 + 1, height))
    patch = pixels[y0:y1, x0:x1].astype(np.float64) / 255
    total = np.zeros(xy.shape[:2])
    for channel in range(3):
        profile = map_coordinates(
            patch[:, :, channel], [xy[..., 1] - y0, xy[..., 0] - x0], order=1, mode="nearest"
        )
        slope = gaussian_filter1d(profile, BLUR_PX / ACROSS_PX, axis=1, order=1, mode="nearest")
        total += gaussian_filter1d(slope, 1.0, axis=0, mode="nearest") ** 2
    # the outermost samples see the patch's padding, not the photo
    strength = np.sqrt(total / 3) * 2 * BLUR_PX / ACROSS_PX
    strength[:, [0, -1]] = 0
    return np.asarray(strength, np.float64)


def _best_path(gain: Array) -> NDArray[np.intp]:
    """Column per row that gains most, each side step of one column costing `BEND`."""
    rows, columns = gain.shape
    best = gain[0].copy()
    came = np.zeros((rows, columns), np.intp)
    index = np.arange(columns)
    for row in range(1, rows):
        choices = []
        for side in range(-MAX_SIDE, MAX_SIDE + 1):
            source = np.clip(index - side, 0, columns - 1)
            choices.append(best[source] - BEND * abs(side))
        chosen = np.argmax(choices, axis=0)
        came[row] = np.clip(index - (chosen - MAX_SIDE), 0, columns - 1)
        best = np.asarray(choices)[chosen, index] + gain[row]
    path = np.empty(rows, np.intp)
    path[-1] = int(np.argmax(best))
    for row in range(rows - 1, 0, -1):
        path[row - 1] = came[row, path[row]]
    return path


def _between(strength: Array, path: NDArray[np.intp]) -> Array:
    """Part of a sample by which the peak lies beside the path's sample, -0.5 to 0.5."""
    rows = np.arange(len(path))
    inner = np.clip(path, 1, strength.shape[1] - 2)
    left, here, right = (strength[rows, inner + d] for d in (-1, 0, 1))
    bend = left - 2 * here + right
    with np.errstate(all="ignore"):
        shift = np.where(bend < -1e-12, 0.5 * (left - right) / bend, 0.0)
    return np.where(inner == path, np.clip(shift, -0.5, 0.5), 0.0)
