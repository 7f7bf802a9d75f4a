"""Linear equations of samples round a ring, each tied to its nearest two on either side."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded

__all__ = ["CyclicBand"]

Array = NDArray[np.float64]


class CyclicBand:
    """Normal equations of samples round a ring, three unknowns each, as one banded system.

    A ring's matrix has entries in its far corners. Taking the samples in the order
    0, N-1, 1, N-2, ... brings every neighbour within two places and every second neighbour within
    four, so that a plain banded Cholesky solves the ring in linear time.
    """

    width = 12

    def __init__(self, count: int) -> None:
        j = np.arange(count)
        self.count = count
        self.place = np.where(j < (count + 1) // 2, 2 * j, 2 * (count - 1 - j) + 1)

    def _put(self, band: Array, one: Array, other: Array, value: Array) -> None:
        low, high = np.minimum(one, other), np.maximum(one, other)
        np.add.at(band, (high - low, low), value)

    def solve(
        self, diagonal: Array, next_edge: Array, next_heights: Array, second_edge: Array, rhs: Array
    ) -> Array:
        """Solve for (N, 3).

        ``diagonal`` (N, 3, 3) per sample; ``next_edge`` (N,) and ``next_heights`` (N, 2) couple
        the edge and the two heights of samples j and j + 1, ``second_edge`` (N,) the edge of
        samples j and j + 2.
        """
        p = 3 * self.place
        band = np.zeros((self.width + 1, 3 * self.count))
        for r in range(3):
            for c in range(r + 1):
                self._put(band, p + r, p + c, diagonal[:, r, c])
        after, second = np.roll(p, -1), np.roll(p, -2)
        self._put(band, p, after, next_edge)
        self._put(band, p + 1, after + 1, next_heights[:, 0])
        self._put(band, p + 2, after + 2, next_heights[:, 1])
        self._put(band, p, second, second_edge)
        right = np.empty(3 * self.count)
        for r in range(3):
            right[p + r] = rhs[:, r]
        out = solveh_banded(band, right, lower=True, overwrite_ab=True, overwrite_b=True)
        return np.stack([out[p + r] for r in range(3)], axis=-1)
