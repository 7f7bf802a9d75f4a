"""Walls of lines and arcs that meet without a kink, centred on the ring they follow."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from tracer.geometry.arcs import fit_arcs
from tracer.geometry.loops import polygon_of
from tracer.geometry.offset import grown
from tracer.geometry.remembered import remembered
from tracer.geometry.rings import largest_polygon
from tracer.geometry.tangent_arcs import TANGENT_SLACK
from tracer.model.drawing import Loop

__all__ = ["FLAT_MM", "arcs_along", "centred_arcs", "smooth_arcs"]

#: a wall may stand off in the mean by this
_EVEN_MM = 0.003
#: chords of arcs that are looked at as polygons: finer than what is looked for
FLAT_MM = 0.002
#: how much closer fits are tried where arcs cross each other
_CLOSER = (1, 3, 10)
_ATTEMPTS = 4


def arcs_along(region: Polygon, tolerance_mm: float) -> Loop:
    """Lines and arcs within a tolerance of the outer ring of a region, counter-clockwise."""
    return smooth_arcs(np.asarray(orient(region).exterior.coords)[:-1, :2], tolerance_mm)


def smooth_arcs(points_mm: NDArray[np.float64], tolerance_mm: float) -> Loop:
    """Lines and arcs without kinks within a tolerance of a ring (N, 2), in its own sense."""
    # pieces made tangent may lie off by half as much again
    return fit_arcs(points_mm, tolerance_mm / TANGENT_SLACK, tangent=True).loop


@remembered(400)
def centred_arcs(wanted: Polygon, tolerance_mm: float) -> Loop:
    """Lines and arcs along a wall asked for: within the tolerance of it, and centred on it.

    A fit within a tolerance errs to both sides, but rarely evenly; what it errs by in the mean is
    taken off and the fit repeated. The one nearest to even is kept. Where two stretches of the wall
    nearly touch, arcs within the tolerance may cross each other: such a fit does not count, and a
    closer one is tried; in the end the wall itself is given, as straight pieces.
    """
    for closer in _CLOSER:
        shift, least = 0.0, np.inf
        best: Loop | None = None
        for _ in range(_ATTEMPTS):
            loop = arcs_along(largest_polygon(grown(wanted, shift)), tolerance_mm / closer)
            region = polygon_of(loop, FLAT_MM)
            # area over length: the mean of the signed distance, to first order
            error = (region.area - wanted.area) / wanted.exterior.length
            if region.is_valid and abs(error) < least:
                least, best = abs(error), loop
            if abs(error) <= _EVEN_MM:
                break
            shift -= error
        if best is not None:
            return best
    return Loop.polygon(np.asarray(wanted.exterior.coords)[:-1, :2])
