"""A close view of a small thing: the photo's rim is near, and must not pass for a board's."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tracer.model.photo import Photo
from tracer.model.view import ScaledPicture
from tracer.segmentation import segment

MM_PER_PX, RADIUS_MM = 0.2, 8.0


def close_view(size_px: tuple[int, int], seed: int) -> Photo:
    """A dark disc with a soft shadow on a pale sheet that fills the photo."""
    w, h = size_px
    g = np.random.default_rng(seed)
    y, x = np.mgrid[0:h, 0:w].astype(float)
    away = np.hypot(x - 0.45 * w, y - 0.4 * h)
    shade = np.hypot(x - 0.45 * w - 12, y - 0.4 * h - 10)
    light = (175 - 0.02 * x - 0.03 * y) * (1 - 0.35 * np.clip(1 - (shade - 40) / 30, 0, 1))
    light = np.where(away < RADIUS_MM / MM_PER_PX, 50.0, light)
    light = cv2.GaussianBlur(light, (0, 0), 1.0) + g.normal(0, 1.5, (h, w))
    return Photo(
        "p", "p.jpg", np.repeat(light.clip(0, 255)[..., None], 3, 2).astype(np.uint8), None
    )


@pytest.mark.parametrize("size_px", [(480, 640), (640, 480), (500, 500)])
@pytest.mark.parametrize("seed", [0, 1])
def test_a_disc_on_a_sheet_that_fills_the_photo(size_px: tuple[int, int], seed: int) -> None:
    """The disc alone, to 0.4 mm of its radius: with a black rim round the view none was found."""
    found = segment(close_view(size_px, seed), ScaledPicture("p", size_px, MM_PER_PX))
    assert len(found.silhouettes) == 1
    radius = np.sqrt(found.silhouettes[0].region.area / np.pi)
    assert radius == pytest.approx(RADIUS_MM, abs=0.4)
    assert not [c for c in found.checks if c.slug == "something-left-out"]
