"""Circles through points.

References
----------
I. Kasa, A circle fitting procedure and its error analysis, IEEE Trans. Instrum. Meas. 25 (1976),
doi:10.1109/TIM.1976.6312298: least squares of x^2 + y^2 + a x + b y + c = 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Circle", "circle_through"]

#: fewer points fix a circle without showing that there is one
_LEAST_POINTS = 5


@dataclass(frozen=True)
class Circle:
    """Centre, radius, and how far the points lie off it at most."""

    x_mm: float
    y_mm: float
    radius_mm: float
    off_mm: float


def circle_through(points_mm: NDArray[np.float64]) -> Circle | None:
    """The circle that points (N, 2) lie on best; None where they are too few or on a line.

    Points all round give centre and radius without the bias that a short arc would have.

    Examples
    --------
    >>> t = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    >>> c = circle_through(np.column_stack([3 + 2 * np.cos(t), 1 + 2 * np.sin(t)]))
    >>> round(c.x_mm, 9), round(c.y_mm, 9), round(c.radius_mm, 9)
    (3.0, 1.0, 2.0)
    """
    p = np.asarray(points_mm, np.float64)
    if len(p) < _LEAST_POINTS:
        return None
    middle = p.mean(axis=0)
    q = p - middle
    size = float(np.hypot(*q.T).max())
    if size < 1e-9:
        return None
    q = q / size
    system = np.column_stack([q, np.ones(len(q))])
    (a, b, c), _, rank, _ = np.linalg.lstsq(system, -(q**2).sum(axis=1), rcond=1e-9)
    if rank < 3:
        return None
    x, y = -a / 2, -b / 2
    square = x * x + y * y - c
    if square <= 0:
        return None
    radius = math.sqrt(square)
    off = float(np.abs(np.hypot(q[:, 0] - x, q[:, 1] - y) - radius).max())
    return Circle(
        float(middle[0] + x * size), float(middle[1] + y * size), radius * size, off * size
    )
