"""A map of how high a tool may be, place by place: a proposal for stepped pockets and wells.

Silhouettes from above say at which height the *edge* is seen, and that nothing sticks out of the
cones they span. The map fills the inside from the edge heights; the cones bound it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely.geometry import Polygon

from tracer.parallax.multi_view.edges import Camera

__all__ = ["HeightMap", "height_map"]

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class HeightMap:
    """Heights over a tool on an even grid; NaN outside the outline.

    Attributes
    ----------
    x_mm, y_mm
        (M,), (N,) grid places on the sheet.
    height_mm
        (N, M) height suggested by the edges near by, never above ``top_mm``.
    top_mm
        (N, M) no photo allows more: above it the tool would show outside its silhouettes.
    """

    x_mm: Array
    y_mm: Array
    height_mm: Array
    top_mm: Array

    def picture(self, top_mm: float | None = None) -> NDArray[np.uint8]:
        """Grey picture (N, M): 0 outside, 40 at the sheet to 255 at ``top_mm``, y up as seen."""
        most = float(np.nanmax(self.height_mm, initial=1.0)) if top_mm is None else top_mm
        with np.errstate(invalid="ignore"):
            grey = 40 + 215 * np.clip(self.height_mm / max(most, 1e-6), 0, 1)
        return np.nan_to_num(grey[::-1], nan=0.0).astype(np.uint8)


def height_map(
    region: Polygon,
    edge_mm: Array,
    edge_height_mm: Array,
    silhouettes: Sequence[Polygon],
    cameras: Sequence[Camera],
    height_mm: float,
    step_mm: float = 2.0,
) -> HeightMap:
    """Heights inside an outline.

    Parameters
    ----------
    region
        Outline seen straight down.
    edge_mm, edge_height_mm
        (N, 2) outline samples and (N,) the upper of the heights their edge is seen at.
    silhouettes, cameras
        What each photo shows of the tool on z = 0.
    height_mm
        The tool's height; caps the map.
    step_mm
        Grid step; wider on large tools, so that the map has about 4000 places at most.
    """
    step_mm = max(step_mm, float(np.sqrt(region.area / 4000)))
    x0, y0, x1, y1 = region.bounds
    x = np.arange(x0 + step_mm / 2, x1 + step_mm / 2, step_mm)
    y = np.arange(y0 + step_mm / 2, y1 + step_mm / 2, step_mm)
    gx, gy = np.meshgrid(x, y)
    shapely.prepare(region)
    inside = shapely.contains_xy(region, gx, gy)
    points = np.column_stack([gx[inside], gy[inside]])
    top = np.full(len(points), float(height_mm))
    for shape, camera in zip(silhouettes, cameras, strict=True):
        top = np.minimum(top, cone_top(points, shape, camera, height_mm))
    filled = np.zeros(len(points))
    if len(points):
        near = min(8, len(edge_mm))
        found = cKDTree(edge_mm).query(points, k=near)
        distance = np.asarray(found[0], np.float64).reshape(-1, near)
        index = np.asarray(found[1], np.intp).reshape(-1, near)
        weight = 1 / (distance + step_mm) ** 2
        filled = (weight * edge_height_mm[index]).sum(axis=1) / weight.sum(axis=1)
    height, most = np.full(gx.shape, np.nan), np.full(gx.shape, np.nan)
    height[inside], most[inside] = np.minimum(filled, top), top
    return HeightMap(x, y, height, most)


def cone_top(
    points: Array, shape: Polygon, camera: Camera, height_mm: float, levels: int = 16
) -> Array:
    """Greatest height (N,) at which each point still falls inside one silhouette.

    The ray's foot of a point at height z moves away from the nadir; the height is the last of
    ``levels`` even steps before it first leaves the silhouette.
    """
    # a point on the solved edge may lie a hair outside
    grown = shape.buffer(0.5).simplify(0.2)
    shapely.prepare(grown)
    away = points - camera.nadir_mm
    top = np.zeros(len(points))
    inside = np.ones(len(points), bool)
    for z in np.linspace(0, height_mm, levels + 1)[1:]:
        foot = points[inside] + z / (camera.height_mm - z) * away[inside]
        inside[inside] = shapely.contains_xy(grown, foot)
        top[inside] = z
    return top
