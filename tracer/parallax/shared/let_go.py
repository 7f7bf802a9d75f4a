"""Weights that let go of what lies far off."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["let_go"]

Array = NDArray[np.float64]


def let_go(squares: Array) -> Array:
    """Weights of residuals, given as squares over that at which one counts a quarter.

    S. Geman, D. McClure, "Statistical methods for tomographic image reconstruction", Bulletin of
    the ISI 52-4, 1987.
    """
    return np.asarray(1 / (1 + squares) ** 2, np.float64)
