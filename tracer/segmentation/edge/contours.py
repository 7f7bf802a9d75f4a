"""Rings between cells and sheet: from a mask to rings in mm, and the normals of noisy ones."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from shapely.geometry import Polygon
from skimage.measure import find_contours

from tracer.geometry.closed_rings import signed_area, to_the_right
from tracer.segmentation.working_picture.raster import Image, Mask, Raster

__all__ = ["mask_rings", "ring_normals"]

Array = NDArray[np.float64]

SMOOTH_CELLS = 0.8  # takes the staircase off a mask's border; the edge itself is measured later


def mask_rings(
    cells: Mask, corner: tuple[int, int], raster: Raster, likely: Image | None = None
) -> list[Array]:
    """Closed rings (N, 2) in sheet mm round a mask: outer ring first, counter-clockwise.

    The last point does not repeat the first. Holes run clockwise. ``likely``, where given, places
    the border between the cells; it never moves it past one.
    """
    grey = cells.astype(np.float32)
    if likely is not None:
        ground = np.where(likely < 0.5, likely, 0.0)  # cells of a neighbour are ground here
        grey = np.where(cells, np.maximum(likely, 0.55), ground).astype(np.float32)
    framed = cv2.copyMakeBorder(grey, 3, 3, 3, 3, cv2.BORDER_CONSTANT, value=0)
    field = cv2.GaussianBlur(framed, (0, 0), SMOOTH_CELLS)
    rings = []
    for c in find_contours(field, 0.5):  # type: ignore[no-untyped-call]
        if len(c) < 8 or not np.array_equal(c[0], c[-1]):
            continue
        cell = np.column_stack([c[:-1, 1] + corner[1] - 3, c[:-1, 0] + corner[0] - 3])
        rings.append(raster.to_sheet(cell))
    if not rings:
        return []
    areas = [signed_area(r) for r in rings]
    order = int(np.argmax(np.abs(areas)))
    outer = rings[order] if areas[order] > 0 else rings[order][::-1]
    frame = Polygon(outer).buffer(0)
    out = [outer]
    for k, ring in enumerate(rings):
        if k == order:
            continue
        hole = Polygon(ring).buffer(0)
        if frame.contains(hole.representative_point()) and np.sign(areas[k]) != np.sign(
            areas[order]
        ):
            out.append(ring if areas[k] < 0 else ring[::-1])
    return out


def ring_normals(ring: ArrayLike, smooth: float = 1.0) -> Array:
    """Unit normals (N, 2) of a closed ring, as `tracer.geometry.closed_rings.normals` has them.

    Of noisy points: the tangent is a mean of chords of several reaches, which takes more jitter off
    than evening out the shortest ones. ``smooth`` is the standard deviation, in points, of the
    Gaussian by which the reaches weigh.
    """
    p = np.asarray(ring, np.float64)
    reach = max(1, round(2 * smooth))
    tangent = np.zeros_like(p)
    for k in range(1, reach + 1):
        weight = np.exp(-0.5 * (k / max(smooth, 1e-6)) ** 2)
        tangent += weight * (np.roll(p, -k, axis=0) - np.roll(p, k, axis=0))
    return to_the_right(tangent)
