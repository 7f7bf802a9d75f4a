"""Rings and contours on the sheet: even samples, outward normals, crossings with short lines.

A *ring* is an (N, 2) array of points in mm, closed, the first point not repeated, with the tool on
its left: exteriors counter-clockwise, holes clockwise. The normal then always points away from the
tool, out of an exterior and into a hole. A *contour* is all edges of one tool in one photo, cut
into segments, ready to be searched.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

__all__ = [
    "Contour",
    "Crossings",
    "normals",
    "resample",
    "rings_of",
    "turns",
]

Array = NDArray[np.float64]
Index = NDArray[np.intp]


def rings_of(region: Polygon) -> list[Array]:
    """Exterior (counter-clockwise), then the holes (clockwise), each (N, 2) in mm."""
    turned = shapely.orient_polygons(region)
    return [
        np.asarray(ring.coords, np.float64)[:-1, :2]
        for ring in (turned.exterior, *turned.interiors)
        if len(ring.coords) > 3
    ]


def arc_lengths(ring: Array) -> Array:
    """Length along a ring up to each point and round to the first, (N + 1,), mm."""
    step = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
    return np.concatenate([[0.0], np.cumsum(step)])


def resample(ring: Array, spacing_mm: float, *carried: Array) -> tuple[Array, ...]:
    """Even samples along a ring, with the values carried at its points interpolated alike.

    Parameters
    ----------
    ring
        (N, 2) points, mm.
    spacing_mm
        Wanted distance between samples; at least eight samples are made.
    carried
        (N,) arrays, one value per point.

    Returns
    -------
    tuple of ndarray
        (M, 2) points, then one (M,) array per carried one.
    """
    s = arc_lengths(ring)
    count = max(8, round(s[-1] / spacing_mm))
    t = np.arange(count) * (s[-1] / count)
    closed = [np.append(v, v[0]) for v in (ring[:, 0], ring[:, 1], *carried)]
    x, y, *rest = (np.interp(t, s, v) for v in closed)
    return (np.column_stack([x, y]), *rest)


def normals(ring: Array, smooth: float = 1.5) -> Array:
    """Unit normals (N, 2) of an even ring, pointing away from the tool.

    ``smooth`` is the standard deviation, in samples, of a Gaussian along the ring: a single
    sample's noise must not turn the direction in which an edge is looked for.
    """
    tangent = np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0)
    tangent = gaussian_filter1d(tangent, smooth, axis=0, mode="wrap")
    length = np.linalg.norm(tangent, axis=1, keepdims=True)
    tangent = tangent / np.maximum(length, 1e-12)
    return np.column_stack([tangent[:, 1], -tangent[:, 0]])


def turns(directions: Array) -> Array:
    """Angle (N,) in radians between each sample's direction and the next one's."""
    after = np.roll(directions, -1, axis=0)
    cross = directions[:, 0] * after[:, 1] - directions[:, 1] * after[:, 0]
    dot = np.sum(directions * after, axis=1)
    return np.asarray(np.abs(np.arctan2(cross, dot)), np.float64)


@dataclass(frozen=True, eq=False)
class Crossings:
    """Where lines through samples meet a contour.

    ``sample`` (C,) and ``segment`` (C,) say which line meets which segment, ``offset_mm`` (C,) how
    far along the line's direction, from its middle.
    """

    sample: Index
    segment: Index
    offset_mm: Array


class Contour:
    """All edges of one tool in one photo, on z = 0.

    Parameters
    ----------
    rings
        Rings of the silhouette, mm.
    sigmas_mm
        Per ring the standard deviation (N,) across the edge at its points.
    spacing_mm
        Length of the segments the rings are cut into.
    keep
        Only segments whose middle lies in this region belong to the contour; the rest (a frame's
        cut, the seam to a neighbour) is no edge of the tool.

    Attributes
    ----------
    start_mm, end_mm, normal
        (K, 2) segments and their normals, away from the tool.
    sigma_mm
        (K,) standard deviation across the edge.
    """

    def __init__(
        self,
        rings: Sequence[Array],
        sigmas_mm: Sequence[Array],
        spacing_mm: float = 0.7,
        keep: BaseGeometry | None = None,
    ) -> None:
        parts: list[tuple[Array, Array, Array, Array]] = []
        for ring, sigma in zip(rings, sigmas_mm, strict=True):
            if len(ring) < 3:
                continue
            points, spread = resample(ring, spacing_mm, sigma)
            n = normals(points)
            middle = n + np.roll(n, -1, axis=0)
            middle /= np.maximum(np.linalg.norm(middle, axis=1, keepdims=True), 1e-12)
            both = np.maximum(spread, np.roll(spread, -1))
            parts.append((points, np.roll(points, -1, axis=0), middle, both))
        if parts:
            start, end, normal, sigma_all = (
                np.concatenate([p[i] for p in parts]) for i in range(4)
            )
        else:
            start = end = normal = np.empty((0, 2))
            sigma_all = np.empty(0)
        if keep is not None and len(start):
            shapely.prepare(keep)
            inside = shapely.contains_xy(keep, *(0.5 * (start + end)).T)
            start, end = start[inside], end[inside]
            normal, sigma_all = normal[inside], sigma_all[inside]
        self.start_mm: Array = start
        self.end_mm: Array = end
        self.normal: Array = normal
        self.sigma_mm: Array = sigma_all
        lines = np.asarray(shapely.linestrings(np.stack([start, end], axis=1)), object)
        self._tree = shapely.STRtree(lines.ravel())

    def __len__(self) -> int:
        return len(self.start_mm)

    def crossings(self, middle_mm: Array, direction: Array, reach_mm: float) -> Crossings:
        """Cut the lines ``middle + d direction``, -reach <= d <= reach, with every segment.

        Parameters
        ----------
        middle_mm, direction
            (N, 2) middles and unit directions.
        reach_mm
            Half the lines' length.
        """
        ends = np.stack(
            [middle_mm - reach_mm * direction, middle_mm + reach_mm * direction], axis=1
        )
        sample, segment = self._tree.query(shapely.linestrings(ends))
        a, b = self.start_mm[segment], self.end_mm[segment]
        n, q = direction[sample], middle_mm[sample]
        along = b - a
        det = n[:, 1] * along[:, 0] - n[:, 0] * along[:, 1]
        with np.errstate(all="ignore"):
            w = a - q
            offset = (w[:, 1] * along[:, 0] - w[:, 0] * along[:, 1]) / det
            share = (n[:, 0] * w[:, 1] - n[:, 1] * w[:, 0]) / det
            ok = (share >= 0) & (share < 1) & (np.abs(offset) <= reach_mm)
        return Crossings(sample[ok], segment[ok], offset[ok])
