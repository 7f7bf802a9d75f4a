"""Shapes as rings for the page."""

from __future__ import annotations

import numpy as np
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

__all__ = ["rings_of"]

SHOWN_MM = 0.08  # simplified for the eye by less than anybody sees on a screen


def rings_of(shape: BaseGeometry) -> list[list[list[float]]]:
    """Rings of a shape in its own mm, outer ones first of their parts, first point not repeated."""
    found = getattr(shape, "geoms", [shape])
    parts = [p for p in found if isinstance(p, Polygon) and not p.is_empty]
    rings = []
    for part in parts:
        slim = part.simplify(SHOWN_MM)
        assert isinstance(slim, Polygon)  # simplifying keeps the topology
        for ring in [slim.exterior, *slim.interiors]:
            rings.append(np.round(np.asarray(ring.coords)[:-1, :2], 2).tolist())
    return rings
