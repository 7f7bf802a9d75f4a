"""The working picture's grid, and the picture that networks and eyes get."""

from __future__ import annotations

import numpy as np
import pytest

from tracer.model.view import ScaledPicture
from tracer.segmentation.raster import LINEAR, Raster, rectify, rectify_srgb


def test_quarters_share_the_cells_area() -> None:
    raster = Raster(10.0, 50.0, 1.0, (30, 20))
    fine = raster.quartered()
    assert fine.shape == (60, 40)
    # a cell's centre is the middle of its quarters' centres, first cell and last
    for cell in (0, 19):
        quarters = fine.to_sheet([(2 * cell, 2 * cell), (2 * cell + 1, 2 * cell + 1)])
        assert quarters.mean(axis=0) == pytest.approx(raster.to_sheet([(cell, cell)])[0])


def test_srgb_picture_agrees_with_the_linear_one() -> None:
    """On a smooth picture both are the same light; tolerance: 8-bit steps and curvature."""
    y, x = np.mgrid[0:400, 0:600]
    grey = 40 + 0.2 * x + 0.1 * y
    pixels = np.repeat(np.round(grey)[..., None], 3, axis=2).astype(np.uint8)
    plane = ScaledPicture("p", (600, 400), 0.25)
    raster = Raster(-5.0, 105.0, 0.5, (220, 320))
    linear, seen = rectify(pixels, plane, raster)
    srgb = rectify_srgb(pixels, plane, raster)
    inner = seen.copy()
    inner[1:] &= seen[:-1]
    inner[:-1] &= seen[1:]
    inner[:, 1:] &= seen[:, :-1]
    inner[:, :-1] &= seen[:, 1:]
    assert inner.any()
    np.testing.assert_allclose(LINEAR[srgb[inner]], linear[inner], atol=0.015)
    far = ~seen
    far[1:] &= ~seen[:-1]
    far[:-1] &= ~seen[1:]
    assert far.any()
    assert srgb[far][:, 0].min() == 0


def test_strips_leave_no_seam() -> None:
    """Rows of a tall picture, which is made in strips, run on without a step."""
    pixels = np.repeat(np.linspace(20, 230, 1200)[:, None], 40, axis=1)
    pixels = np.repeat(np.round(pixels)[..., None], 3, axis=2).astype(np.uint8)
    plane = ScaledPicture("p", (40, 1200), 0.5)
    whole = rectify_srgb(pixels, plane, Raster(1.0, 598.0, 0.5, (1150, 30)))
    steps = np.diff(whole[:, 15, 0].astype(int))
    assert set(np.unique(steps)) <= {0, 1}
