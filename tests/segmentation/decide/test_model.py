"""The shipped network: the right file, sane answers, no seams between tiles."""

from __future__ import annotations

import hashlib
from itertools import pairwise

import cv2
import numpy as np
import pytest

from tracer.errors import TracerError
from tracer.model.view import ScaledPicture
from tracer.segmentation.decide import answers, tiling
from tracer.segmentation.decide.answers import MODELS, load_network, model_bytes
from tracer.segmentation.decide.learned import camera_offset
from tracer.segmentation.decide.tiling import LARGEST_TILE, OVERLAP
from tracer.segmentation.working_picture.raster import Raster


def dark_bar_on_paper(rows: int, cols: int, shade: float = 0.25) -> np.ndarray:
    """A dark bar of 20 x 160 cells, with grain, on light paper; two pixels a cell.

    ``shade`` is how much darker the paper is right beside the bar: a thing takes light from the
    sheet at its foot, a print does not.
    """
    noise = np.random.default_rng(3).normal(0, 0.01, (2 * rows, 2 * cols, 1))
    picture = np.full((2 * rows, 2 * cols, 3), 0.8) + noise
    foot = np.zeros((2 * rows, 2 * cols), np.float32)
    foot[200:240, 120:440] = 1
    picture *= 1 - shade * cv2.GaussianBlur(foot, (0, 0), 4)[..., None]
    picture[200:240, 120:440] = np.array([0.15, 0.16, 0.2]) + noise[200:240, 120:440]
    return (picture.clip(0, 1) * 255).astype(np.uint8)


@pytest.mark.parametrize(("name", "sha256"), MODELS)
def test_files_are_the_released_ones_and_small(name: str, sha256: str) -> None:
    data = model_bytes(name, sha256)
    assert hashlib.sha256(data).hexdigest() == sha256
    assert len(data) <= 8_000_000


def test_damaged_file_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(TracerError) as caught:
        answers._checked(model_bytes(*MODELS[0])[:-1], MODELS[0][1])
    assert caught.value.slug == "model-damaged"


def test_finds_a_dark_bar_on_paper_and_nothing_else() -> None:
    picture = dark_bar_on_paper(256, 288)
    found = load_network().answer(picture, np.zeros((256, 288, 2), np.float32))
    bar = np.zeros((256, 288), bool)
    bar[100:120, 60:220] = True
    tool = found.tool > 0.5
    assert (tool & bar).sum() / (tool | bar).sum() > 0.9
    fine, wide = found.fine > 0.5, bar.repeat(2, 0).repeat(2, 1)
    assert (fine & wide).sum() / (fine | wide).sum() > 0.93
    for maps in (found.tool, found.contact, found.cable, found.rim, found.height):
        assert maps.shape == (256, 288)
        assert maps.min() >= 0
        assert maps.max() <= 1


def test_a_bar_without_a_foot_is_a_print() -> None:
    """The same dark bar, but that the paper beside it is as bright as anywhere."""
    picture = dark_bar_on_paper(256, 288, shade=0.0)
    found = load_network().answer(picture, np.zeros((256, 288, 2), np.float32))
    assert (found.tool > 0.5).mean() < 0.001


def test_tiles_leave_no_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    """A picture in two tiles gives the same decisions as whole.

    The bar lies across both tiles' rims. A few cells on its edge may turn, since the network's
    view reaches beyond the tiles' overlap.
    """
    picture = dark_bar_on_paper(192, 384)
    offset = np.zeros((192, 384, 2), np.float32)
    network = load_network()
    whole = network.answer(picture, offset).tool > 0.5
    monkeypatch.setattr(tiling, "LARGEST_TILE", 192 * 224)
    assert tiling.tiling(192, 384) == (([0], 192), ([0, 160], 224))
    parts = network.answer(picture, offset).tool > 0.5
    assert whole.sum() > 2800
    assert (whole != parts).sum() < 0.01 * whole.sum()


@pytest.mark.parametrize("rows", [1, 31, 576, 577, 960, 1087, 1399])
@pytest.mark.parametrize("cols", [1, 512, 700, 1089, 2300])
def test_tiles_cover_everything_with_overlap(rows: int, cols: int) -> None:
    ways = tiling.tiling(rows, cols)
    assert ways[0][1] * ways[1][1] <= LARGEST_TILE
    for (starts, tile), length in zip(ways, (rows, cols), strict=True):
        assert starts[0] == 0
        assert starts[-1] + tile >= length
        assert all(s % 32 == 0 for s in (*starts, tile))
        assert all(b - a <= tile - OVERLAP + 32 for a, b in pairwise(starts))
        assert all(s < length for s in starts)


