"""What a photo of the empty panel teaches of a shop's floors."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.inspection.cells import PocketCells
from tracer.inspection.light import FLOOR

__all__ = ["Learned", "learned_floor"]

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Learned:
    """Linear colours (3,) of the floors over the face's, by the colour that was typed."""

    floors: Mapping[tuple[int, int, int], Array]


def learned_floor(reads: list[PocketCells]) -> Array | None:
    """The floors' colour over the face's in a photo of empty pockets; None where none is seen.

    Its light is that of the best lit tenth, since pockets lie in their own shade.
    """
    found = []
    for read in reads:
        ok = read.cells.core & np.isfinite(read.unlike)
        if ok.any():
            face = np.maximum(np.exp(read.face_log[ok]) - FLOOR, 2e-4)
            found.append(np.maximum(np.exp(read.log_rgb[ok]) - FLOOR, 1e-5) / face)
    if not found:
        return None
    every = np.concatenate(found)
    bright = every.mean(axis=1)
    best = every[bright >= np.quantile(bright, 0.5)]
    tone = np.median(best / best.mean(axis=1, keepdims=True), axis=0)
    return np.asarray(tone * np.quantile(bright, 0.9), np.float64)
