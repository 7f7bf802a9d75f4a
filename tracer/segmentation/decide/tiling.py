"""Running a network over a working picture of any size, in overlapping tiles that are blended."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tracer.segmentation.working_picture.raster import Image

__all__ = [
    "MULTIPLE",
    "Window",
    "cropped",
    "mirrored_input",
    "mirrored_maps",
    "stitched",
    "tile_input",
    "tiling",
]

LARGEST_TILE = 480 * 480  # cells; the working memory of each of two networks is then some 200 MB
OVERLAP = 64  # cells shared by neighbours, blended
MULTIPLE = 32  # the network halves five times

Window = tuple[slice, slice]


def stitched(
    shape: tuple[int, int],
    levels: Sequence[int],
    run: Callable[[Window], Sequence[Image]],
    progress: Callable[[float], None] | None = None,
    largest: int | None = None,
) -> list[Image]:
    """Maps of tiles put together, (C, rows, columns) for each of ``levels``.

    Parameters
    ----------
    shape
        Rows and columns of cells.
    levels
        Cells along one side of a value, map by map. Where it is above 1, the map covers ``shape``
        filled up to multiples of `MULTIPLE`.
    run
        Gives the maps (C, height / level, width / level) of a window of cells, which may reach
        beyond the last cell; where the level is 1 those beyond it are left out.
    progress
        Called with 0 to 1.
    largest
        Most cells of a tile; `LARGEST_TILE` if None.
    """
    (tops, height), (lefts, width) = tiling(*shape, largest)
    places = [np.s_[t : t + height, e : e + width] for t in tops for e in lefts]
    canvases = [_Canvas(shape, times) for times in levels]
    for done, window in enumerate(places):
        for canvas, maps in zip(canvases, run(window), strict=True):
            canvas.add(window, maps)
        if progress:
            progress((done + 1) / len(places))
    return [canvas.blended() for canvas in canvases]


class _Canvas:
    """Tiles of one map, faded into each other."""

    def __init__(self, shape: tuple[int, int], times: int) -> None:
        rows, cols = (n if times == 1 else -(-n // MULTIPLE) * MULTIPLE for n in shape)
        self.times = times
        self.weights = np.zeros((rows // times, cols // times), np.float32)
        self.total: Image | None = None

    def add(self, window: Window, maps: Image) -> None:
        channels, rows, cols = maps.shape
        if self.total is None:
            self.total = np.zeros((channels, *self.weights.shape), np.float32)
        top, left = (w.start // self.times for w in window)
        place = np.s_[top : top + rows, left : left + cols]
        fade = np.outer(_fade(rows, self.times), _fade(cols, self.times)).astype(np.float32)
        self.total[:, place[0], place[1]] += maps * fade
        self.weights[place] += fade

    def blended(self) -> Image:
        assert self.total is not None
        self.total /= self.weights
        return self.total


def tile_input(picture: NDArray[np.uint8], offset: Image, window: Window) -> Image:
    """The network's input (1, 14, H, W) for a window, H and W filled up to `MULTIPLE`, mirrored.

    ``picture`` (2 rows, 2 columns, 3) sRGB, ``offset`` (rows, columns, 2) the way from the camera.
    """
    way = offset[window]
    h, w = way.shape[:2]
    top, left = window[0].start, window[1].start
    quarters = picture[2 * top : 2 * (top + h), 2 * left : 2 * (left + w)]
    down, right = -h % MULTIPLE, -w % MULTIPLE
    quarters = np.pad(quarters, ((0, 2 * down), (0, 2 * right), (0, 0)), mode="symmetric")
    way = np.pad(way, ((0, down), (0, right), (0, 0)), mode="edge")
    h, w = way.shape[:2]
    parts = quarters.reshape(h, 2, w, 2, 3).transpose(4, 1, 3, 0, 2).reshape(12, h, w)
    stack = np.concatenate([parts * np.float32(1 / 255), way.transpose(2, 0, 1)])
    return np.ascontiguousarray(stack[None], np.float32)


def cropped(out: ArrayLike, shape: tuple[int, int], window: Window) -> Image:
    """One tile's maps without what was filled up beyond the last cell."""
    h = min(window[0].stop, shape[0]) - window[0].start
    w = min(window[1].stop, shape[1]) - window[1].start
    return np.asarray(out, np.float32)[0, :, :h, :w]


def mirrored_input(stack: Image, down: bool, across: bool) -> Image:
    """A network's input (1, 14, H, W) upside down and mirrored; ways turn round with it."""
    rows, cols = stack.shape[2:]
    quarters, way = stack[0, :12].reshape(3, 2, 2, rows, cols), stack[0, 12:]
    turn = np.array([-1 if across else 1, -1 if down else 1], np.float32)[:, None, None]
    flipped = _mirrored(quarters, down, across).reshape(12, rows, cols)
    both = np.concatenate([flipped, _mirrored(way, down, across) * turn])
    return np.ascontiguousarray(both[None])


def mirrored_maps(maps: ArrayLike, down: bool, across: bool) -> Image:
    """A network's maps (1, 9, H, W) laid back: the first four are a cell's quarters by rows."""
    found = np.asarray(maps, np.float32)[0]
    _, rows, cols = found.shape
    fine = _mirrored(found[:4].reshape(2, 2, rows, cols), down, across)
    rest = _mirrored(found[4:], down, across)
    return np.concatenate([fine.reshape(4, rows, cols), rest])[None]


def _mirrored(x: Image, down: bool, across: bool) -> Image:
    """Maps (..., H, W), or quarters (..., 2, 2, H, W), the quarters' own places with them."""
    v, h = (slice(None, None, -1 if flip else 1) for flip in (down, across))
    return x[..., v, h, v, h] if x.ndim > 3 else x[..., v, h]


def tiling(
    rows: int, cols: int, largest: int | None = None
) -> tuple[tuple[list[int], int], tuple[list[int], int]]:
    """First cells of overlapping tiles that cover so many cells, and the tiles' own length.

    Down, then across; as few cells in all as tiles of at most ``largest`` cells (`LARGEST_TILE`)
    allow. All are multiples of `MULTIPLE`, so that all tiles halve the picture at the same cells.
    """
    down, across = (
        [(count, _tile(length, count)) for count in range(1, length // OVERLAP + 2)]
        for length in (rows, cols)
    )
    ways = (
        (a * h * b * w, a, b)
        for a, h in down
        for b, w in across
        if h * w <= (largest or LARGEST_TILE)
    )
    _, a, b = min(ways)
    return (_starts(rows, a), _tile(rows, a)), (_starts(cols, b), _tile(cols, b))


def _tile(length: int, count: int) -> int:
    return -(-(length + (count - 1) * OVERLAP) // (count * MULTIPLE)) * MULTIPLE


def _starts(length: int, count: int) -> list[int]:
    last = max(0, -(-(length - _tile(length, count)) // MULTIPLE))
    return [round(k * last / max(count - 1, 1)) * MULTIPLE for k in range(count)]


def _fade(length: int, times: int = 1) -> NDArray[np.float64]:
    k = np.arange(length) * times
    return np.clip(np.minimum(k + 1, length * times - k), 0, OVERLAP) / OVERLAP
