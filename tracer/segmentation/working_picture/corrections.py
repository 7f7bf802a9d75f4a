"""Makers' corrections brought onto the raster."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tracer.model.view import PlaneMap
from tracer.segmentation.working_picture.options import Correction, Frame, Mark
from tracer.segmentation.working_picture.raster import Raster

__all__ = ["marks_on"]

Array = NDArray[np.float64]


def marks_on(
    raster: Raster, plane: PlaneMap, corrections: Sequence[Correction], mark: Mark
) -> list[Array]:
    """Corrections of one kind as (N, 2) arrays of (column, row).

    Px corrections of other photos, and marks that lie outside the raster, are skipped.
    """
    out = []
    for c in corrections:
        if c.mark is not mark:
            continue
        points = np.asarray(c.points, np.float64).reshape(-1, 2)
        if c.frame is Frame.PHOTO:
            if c.photo_id is not None and c.photo_id != plane.photo_id:
                continue
            points = plane.to_sheet(points)
        cells = raster.to_cells(points)
        rows, cols = raster.shape
        inside = (cells >= 0).all(axis=1) & (cells[:, 0] < cols) & (cells[:, 1] < rows)
        if inside.any():
            out.append(cells)
    return out
