"""Places cut out of a photo, against plain slices and block means of it (numpy)."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from tests.desk.test_whole_way import scene
from tracer.pictures.tiles import TilePyramid

W, H = 1000, 700
LOSS = 3.0  # of JPEG at this quality, on average, in a picture of smooth shades


@pytest.fixture
def pyramid() -> TilePyramid:
    y, x = np.mgrid[:H, :W]
    pixels = np.stack([x * 255 // W, y * 255 // H, (x + y) * 255 // (W + H)], axis=-1)
    return TilePyramid(replace(scene().photo, pixels=pixels.astype(np.uint8)))


def cut(pyramid: TilePyramid, box: tuple[int, int, int, int], longest: int) -> np.ndarray:
    data = pyramid.crop(box, longest)
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB"), float)


def test_a_small_place_comes_pixel_for_pixel(pyramid: TilePyramid) -> None:
    found = cut(pyramid, (200, 150, 520, 350), 640)
    wanted = pyramid.photo.pixels[150:350, 200:520].astype(float)
    assert found.shape == wanted.shape
    assert np.abs(found - wanted).mean() < LOSS


@pytest.mark.parametrize("longest", [400, 300, 77])
def test_a_large_one_is_made_smaller_about_the_same_middle(
    pyramid: TilePyramid, longest: int
) -> None:
    box = (100, 40, 900, 640)
    found = cut(pyramid, box, longest)
    assert found.shape[1] == longest and found.shape[0] == round(longest * 600 / 800)
    wanted = pyramid.photo.pixels[40:640, 100:900].astype(float)
    for place in ((slice(0, 2), slice(0, 2)), (slice(1, 2), slice(0, 1))):  # quarters of both
        part = [
            a[slice(s.start * a.shape[0] // 2, s.stop * a.shape[0] // 2),
              slice(t.start * a.shape[1] // 2, t.stop * a.shape[1] // 2)]
            for a in (found, wanted)
            for s, t in (place,)
        ]  # fmt: skip
        assert np.abs(part[0].mean((0, 1)) - part[1].mean((0, 1))).max() < LOSS


def test_what_lies_beyond_the_photo_is_grey(pyramid: TilePyramid) -> None:
    found = cut(pyramid, (-100, -50, 100, 50), 640)
    assert np.abs(found[:40, :90] - 90).mean() < LOSS
    inside = pyramid.photo.pixels[:50, :100].astype(float)
    assert np.abs(found[52:, 102:] - inside[2:, 2:]).mean() < LOSS


@pytest.mark.parametrize(
    "box",
    [(0, 0, 0, 10), (10, 10, 5, 20), (W, 0, W + 10, 10), (0, -20, 10, 0), (0, 0, 2001, 10)],
)
def test_boxes_without_sense_are_refused(
    pyramid: TilePyramid, box: tuple[int, int, int, int]
) -> None:
    with pytest.raises(IndexError):
        pyramid.crop(box, 640)
