"""Features of other photos are looked up where the cameras see the same point of space.

The places are those of OpenCV's ``projectPoints`` and of `View.to_sheet` at a height, neither of
which shares code with the shift between rectified photos.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tracer.model.view import View
from tracer.segmentation.decide.company import HEIGHTS_MM, LEVELS, Features, Witness, company
from tracer.segmentation.decide.joint import _all_seen
from tracer.segmentation.working_picture.raster import Raster

RASTERS = (Raster(-60.0, 80.0, 1.0, (160, 192)), Raster(-210.0, 190.0, 0.8, (500, 560)))


def a_view(name: str, foot: tuple[float, float], height: float, tilt: float) -> View:
    """A camera above ``foot`` looking down, tilted about x by ``tilt`` radians."""
    turn, _ = cv2.Rodrigues(np.array([np.pi + tilt, 0.0, 0.0]))
    centre = np.array([*foot, height])
    camera = np.array([[3000.0, 0, 2000], [0, 3000, 1500], [0, 0, 1]])
    return View(name, (4000, 3000), camera, np.zeros(5), turn, -turn @ centre)


VIEWS = (a_view("one", (-150.0, 40.0), 1100.0, 0.1), a_view("other", (260.0, -90.0), 1250.0, -0.07))


def ramps(level: int, k: int) -> Witness:
    """A photo whose two features are the sheet's x and y, seen everywhere."""
    raster, times = RASTERS[k], LEVELS[level]
    rows, cols = (-(-n // 32) * 32 // times for n in raster.shape)
    y, x = (np.arange(n) * times + (times - 1) / 2 for n in (rows, cols))
    x_mm, y_mm = np.meshgrid(
        raster.x0_mm + x * raster.mm_per_cell, raster.y0_mm - y * raster.mm_per_cell
    )
    own = Features(np.stack([x_mm, y_mm]).astype(np.float32), np.ones((rows, cols), np.float32))
    view = VIEWS[k]
    return Witness(raster, (own,) * 2, (view.nadir_mm[0], view.nadir_mm[1]), view.height_mm)


@pytest.mark.parametrize("level", [0, 1])
def test_the_same_point_of_space_is_looked_up(level: int) -> None:
    """Linear interpolation is exact on ramps; float32 of 200 mm leaves 2e-5."""
    own, other = ramps(level, 0), ramps(level, 1)
    window = np.s_[2:12, 3:20]
    told = company(own, [other], level, window).reshape(len(HEIGHTS_MM), 6, 10, 17)
    here = own.levels[level].values[:, 2:12, 3:20].reshape(2, -1).T.astype(float)
    one, two = VIEWS
    for z, maps in zip(HEIGHTS_MM, told, strict=True):
        space = np.column_stack([one.to_sheet(one.to_photo(here), z), np.full(len(here), z)])
        pixels, _ = cv2.projectPoints(space, cv2.Rodrigues(two.R)[0], two.t, two.K, np.zeros(5))
        there = two.to_sheet(pixels.reshape(-1, 2))
        np.testing.assert_allclose(maps[:2].reshape(2, -1).T, there, atol=1e-3)
        np.testing.assert_allclose(
            maps[2:4].reshape(2, -1).T, (there - here) ** 2, atol=5e-3, rtol=1e-3
        )
        np.testing.assert_allclose(maps[4], 1)
        length = np.linalg.norm(there - here, axis=1)
        np.testing.assert_allclose(maps[5].ravel(), length / 20.0, atol=1e-4)


def test_what_no_other_sees_is_told_as_unseen() -> None:
    own = ramps(0, 0)
    blind = ramps(0, 1)
    away = Witness(
        Raster(5000.0, 5000.0, 1.0, (160, 192)), blind.levels, blind.foot_mm, blind.height_mm
    )
    told = company(own, [away], 0, np.s_[0:10, 0:10])
    assert not told.any()
    half = company(own, [away, blind], 0, np.s_[0:10, 0:10]).reshape(len(HEIGHTS_MM), 6, 10, 10)
    alone = company(own, [blind], 0, np.s_[0:10, 0:10]).reshape(len(HEIGHTS_MM), 6, 10, 10)
    np.testing.assert_allclose(half[:, 4], 0.5)
    np.testing.assert_array_equal(half[:, :4], alone[:, :4])


def test_the_order_of_the_others_does_not_matter() -> None:
    own = ramps(0, 0)
    g = np.random.default_rng(4)
    others = [
        Witness(
            own.raster,
            (Features(g.normal(size=(2, 80, 96)).astype(np.float32), np.ones((80, 96))),) * 2,
            (float(k * 90), 20.0),
            1000.0 + k,
        )
        for k in range(4)
    ]
    one, back = (company(own, o, 0, np.s_[0:40, 0:40]) for o in (others, others[::-1]))
    np.testing.assert_allclose(one, back, rtol=1e-5, atol=1e-5)


def test_a_camera_too_low_for_a_height_says_nothing_there() -> None:
    own, other = ramps(0, 0), ramps(0, 1)
    low = Witness(other.raster, other.levels, other.foot_mm, 1.9 * HEIGHTS_MM[-1])
    told = company(own, [low], 0, np.s_[0:10, 0:10]).reshape(len(HEIGHTS_MM), 6, 10, 10)
    assert not told[-1].any()
    assert told[0].any()


def test_black_and_what_lies_beyond_the_last_cell_is_not_seen() -> None:
    shown = np.ones((50, 70), bool)
    shown[10, 20] = False
    seen = _all_seen(shown, 8, (8, 12))
    assert seen[1, 2] == 0
    assert seen[6:].sum() == 0
    assert seen[:, 8:].sum() == 0
    assert seen.sum() == 6 * 8 - 1
