"""The working picture: the photo laid on the sheet at a fixed scale, in linear light.

Region decisions are made here, at about 1 mm per pixel. Edges are never measured here: they come
from the photo's own pixels (`tracer.segmentation.edge.refine`).

Vocabulary: a *raster* is a grid of square cells on the sheet, rows counted from the far (large y)
side as in a picture. Cell (0, 0)'s centre lies at (``x0_mm``, ``y0_mm``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from tracer.model.view import PlaneMap

__all__ = [
    "LINEAR",
    "Raster",
    "WorkingPicture",
    "disc",
    "fit_raster",
    "in_quarters",
    "paint",
    "rectify",
    "rectify_srgb",
    "working_picture",
]

Array = NDArray[np.float64]
Image = NDArray[np.float32]
Mask = NDArray[np.bool_]
_T = TypeVar("_T", bound=np.generic)

MAX_CELLS = 1_800_000  # bounds time and memory on a very large lay
LEAST_REACH_MM = 250.0  # tools may lie this far beyond the cards' hull on any lay
NODE_STEP = 16  # cells between exact evaluations of the map; its curvature costs < 0.01 cell


def _linear_table() -> Image:
    v = np.arange(256) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


#: sRGB value 0..255 to linear light 0..1 (IEC 61966-2-1)
LINEAR = _linear_table()


@dataclass(frozen=True)
class Raster:
    """A grid of cells on the sheet: first cell centre, scale, rows and columns."""

    x0_mm: float
    y0_mm: float
    mm_per_cell: float
    shape: tuple[int, int]

    def to_sheet(self, cells: ArrayLike) -> Array:
        """(N, 2) (column, row) to (N, 2) sheet mm."""
        p = np.asarray(cells, np.float64).reshape(-1, 2)
        return np.column_stack(
            [self.x0_mm + p[:, 0] * self.mm_per_cell, self.y0_mm - p[:, 1] * self.mm_per_cell]
        )

    def to_cells(self, points_mm: ArrayLike) -> Array:
        """(N, 2) sheet mm to (N, 2) (column, row)."""
        p = np.asarray(points_mm, np.float64).reshape(-1, 2)
        return np.column_stack([p[:, 0] - self.x0_mm, self.y0_mm - p[:, 1]]) / self.mm_per_cell

    def window(self, rows: slice, cols: slice) -> Raster:
        """The raster of a window of this one's cells."""
        x, y = self.to_sheet([(cols.start, rows.start)])[0].tolist()
        shape = rows.stop - rows.start, cols.stop - cols.start
        return Raster(x, y, self.mm_per_cell, shape)

    def quartered(self) -> Raster:
        """The raster whose cells are the quarters of this one's."""
        step = self.mm_per_cell / 2
        rows, cols = self.shape
        return Raster(self.x0_mm - step / 2, self.y0_mm + step / 2, step, (2 * rows, 2 * cols))


@dataclass(frozen=True, eq=False)
class WorkingPicture:
    """A photo and the same photo on the sheet.

    Attributes
    ----------
    pixels, plane
        The upright photo and its map to the sheet.
    raster
        The grid on the sheet.
    linear, seen
        The photo on the raster, as `rectify` gives it.
    """

    pixels: NDArray[np.uint8]
    plane: PlaneMap
    raster: Raster
    linear: Image
    seen: Mask


def working_picture(
    pixels: NDArray[np.uint8], plane: PlaneMap, mm_per_cell: float, hull: Polygon | None = None
) -> WorkingPicture:
    """A photo laid on the grid that `fit_raster` chooses for it."""
    raster = fit_raster(plane, mm_per_cell, hull)
    return WorkingPicture(pixels, plane, raster, *rectify(pixels, plane, raster))


def disc(radius_mm: float, mm_per_cell: float) -> NDArray[np.uint8]:
    """A disc of cells, to grow, shrink, open and close masks with."""
    width = 2 * round(radius_mm / mm_per_cell) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width)), np.uint8)


def in_quarters(cells: NDArray[_T]) -> NDArray[_T]:
    """Each cell's value for its four quarters: (rows, columns) to (2 rows, 2 columns)."""
    return np.repeat(np.repeat(cells, 2, axis=0), 2, axis=1)


def fit_raster(plane: PlaneMap, mm_per_cell: float, hull: Polygon | None = None) -> Raster:
    """The grid for a photo.

    It holds the photo's footprint on the sheet. Where that is too large for `MAX_CELLS`, it keeps
    the cell and reaches less far beyond the cards' hull, but at least `LEAST_REACH_MM`; only what
    is too large even so gets coarser cells.
    """
    w, h = plane.size_px
    side = np.linspace(0.0, 1.0, 9)
    rim = np.vstack(
        [
            np.column_stack([side * (w - 1), np.zeros(9)]),
            np.column_stack([side * (w - 1), np.full(9, h - 1.0)]),
            np.column_stack([np.zeros(9), side * (h - 1)]),
            np.column_stack([np.full(9, w - 1.0), side * (h - 1)]),
        ]
    )
    p = plane.to_sheet(rim)
    p = p[np.isfinite(p).all(axis=1)]
    low, high = p.min(axis=0), p.max(axis=0)
    area = MAX_CELLS * mm_per_cell**2
    if hull is not None and np.prod(high - low) > area:
        corners = np.asarray(hull.bounds).reshape(2, 2)
        for reach in np.arange(1500.0, LEAST_REACH_MM - 1, -50.0):
            near_low = np.maximum(low, corners[0] - reach)
            near_high = np.minimum(high, corners[1] + reach)
            if np.prod(near_high - near_low) <= area:
                break
        low, high = near_low, near_high
    step = max(mm_per_cell, float(np.sqrt(np.prod(high - low) / MAX_CELLS)))
    cols, rows = ((high - low) / step).astype(int) + 1
    return Raster(float(low[0]), float(high[1]), step, (int(rows), int(cols)))


