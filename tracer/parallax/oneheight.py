"""The one height at which several silhouettes of a tool agree best."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import scale
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.parallax.edges import Camera

__all__ = ["OneHeight", "at_height", "disagreement", "search_height"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class OneHeight:
    """Result of the search.

    Attributes
    ----------
    z_mm
        Height of least disagreement; negative for what lies below the sheet, a mirror image.
    apart_mm
        Mean distance between the edges at that height: disagreement over edge length.
    sigma_mm
        How sharply the minimum is determined: the change of height that raises the mean distance
        by 0.1 mm.
    """

    z_mm: float
    apart_mm: float
    sigma_mm: float


def at_height(region: BaseGeometry, camera: Camera, z_mm: float) -> BaseGeometry:
    """A silhouette on z = 0 carried along its rays to height z (mm), seen from above."""
    k = (camera.height_mm - z_mm) / camera.height_mm
    x, y = (float(v) for v in camera.nadir_mm)
    return scale(region, k, k, origin=(x, y))


def disagreement(regions: Sequence[BaseGeometry], cameras: Sequence[Camera], z_mm: float) -> float:
    """Sum over pairs of the area that only one of two silhouettes covers at height z, mm^2."""
    placed = [at_height(r, c, z_mm) for r, c in zip(regions, cameras, strict=True)]
    total = 0.0
    for i, one in enumerate(placed):
        for other in placed[:i]:
            common = shapely.intersection(one, other).area
            total += one.area + other.area - 2 * common
    return total


def search_height(
    regions: Sequence[Polygon],
    cameras: Sequence[Camera],
    heights_mm: Array | None = None,
) -> OneHeight:
    """Search the height of least disagreement on a grid (default 0 .. 60 by 4), then a parabola.

    Needs two silhouettes or more. The minimum over a grid with any positive lowest height is
    taken as it is: a tool lying flat may well end at 0.
    """
    grid = np.arange(0.0, 61.0, 4.0) if heights_mm is None else heights_mm
    coarse = [shapely.make_valid(r.simplify(0.5)) for r in regions]
    pairs = len(coarse) * (len(coarse) - 1) / 2
    edge = float(np.mean([r.length for r in coarse])) * pairs
    cost = np.array([disagreement(coarse, cameras, z) for z in grid]) / edge
    k = int(np.argmin(cost))
    z, least, curve = float(grid[k]), float(cost[k]), 0.0
    if 0 < k < len(grid) - 1:
        step = grid[k] - grid[k - 1]
        bend = cost[k - 1] - 2 * cost[k] + cost[k + 1]
        if bend > 0:
            z += float(step * 0.5 * (cost[k - 1] - cost[k + 1]) / bend)
            least = min(least, disagreement(coarse, cameras, z) / edge)
        curve = float(max(cost[k - 1], cost[k + 1]) - cost[k]) / step
    elif len(grid) > 1:
        near = 1 if k == 0 else k - 1
        curve = float(cost[near] - cost[k]) / abs(float(grid[near] - grid[k]))
    sigma = 0.1 / curve if curve > 0 else float("inf")
    return OneHeight(z, least, sigma)
