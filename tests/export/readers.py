"""Readers that are not ours, for files that are: GDAL's DXF driver."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray

pyogrio = pytest.importorskip("pyogrio", reason="GDAL's DXF driver comes with pyogrio")

__all__ = ["Ring", "rings_by_gdal"]


@dataclass(frozen=True, eq=False)
class Ring:
    """A closed curve as it stands in the file: its layer and its points in their own order."""

    layer: str
    points: NDArray[np.float64]

    @property
    def signed_area(self) -> float:
        """Shoelace formula: positive counter-clockwise."""
        x, y = self.points[:, 0], self.points[:, 1]
        return float(0.5 * np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))


def rings_by_gdal(data: bytes, folder: Path) -> list[Ring]:
    """Curves of a DXF file in its order, arcs opened to half a degree, direction kept."""
    path = folder / "read.dxf"
    path.write_bytes(data)
    os.environ["OGR_ARC_STEPSIZE"] = "0.5"
    meta, _, geometry, fields = pyogrio.raw.read(path)
    names = fields[list(meta["fields"]).index("Layer")]
    found = []
    for name, wkb in zip(names, geometry, strict=True):
        points = shapely.get_coordinates(shapely.from_wkb(wkb))
        assert np.allclose(points[0], points[-1]), "an open curve"
        found.append(Ring(str(name), points))
    return found
