"""The one height at which several silhouettes of a tool agree best."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import scale
from shapely.geometry.base import BaseGeometry

from tracer.parallax.multi_view.edges import Camera

__all__ = [
    "FLAT_MM",
    "HEIGHTS_MM",
    "OneHeight",
    "at_height",
    "lies_flat",
    "pair_areas",
    "search_height",
]

Array = NDArray[np.float64]

#: heights searched; below the sheet lie mirror images in a glossy one
HEIGHTS_MM = np.arange(-16.0, 101.0, 4.0)
#: height of the edges below which nothing is known to stand up, and how surely it must be known:
#: the thinnest keys of 5 mm are found at 3.2 +/- 0.8
FLAT_MM, FLAT_SIGMA_MM = 0.8, 0.8


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


def lies_flat(one: OneHeight) -> bool:
    """Whether the photos see no height at all where they would see some."""
    return abs(one.z_mm) < FLAT_MM and one.sigma_mm < FLAT_SIGMA_MM


def at_height(region: BaseGeometry, camera: Camera, z_mm: float) -> BaseGeometry:
    """A silhouette on z = 0 carried along its rays to height z (mm), seen from above."""
    k = (camera.height_mm - z_mm) / camera.height_mm
    x, y = (float(v) for v in camera.nadir_mm)
    return scale(region, k, k, origin=(x, y))


def pair_areas(
    regions: Sequence[BaseGeometry],
    cameras: Sequence[Camera],
    z_mm: float,
    frames: Sequence[BaseGeometry] | None = None,
) -> Array:
    """Area (P,) that only one of each two silhouettes covers at height z, mm^2.

    With ``frames`` (what each photo shows of the sheet) a pair is compared only where both see.
    """
    placed = [at_height(r, c, z_mm) for r, c in zip(regions, cameras, strict=True)]
    sights = (
        None
        if frames is None
        else [at_height(f, c, z_mm) for f, c in zip(frames, cameras, strict=True)]
    )
    areas = []
    for i in range(len(placed)):
        for j in range(i):
            one, other = placed[i], placed[j]
            if sights is not None:
                one, other = one.intersection(sights[j]), other.intersection(sights[i])
            common = shapely.intersection(one, other).area
            areas.append(one.area + other.area - 2 * common)
    return np.array(areas)


def search_height(
    regions: Sequence[BaseGeometry],
    cameras: Sequence[Camera],
    heights_mm: Array | None = None,
    frames: Sequence[BaseGeometry] | None = None,
) -> OneHeight:
    """Search the height of least disagreement on a grid (`HEIGHTS_MM`), then by a parabola.

    Parameters
    ----------
    regions, cameras
        Silhouettes on z = 0, two or more, and where they were seen from.
    heights_mm
        Even grid of heights.
    frames
        What each photo shows of the sheet, where one cuts the tool.
    """
    lowest = min(c.height_mm for c in cameras)
    grid = HEIGHTS_MM if heights_mm is None else heights_mm
    grid = grid[grid < 0.6 * lowest]
    coarse = [shapely.make_valid(r.simplify(0.5)) for r in regions]
    pairs = len(coarse) * (len(coarse) - 1) / 2
    edge = float(np.mean([r.length for r in coarse])) * pairs

    def apart(z: float) -> float:
        return float(pair_areas(coarse, cameras, z, frames).sum()) / edge

    cost = np.array([apart(float(z)) for z in grid])
    k = int(np.argmin(cost))
    z, least = float(grid[k]), float(cost[k])
    step = float(grid[1] - grid[0])
    if 0 < k < len(grid) - 1:
        bend = cost[k - 1] - 2 * cost[k] + cost[k + 1]
        if bend > 0:
            z += float(step * 0.5 * (cost[k - 1] - cost[k + 1]) / bend)
            least = min(least, apart(z))
    near = [i for i in (k - 1, k + 1) if 0 <= i < len(grid)]
    curve = max(float(cost[i] - cost[k]) for i in near) / step
    return OneHeight(z, least, 0.1 / curve if curve > 0 else float("inf"))
