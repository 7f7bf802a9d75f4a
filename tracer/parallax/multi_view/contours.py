"""Rings and contours on the sheet: their directions, crossings with short lines.

A ring (`tracer.geometry.closed_rings`), here in mm, has the tool on its left: exteriors run
counter-clockwise, holes clockwise. The normal then always points away from the tool, out of an
exterior and into a hole. A *contour* is all edges of one tool in one photo, cut
into segments, ready to be searched.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.geometry.closed_rings import normals, resample

__all__ = ["NORMAL_SMOOTH", "Contour", "Crossings", "rings_of", "turns"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

#: standard deviation, in samples, of the smoothing of normals: a single sample's noise must not
#: turn the direction in which an edge is looked for
NORMAL_SMOOTH = 1.5


def rings_of(region: Polygon) -> list[Array]:
    """Exterior (counter-clockwise), then the holes (clockwise), each (N, 2) in mm."""
    turned = shapely.orient_polygons(region)
    return [
        np.asarray(ring.coords, np.float64)[:-1, :2]
        for ring in (turned.exterior, *turned.interiors)
        if len(ring.coords) > 3
    ]


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
    shares
        Per ring (N, 2): the share of the tool's height at which the learned model sees the edge at
        its points, and its standard deviation; NaN where it says nothing. None: nowhere.

    Attributes
    ----------
    start_mm, end_mm, normal
        (K, 2) segments and their normals, away from the tool.
    sigma_mm
        (K,) standard deviation across the edge.
    share, share_sigma
        (K,) what the learned model says of the edge's height; NaN where nothing.
    """

    def __init__(
        self,
        rings: Sequence[Array],
        sigmas_mm: Sequence[Array],
        spacing_mm: float = 0.7,
        keep: BaseGeometry | None = None,
        shares: Sequence[Array] | None = None,
    ) -> None:
        parts: list[tuple[Array, ...]] = []
        told = [np.full((len(r), 2), np.nan) for r in rings] if shares is None else shares
        for ring, sigma, share in zip(rings, sigmas_mm, told, strict=True):
            if len(ring) < 3:
                continue
            points, spread, *some = resample(ring, spacing_mm, sigma, *share.T)
            n = normals(points, NORMAL_SMOOTH)
            middle = n + np.roll(n, -1, axis=0)
            middle /= np.maximum(np.linalg.norm(middle, axis=1, keepdims=True), 1e-12)
            both = np.maximum(spread, np.roll(spread, -1))
            parts.append((points, np.roll(points, -1, axis=0), middle, both, *some))
        if parts:
            columns = [np.concatenate(column) for column in zip(*parts, strict=True)]
        else:
            columns = [np.empty((0, 2))] * 3 + [np.empty(0)] * 3
        if keep is not None and len(columns[0]):
            shapely.prepare(keep)
            inside = shapely.contains_xy(keep, *(0.5 * (columns[0] + columns[1])).T)
            columns = [column[inside] for column in columns]
        start, end, normal, sigma, share, share_sigma = columns
        self.start_mm: Array = start
        self.end_mm: Array = end
        self.normal: Array = normal
        self.sigma_mm: Array = sigma
        self.share: Array = share
        self.share_sigma: Array = share_sigma
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