def rectify(pixels: NDArray[np.uint8], plane: PlaneMap, raster: Raster) -> tuple[Image, Mask]:
    """The photo on the raster.

    Returns
    -------
    linear
        (rows, columns, 3) float32 linear light.
    seen
        (rows, columns) True where the photo covers the cell.
    """
    rows, cols = raster.shape
    nodes, spacing = _nodes(plane, raster)
    shrink = max(1, int(spacing + 0.3))
    small = _shrink(pixels, shrink)
    nodes = (nodes + 0.5) / shrink - 0.5
    maps = [_spread(nodes[..., k], rows, cols) for k in (0, 1)]
    linear = cv2.remap(small, maps[0], maps[1], cv2.INTER_LINEAR, None, cv2.BORDER_REPLICATE)
    sh, sw = small.shape[:2]
    seen = (maps[0] >= -0.5) & (maps[1] >= -0.5) & (maps[0] <= sw - 0.5) & (maps[1] <= sh - 0.5)
    return np.asarray(linear, np.float32), np.asarray(seen, np.bool_)


def rectify_srgb(pixels: NDArray[np.uint8], plane: PlaneMap, raster: Raster) -> NDArray[np.uint8]:
    """The photo on the raster, (rows, columns, 3) sRGB as it is; mirrored beyond its rim.

    For networks, which see in sRGB; light is measured on `rectify`'s picture. A rim of black round
    a close view looks to a network like a pale board on a dark bench, and all of it like a tool; a
    mirrored sheet looks like more sheet.
    """
    rows, cols = raster.shape
    nodes, spacing = _nodes(plane, raster)
    shrink = max(1, int(spacing + 0.3))
    if shrink > 1:
        size = (pixels.shape[1] // shrink, pixels.shape[0] // shrink)
        whole = pixels[: size[1] * shrink, : size[0] * shrink]
        pixels = np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), np.uint8)
    nodes = (nodes + 0.5) / shrink - 0.5
    out = np.empty((rows, cols, 3), np.uint8)
    strip = 16 * NODE_STEP  # the maps of a whole picture would take more memory than the picture
    for top in range(0, rows, strip):
        part = nodes[top // NODE_STEP : (top + strip) // NODE_STEP + 1]
        count = min(strip, rows - top)
        x, y = (_spread(part[..., k], count, cols) for k in (0, 1))
        out[top : top + count] = cv2.remap(pixels, x, y, cv2.INTER_LINEAR, None, cv2.BORDER_REFLECT)
    return out


def _nodes(plane: PlaneMap, raster: Raster) -> tuple[Array, float]:
    """Photo px of every `NODE_STEP`-th cell (r, c, 2), and px between neighbouring cells."""
    rows, cols = raster.shape
    gx, gy = np.meshgrid(
        np.arange(0, cols + NODE_STEP, NODE_STEP), np.arange(0, rows + NODE_STEP, NODE_STEP)
    )
    nodes = plane.to_photo(raster.to_sheet(np.column_stack([gx.ravel(), gy.ravel()])))
    nodes = np.nan_to_num(nodes, nan=-1e6).reshape(*gx.shape, 2)
    spacing = np.linalg.norm(np.diff(nodes, axis=1), axis=-1) / NODE_STEP
    return nodes, float(np.median(spacing))


def _spread(nodes: Array, rows: int, cols: int) -> Image:
    """Bilinear interpolation of node values (every `NODE_STEP` cells) to all cells."""
    at_x, at_y = np.arange(cols) / NODE_STEP, np.arange(rows) / NODE_STEP
    jx, jy = at_x.astype(int), at_y.astype(int)
    ux, uy = (at_x - jx)[None, :], (at_y - jy)[:, None]
    jx1, jy1 = np.minimum(jx + 1, nodes.shape[1] - 1), np.minimum(jy + 1, nodes.shape[0] - 1)
    columns = nodes[:, jx] * (1 - ux) + nodes[:, jx1] * ux
    return np.asarray(columns[jy] * (1 - uy) + columns[jy1] * uy, np.float32)


def _shrink(pixels: NDArray[np.uint8], factor: int) -> Image:
    """Mean over ``factor`` x ``factor`` pixels in linear light, strip by strip."""
    h, w = pixels.shape[0] // factor * factor, pixels.shape[1] // factor * factor
    out = np.empty((h // factor, w // factor, 3), np.float32)
    strip = 64 * factor
    for y in range(0, h, strip):
        part = cv2.LUT(np.ascontiguousarray(pixels[y : min(y + strip, h), :w]), LINEAR)
        size = (out.shape[1], part.shape[0] // factor)
        out[y // factor : y // factor + size[1]] = cv2.resize(
            part, size, interpolation=cv2.INTER_AREA
        )
    return out


def paint(regions: list[BaseGeometry], raster: Raster) -> Mask:
    """True at the cells whose centres lie in one of the regions (sheet mm)."""
    canvas = np.zeros(raster.shape, np.uint8)
    for region in regions:
        parts = region.geoms if isinstance(region, MultiPolygon) else [region]
        for part in parts:
            if isinstance(part, Polygon) and not part.is_empty:
                rings = [
                    np.round(raster.to_cells(np.asarray(r.coords)[:, :2]) * 256).astype(np.int32)
                    for r in (part.exterior, *part.interiors)
                ]
                one = np.zeros(raster.shape, np.uint8)
                cv2.fillPoly(one, rings, 1, shift=8)
                canvas |= one
    return canvas.astype(bool)
