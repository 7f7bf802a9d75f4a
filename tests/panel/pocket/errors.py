"""True edges drawn from the model of errors, written anew for the tests.

The noise is drawn from its covariance matrix, not by filtering, and the best motion is found by
linear programming.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import linprog
from shapely.geometry import Polygon

Array = NDArray[np.float64]


def edge(region: Polygon, spacing_mm: float = 2.5) -> tuple[Array, Array]:
    """Points (N, 2) along the outer ring, and (N, 3) how shift and turn move the edge there."""
    ring = region.exterior if region.exterior.is_ccw else region.exterior.reverse()
    n = int(ring.length / spacing_mm)
    at = np.arange(n) * ring.length / n
    points = shapely.get_coordinates(shapely.line_interpolate_point(ring, at))
    ahead = shapely.get_coordinates(shapely.line_interpolate_point(ring, (at + 0.5) % ring.length))
    back = shapely.get_coordinates(shapely.line_interpolate_point(ring, (at - 0.5) % ring.length))
    along = (ahead - back) / np.hypot(*(ahead - back).T)[:, None]
    normals = np.column_stack([along[:, 1], -along[:, 0]])
    arm = points - points.mean(axis=0)
    lever = normals[:, 1] * arm[:, 0] - normals[:, 0] * arm[:, 1]
    return points, np.column_stack([normals, lever / 50])


def simulated_errors(
    region: Polygon,
    count: int,
    seed: int,
    *,
    near_mm: float = 9.0,
    far_mm: float = 80.0,
    far_share: float = 0.0,
    factor: float = 1.0,
    spread: float = 0.0,
) -> tuple[Array, Array]:
    """Errors (count, N) of unit standard deviation times a tool's factor, and motions (N, 3)."""
    points, moves = edge(region)
    length = region.exterior.length
    at = np.arange(len(points)) * length / len(points)
    apart = np.abs(at[:, None] - at)
    apart = np.minimum(apart, length - apart)
    covariance = (1 - far_share) * np.exp(-apart / near_mm) + far_share * np.exp(-apart / far_mm)
    root = np.linalg.cholesky(covariance + 1e-8 * np.eye(len(at)))
    rng = np.random.default_rng(seed)
    errors = rng.standard_normal((count, len(at))) @ root.T
    return errors * factor * np.exp(spread * rng.standard_normal((count, 1))), moves


def exact_clearance(error: Array, moves: Array) -> float:
    """The linear programme: least t with error - moves x <= t."""
    constraints = np.column_stack([-moves, -np.ones(len(moves))])
    free = [(None, None)] * (moves.shape[1] + 1)
    return float(linprog([0, 0, 0, 1], A_ub=constraints, b_ub=-error, bounds=free).fun)
