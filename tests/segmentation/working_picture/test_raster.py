"""The working picture's grid, and the picture that networks and eyes get."""

from __future__ import annotations

import numpy as np
import pytest

from tracer.model.view import ScaledPicture
from tracer.segmentation.decide.deciding import with_surroundings
from tracer.segmentation.working_picture.raster import LINEAR, Raster, rectify, rectify_srgb


def test_quarters_share_the_cells_area() -> None:
    raster = Raster(10.0, 50.0, 1.0, (30, 20))
    fine = raster.quartered()
    assert fine.shape == (60, 40)
    # a cell's centre is the middle of its quarters' centres, first cell and last
    for cell in (0, 19):
        quarters = fine.to_sheet([(2 * cell, 2 * cell), (2 * cell + 1, 2 * cell + 1)])
        assert quarters.mean(axis=0) == pytest.approx(raster.to_sheet([(cell, cell)])[0])


def test_a_window_has_its_cells_where_the_whole_has_them() -> None:
    raster = Raster(10.0, 50.0, 0.7, (30, 20))
    part = raster.window(slice(4, 19), slice(6, 20))
    assert part.shape == (15, 14)
    np.testing.assert_allclose(part.to_sheet([(0, 0), (3, 8)]), raster.to_sheet([(6, 4), (9, 12)]))


@pytest.mark.parametrize(
    ("rows", "cols"), [((100, 150), (210, 230)), ((0, 300), (31, 32)), ((95, 97), (399, 400))]
)
def test_the_sheet_keeps_its_surroundings(rows: tuple[int, int], cols: tuple[int, int]) -> None:
    """At least 32 cells on every side where there are so many, from a multiple of 32 on."""
    domain = np.zeros((300, 400), bool)
    domain[slice(*rows), slice(*cols)] = True
    for part, (first, end), size in zip(
        with_surroundings(domain), (rows, cols), domain.shape, strict=True
    ):
        assert part.start % 32 == 0
        assert part.start == 0 or 32 <= first - part.start < 64
        assert part.stop == min(end + 32, size)


def test_without_a_sheet_everything_is_looked_at() -> None:
    assert with_surroundings(np.zeros((30, 40), bool)) == (slice(0, 30), slice(0, 40))


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


def test_srgb_picture_is_mirrored_beyond_the_photo() -> None:
    """A ramp that ends at the photo's rim runs back: no dark rim, near it or far away."""
    ramp = np.repeat(np.linspace(60, 200, 400)[None, :], 200, axis=0)
    pixels = np.repeat(np.round(ramp)[..., None], 3, axis=2).astype(np.uint8)
    plane = ScaledPicture("p", (400, 200), 0.25)
    srgb = rectify_srgb(pixels, plane, Raster(-20.0, 70.0, 0.5, (180, 280)))
    assert srgb.min() >= 60
    row = srgb[90, :, 0].astype(int)
    np.testing.assert_allclose(row[:40][::-1], row[40:80], atol=1)


def test_strips_leave_no_seam() -> None:
    """Rows of a tall picture, which is made in strips, run on without a step."""
    pixels = np.repeat(np.linspace(20, 230, 1200)[:, None], 40, axis=1)
    pixels = np.repeat(np.round(pixels)[..., None], 3, axis=2).astype(np.uint8)
    plane = ScaledPicture("p", (40, 1200), 0.5)
    whole = rectify_srgb(pixels, plane, Raster(1.0, 598.0, 0.5, (1150, 30)))
    steps = np.diff(whole[:, 15, 0].astype(int))
    assert set(np.unique(steps)) <= {0, 1}
