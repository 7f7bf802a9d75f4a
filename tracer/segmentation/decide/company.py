"""Photos of one lay that see for each other: features of one carried into another's frame.

What a photo holds at 2 and at 8 mm is kept (`Witness`). For a reference, the others' features are
looked up as if all that they show lay at one height, for a few heights: between two rectified
photos that is a scaling and a shift. What they say together goes to the deciding network, in any
number and order. The same is done on the GPU in `tracer.learning.network.joint`, which also says
where the way comes from.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.segmentation.working_picture.raster import Image, Raster

__all__ = ["HEIGHTS_MM", "LEVELS", "Features", "Witness", "company"]

HEIGHTS_MM = (0.0, 6.0, 14.0, 28.0, 55.0)
LEVELS = (2, 8)  # cells of the raster along one side of a feature's cell
SHIFT_MM = 20.0  # the unit in which shifts are told
LOWEST = 2.0  # a camera lower than twice a height tells nothing at it
WHOLE = 0.99  # of a looked-up place's surroundings that must have been seen

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Features:
    """What a photo holds at one level: (C, rows, columns), and (rows, columns) 1 where it sees.

    Half precision is enough for both, and eight photos are held at a time.
    """

    values: NDArray[np.floating]
    seen: NDArray[np.floating]


@dataclass(frozen=True, eq=False)
class Witness:
    """One photo as the others use it.

    Attributes
    ----------
    raster
        Its working picture's; features cover it, and up to 31 cells more below and to the right.
    levels
        Features by level, as `LEVELS` has them.
    foot_mm, height_mm
        Foot point of its camera on the sheet (x, y), and height.
    """

    raster: Raster
    levels: tuple[Features, ...]
    foot_mm: tuple[float, float]
    height_mm: float


def company(
    own: Witness, others: Sequence[Witness], level: int, window: tuple[slice, slice]
) -> Image:
    """Others' features in a window of the reference's, (heights (2 C + 2), rows, columns).

    For each height: mean of the others, mean squared difference from the reference's own features,
    share of the others that see the place, mean length of the shift over `SHIFT_MM`.

    Parameters
    ----------
    level
        Index into `LEVELS`.
    window
        Of the reference's features at that level.
    """
    times = LEVELS[level]
    mine = own.levels[level].values[:, window[0], window[1]].astype(np.float32)
    _, rows, cols = mine.shape
    x, y = _middles(own.raster, times, window)
    found = []
    for z in HEIGHTS_MM:
        mean, apart = np.zeros_like(mine), np.zeros_like(mine)
        count, length = (np.zeros((rows, cols), np.float32) for _ in range(2))
        for other in others:
            if other.height_mm < LOWEST * z or own.height_mm < LOWEST * z:
                continue
            to_x, to_y = (_seen_from(at, own, other, axis, z) for axis, at in enumerate((x, y)))
            values, seen = _looked_up(other, level, to_x, to_y)
            weight = (seen > WHOLE).astype(np.float32)
            mean += values * weight
            apart += np.square(values - mine) * weight
            count += weight
            length += weight * np.hypot((to_x - x)[None], (to_y - y)[:, None]).astype(np.float32)
        scale = 1 / np.maximum(count, 1)
        share = count / max(len(others), 1)
        found += [mean * scale, apart * scale, share[None], (length * scale / SHIFT_MM)[None]]
    return np.concatenate(found).astype(np.float32)


def _middles(raster: Raster, times: int, window: tuple[slice, slice]) -> tuple[Array, Array]:
    """Sheet x of the window's columns and y of its rows, middles of features' cells, mm."""
    rows, cols = (np.arange(w.start, w.stop) * times + (times - 1) / 2 for w in window)
    return (
        raster.x0_mm + cols * raster.mm_per_cell,
        raster.y0_mm - rows * raster.mm_per_cell,
    )


def _seen_from(at: Array, own: Witness, other: Witness, axis: int, z_mm: float) -> Array:
    """Where another camera sees, on the sheet, a point at ``z_mm`` that the own sees at ``at``."""
    above = at - z_mm * (at - own.foot_mm[axis]) / own.height_mm
    return above + (above - other.foot_mm[axis]) * z_mm / (other.height_mm - z_mm)


def _looked_up(witness: Witness, level: int, x_mm: Array, y_mm: Array) -> tuple[Image, Image]:
    """Features and seen share at a grid of places, linear between middles, nothing outside."""
    raster, times = witness.raster, LEVELS[level]
    cols = ((x_mm - raster.x0_mm) / raster.mm_per_cell - (times - 1) / 2) / times
    rows = ((raster.y0_mm - y_mm) / raster.mm_per_cell - (times - 1) / 2) / times
    features = witness.levels[level]
    near_rows, near_cols = (
        _around(at, size) for at, size in zip((rows, cols), features.seen.shape, strict=True)
    )
    values, seen = (
        _between(
            _between(maps[:, near_rows, near_cols], rows - near_rows.start, 1),
            cols - near_cols.start,
            2,
        )
        for maps in (features.values, features.seen[None])
    )
    return values, seen[0]


def _around(at: Array, size: int) -> slice:
    """The places' cells, one more on each side, as far as there are such; one at least."""
    first = int(np.clip(np.floor(at.min()) - 1, 0, size - 1))
    return slice(first, int(np.clip(np.ceil(at.max()) + 2, first + 1, size)))


def _between(values: NDArray[np.floating], at: Array, axis: int) -> Image:
    """Linear interpolation along one axis of (C, rows, columns); zero outside."""
    size = values.shape[axis]
    first = np.floor(at).astype(int)
    share = (at - first).astype(np.float32)
    shape = [1, 1, 1]
    shape[axis] = len(at)
    total = None
    for index, weight in ((first, 1 - share), (first + 1, share)):
        inside = (index >= 0) & (index < size)
        part = np.take(values, np.clip(index, 0, size - 1), axis) * (weight * inside).reshape(shape)
        total = part if total is None else total + part
    assert total is not None
    return np.asarray(total, np.float32)
