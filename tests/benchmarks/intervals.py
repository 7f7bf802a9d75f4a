"""How sure a figure is: intervals by drawing photos or lays again.

What lies in one photo shares its ground and light, so photos are drawn, never single tools
(cluster bootstrap, percentile interval: B. Efron and R. Tibshirani, "An Introduction to the
Bootstrap", 1993, chapter 13).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

import numpy as np

__all__ = ["interval", "share_words"]

T = TypeVar("T")
DRAWS = 2000
LEVEL = 0.95


def interval(
    clusters: Sequence[T], figure: Callable[[Sequence[T]], float], draws: int = DRAWS
) -> tuple[float, float]:
    """The 95 % interval of a figure over clusters; NaN where no draw has the figure.

    Examples
    --------
    >>> interval([(3, 4), (3, 4)], lambda c: sum(a for a, _ in c) / sum(b for _, b in c))
    (0.75, 0.75)
    """
    if not clusters:
        return float("nan"), float("nan")
    rng = np.random.default_rng(1)
    drawn = rng.integers(0, len(clusters), (draws, len(clusters)))
    values = np.array([figure([clusters[k] for k in row]) for row in drawn])
    values = values[np.isfinite(values)]
    if not len(values):
        return float("nan"), float("nan")
    low, high = np.percentile(values, [50 * (1 - LEVEL), 50 * (1 + LEVEL)])
    return float(low), float(high)


def share_words(counts: Sequence[tuple[int, int]]) -> str:
    """``part of whole = share % (interval)`` of (part, whole) per cluster.

    Examples
    --------
    >>> share_words([(3, 4), (3, 4)])
    '6 of 8 = 75 % (75 to 75)'
    """

    def share(some: Sequence[tuple[int, int]]) -> float:
        whole = sum(w for _, w in some)
        return sum(p for p, _ in some) / whole if whole else float("nan")

    part, whole = sum(p for p, _ in counts), sum(w for _, w in counts)
    if not whole:
        return "0 of 0"
    low, high = interval(counts, share)
    digits = 0 if 0.02 < part / whole < 0.98 else 1
    return (
        f"{part} of {whole} = {100 * part / whole:.{digits}f} % "
        f"({100 * low:.{digits}f} to {100 * high:.{digits}f})"
    )
