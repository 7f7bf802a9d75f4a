"""What a reader sees in a cutting file: closed curves, layers and unit, whoever wrote it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = ["ReadCurve", "ReadFile", "without_repeat"]

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class ReadCurve:
    """One curve as a reader sees it.

    ``points`` (N, 2) lie on the curve, the first not repeated where ``closed``. ``kind`` is the
    file's own word for it. ``node_gaps`` are the distances between the file's own vertices.
    """

    layer: str
    kind: str
    points: Array
    closed: bool
    node_gaps: Array = field(default_factory=lambda: np.empty(0))


@dataclass(frozen=True, eq=False)
class ReadFile:
    """What is in a file.

    Attributes
    ----------
    mm_per_unit
        Millimetres per drawing unit, None where the file does not say. Points are *not* scaled.
    version
        The file's version mark.
    curves
        In the file's order.
    others
        Entities that are not curves, by kind: text, hatches, blocks that could not be opened.
    audit_errors, audit_fixes
        Complaints of the library's audit.
    sheet
        Width and height that the file declares, in its units, or None.
    """

    mm_per_unit: float | None
    version: str
    curves: tuple[ReadCurve, ...]
    others: dict[str, int]
    audit_errors: tuple[str, ...] = ()
    audit_fixes: tuple[str, ...] = ()
    sheet: tuple[float, float] | None = None


def without_repeat(points: Array) -> tuple[Array, bool]:
    """Points (N, 2) without a repeated first one, and whether it was repeated."""
    if len(points) > 2 and np.hypot(*(points[0] - points[-1])) < 1e-6:
        return points[:-1], True
    return points, False