def test_picture_without_camera_has_no_offset() -> None:
    raster = Raster(0.0, 30.0, 1.0, (40, 50))
    offset = camera_offset(ScaledPicture("p", (100, 80), 0.5), raster)
    assert offset.shape == (40, 50, 2)
    assert not offset.any()


class Echo:
    """An engine whose four tool answers are the red of the four quarters that it was given."""

    def setInput(self, stack: np.ndarray) -> None:
        self.stack = stack

    def forward(self) -> np.ndarray:
        return np.concatenate([self.stack[:, :4], np.zeros_like(self.stack[:, :5])], axis=1)


def test_quarters_come_back_where_the_picture_has_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """Through cutting into tiles and quarters and back, over several tiles."""
    network = answers.Network([])
    network._nets = [Echo(), Echo()]
    monkeypatch.setattr(tiling, "LARGEST_TILE", 64 * 448)
    rows, cols = 50, 736
    picture = np.random.default_rng(2).integers(0, 256, (2 * rows, 2 * cols, 3), np.uint8)
    found = network.answer(picture, np.zeros((rows, cols, 2), np.float32))
    np.testing.assert_allclose(found.fine, picture[..., 0] / 255, atol=1e-5)


def test_what_is_filled_up_is_the_picture_mirrored_quarter_by_quarter() -> None:
    """A tile of 40 x 50 cells filled up to 64 x 64: laid out again, NumPy's own mirror image."""
    picture = np.random.default_rng(4).integers(0, 256, (80, 100, 3), np.uint8)
    stack = tiling.tile_input(picture, np.zeros((40, 50, 2), np.float32), np.s_[0:40, 0:50])
    light = stack[0, :12].reshape(3, 2, 2, 64, 64).transpose(3, 1, 4, 2, 0).reshape(128, 128, 3)
    wanted = np.pad(picture, ((0, 48), (0, 28), (0, 0)), mode="symmetric")
    np.testing.assert_allclose(light, wanted / 255, atol=1e-6)


class Compass:
    """An engine that says whether the red grows the way that the camera's offset points."""

    def setInput(self, stack: np.ndarray) -> None:
        red, way = stack[0, 0], stack[0, 12:]
        rows, cols = np.gradient(red)
        along = [cols * way[0] > 0, rows * -way[1] > 0]  # y of the sheet runs up
        self.maps = np.zeros((1, 9, *red.shape), np.float32)
        self.maps[0, 4], self.maps[0, 5] = along

    def forward(self) -> np.ndarray:
        return self.maps


def test_each_look_is_told_where_its_camera_stands() -> None:
    """Mirrored and turned, the picture and the ways still belong together."""
    network = answers.Network([])
    network._nets = [Compass(), Compass()]
    y, x = np.mgrid[:96, :112]
    picture = np.repeat((x - y + 110)[..., None], 3, axis=2).astype(np.uint8)
    offset = np.ones((48, 56, 2), np.float32)
    found = network.answer(picture, offset)
    assert found.contact.min() == found.cable.min() == 1
    found = network.answer(picture, offset * np.float32([-1, 1]))
    assert (found.contact.max(), found.cable.min()) == (0, 1)


def test_looks_are_averaged_and_laid_back() -> None:
    """The looks at a picture are one look at each of its mirrored versions (NumPy's flips)."""
    picture = dark_bar_on_paper(128, 160)
    offset = np.random.default_rng(1).normal(0, 0.2, (128, 160, 2)).astype(np.float32)
    models = [model_bytes(*model) for model in MODELS]
    singles = [answers.Network([data], looks=[(0, False, False)]) for data in models]
    mean = np.zeros((256, 320))
    for who, down, across in answers.LOOKS:
        axes = [axis for axis, flip in enumerate((down, across)) if flip]
        way = np.flip(offset, axes) * np.float32([-1 if across else 1, -1 if down else 1])
        seen = singles[who].answer(np.ascontiguousarray(np.flip(picture, axes)), way)
        mean += np.flip(seen.fine, axes) / 4
    found = answers.Network(models).answer(picture, offset).fine
    np.testing.assert_allclose(found, mean, atol=1e-3)
    for one in singles:
        assert np.abs(one.answer(picture, offset).fine - mean).max() > 0.01


def test_a_look_that_takes_the_ground_for_the_thing_does_not_count() -> None:
    first = np.zeros((1, 9, 40, 50), np.float32)
    first[:, :4, 10:20, 10:30] = 0.9
    near, turned = first.copy(), first.copy()
    near[:, :4, 20:24, 10:30] = 0.6  # a twenty-fifth of the tile otherwise
    turned[:, :4] = 1 - first[:, :4]
    assert answers._agreed([first, near, turned]) == pytest.approx((first + near) / 2)
    assert answers._agreed([first, turned]) == pytest.approx(first)
