"""Training parts that need torch: photo effects, targets, export."""

from __future__ import annotations

import io
import math
import multiprocessing as mp
import shutil

import cv2
import numpy as np
import pytest
from PIL import Image

torch = pytest.importorskip("torch", reason="needs the learning extra")

from tracer.learning.network.net import INPUTS, OUTPUTS, SilhouetteNet, grown  # noqa: E402
from tracer.learning.network.targets import Targets, directions, prepare, symmetry  # noqa: E402
from tracer.learning.renderer.effects import (  # noqa: E402
    fallen_shade,
    jpeg,
    local_tone,
    photograph,
    smoothed,
    srgb,
)
from tracer.learning.renderer.ray_caster import Renderer  # noqa: E402
from tracer.learning.scenes.lays import random_lay  # noqa: E402
from tracer.learning.training.pool import Apart, Pool, rendered  # noqa: E402
from tracer.learning.training.train import beyond_rim, varied  # noqa: E402


def test_srgb_matches_the_standard() -> None:
    """IEC 61966-2-1: linear 0.2140 is sRGB 0.5, linear 0.0031308 is 0.04045."""
    found = srgb(torch.tensor([0.21404114, 0.0031308, 1.0]))
    np.testing.assert_allclose(found, [0.5, 0.04045, 1.0], atol=1e-4)


@pytest.mark.parametrize("quality", [60, 90])
def test_jpeg_quantises_as_libjpeg_does(quality: int) -> None:
    """On a grey picture only the luminance table counts; libjpeg through Pillow is the reference.

    Tolerance: a coefficient close to half a step may fall either way, and libjpeg rounds samples
    and transform to integers; together under one grey level rms.
    """
    noise = np.random.default_rng(1).random((64, 64)).astype(np.float32)
    grey = cv2.normalize(cv2.GaussianBlur(noise, (0, 0), 1.5), None, 0.1, 0.9, cv2.NORM_MINMAX)
    grey = np.round(grey * 255).astype(np.uint8)
    ours = jpeg(
        torch.tensor(grey / 255.0).float().expand(1, 3, 64, 64), torch.full((1, 1, 1, 1), quality)
    )
    buffer = io.BytesIO()
    Image.fromarray(grey).save(buffer, "JPEG", quality=quality)
    theirs = np.asarray(Image.open(buffer), float)
    rms = np.sqrt(np.mean((ours[0, 1].numpy() * 255 - theirs) ** 2))
    assert rms < 1.0
    assert np.sqrt(np.mean((grey - theirs) ** 2)) > 1.5 * rms  # the loss itself is larger


def test_photograph_halves_and_stays_in_range() -> None:
    torch.manual_seed(0)
    found = photograph(torch.rand(3, 3, 64, 64))
    assert found.shape == (3, 3, 32, 32)
    assert 0 <= float(found.min()) <= float(found.max()) <= 1


def test_noise_reduction_is_the_guided_filter() -> None:
    """He, Sun, Tang 2013, section 3.2: flat patches become their mean, edges stay.

    A step far above the noise keeps its height; noise far below the strength loses most of its
    deviation.
    """
    torch.manual_seed(3)
    x = torch.full((1, 3, 32, 64), 0.2)
    x[..., 32:] = 0.8
    found = smoothed(x + 0.01 * torch.randn_like(x), torch.full((1, 1, 1, 1), 0.05))
    assert float(found[..., 8:24].std()) < 0.004
    assert float(found[..., 33:36].mean() - found[..., 28:31].mean()) > 0.57


def test_local_tone_lifts_shade_and_leaves_even_light_alone() -> None:
    even = torch.full((1, 3, 64, 64), 0.4)
    power = torch.full((1, 1, 1, 1), 0.5)
    torch.testing.assert_close(local_tone(even, power), even, rtol=1e-4, atol=1e-5)
    halves = torch.full((1, 3, 256, 256), 0.8)
    halves[..., :128] = 0.1
    found = local_tone(halves, power)
    assert float(found[..., 0].mean()) > 0.12
    assert float(found[..., -1].mean()) < 0.75
    torch.testing.assert_close(local_tone(halves, 0 * power), halves)


def test_fallen_shade_takes_its_share_on_one_side() -> None:
    """Far inside the shade ``1 - depth`` is left, far outside all; depth 0 changes nothing."""
    torch.manual_seed(5)
    x = torch.full((24, 3, 64, 64), 0.5)
    depth = torch.full((24, 1, 1, 1), 0.6)
    torch.testing.assert_close(fallen_shade(x, 0 * depth), x)
    left = fallen_shade(x, depth) / x
    assert float(left.max()) <= 1
    assert float(left.min()) == pytest.approx(0.4, abs=0.15)  # the tint is 8 % of the depth
    sharp = left.amax((1, 2, 3)) - left.amin((1, 2, 3)) > 0.4  # both sides within the picture
    assert int(sharp.sum()) > 6
    for one in left[sharp]:
        assert float(one.amax()) > 0.9


def test_slender_parts_and_gaps_weigh_more() -> None:
    """A bar of 20 cells with a slot of 4, a rod of 4 and a slab of 30 beside it: away from edges.

    Up to 6 cells weigh 1.5 more, up to 20 cells 1 more: parts of tools and gaps alike.
    """
    ids = torch.zeros(1, 64, 128, dtype=torch.uint8)
    ids[0, 10:54, 5:25] = 1
    ids[0, 20:44, 13:17] = 0
    ids[0, 10:54, 37:42] = 2
    ids[0, 10:54, 66:96] = 3
    kinds = torch.full((1, 256), 3)
    kinds[0, 1:4] = 0
    cover = torch.stack([ids[0] > 0, torch.zeros(64, 128)], -1)[None].float()
    cover = cover.repeat_interleave(2, 1).repeat_interleave(2, 2)
    far = torch.full((1, 64, 128), 99.0)
    t = prepare(ids, cover, far, -torch.ones(1, 64, 128), kinds, torch.full((1, 256), 20.0))
    w = t.weight[0]
    assert float(w[30, 9]) == 2.0  # inside the bar's sound part of 8 cells
    assert float(w[30, 39]) == 3.5  # the rod's middle
    assert float(w[30, 15]) == 4.5  # the slot's middle, which lies beside a tool as well
    assert float(w[30, 31]) == 3.0  # open sheet between the two
    assert float(w[30, 81]) == 1.0  # inside the slab of 30 cells
    assert float(w[30, 48]) == 2.0  # open sheet of 24 cells, beside the rod
    assert float(w[30, 120]) == 1.0  # open sheet far from all


def test_beyond_its_rim_a_picture_is_its_own_mirror_image() -> None:
    """Rims along the columns, through the middle: NumPy's reversal is the reference."""
    picture = torch.rand(1, 3, 8, 8)
    found, inside = beyond_rim(picture, 0.0, 0.0)
    np.testing.assert_allclose(found[..., :4], picture[..., :4])
    np.testing.assert_allclose(found[..., 4:], picture.numpy()[..., :4][..., ::-1], atol=1e-6)
    np.testing.assert_array_equal(inside[0, 0, 0], [1, 1, 1, 1, 0, 0, 0, 0])
    found, inside = beyond_rim(picture, math.pi / 2, 0.0)  # up: what lies above the middle goes
    np.testing.assert_allclose(
        found[..., :4, :], picture.numpy()[..., 4:, :][..., ::-1, :], atol=1e-5
    )
    assert float(inside[0, 0, 3].sum()) == 0 and float(inside[0, 0, 4].sum()) == 8


def test_a_rim_leaves_nothing_to_learn_beyond_it() -> None:
    """In many batches some tiles end early; there no target counts, and elsewhere all do."""
    g = torch.Generator().manual_seed(4)
    ones, t = torch.ones(64, 32, 32), torch.ones(64, 64, 64)
    targets = Targets(t, ones, ones, ones, 0.5 * ones, ones, ones)
    _, found, seen = varied(torch.rand(64, 3, 64, 64), torch.zeros(64, 2, 32, 32), targets, g)
    cut = seen.mean((1, 2)) < 1
    assert 0 < int(cut.sum()) < 20
    np.testing.assert_array_equal(found.weight, seen)
    np.testing.assert_array_equal(found.fraction, torch.where(seen > 0, 0.5, -1.0))


def test_contact_lies_between_two_tools_only() -> None:
    ids = torch.zeros(1, 40, 40, dtype=torch.uint8)
    ids[0, 10:30, 5:15], ids[0, 10:30, 17:27] = 1, 2
    ids[0, 10:30, 29:36] = 3  # a cable
    kinds = torch.full((1, 256), 3)
    kinds[0, 1:4] = torch.tensor([0, 0, 1])
    cover = torch.stack([(ids[0] == 1) | (ids[0] == 2), ids[0] == 3], -1)[None].float()
    far = torch.full((1, 40, 40), 99.0)
    cover = cover.repeat_interleave(2, 1).repeat_interleave(2, 2)
    t = prepare(ids, cover, far, -torch.ones(1, 40, 40), kinds, torch.full((1, 256), 20.0))
    columns = t.contact[0, 20].nonzero().ravel()
    assert (int(columns.min()), int(columns.max())) == (15, 16)
    assert t.cable[0, 20, 32] == 1
    assert t.fine.shape == (1, 80, 80)
    assert t.fine[0, 40, 64] == 0
    assert t.fine[0, 40, 20] == 1


def test_direction_field_turns_with_the_picture() -> None:
    """A field that points away from the middle still does after any turn and mirror."""
    x = torch.arange(8.0) - 3.5
    field = torch.stack(torch.broadcast_tensors(x[None], -x[:, None]))[None]
    for turn in range(4):
        for mirror in (False, True):
            torch.testing.assert_close(directions(field, turn, mirror), field)
    picture = torch.arange(12.0).view(1, 3, 4)
    assert symmetry(picture, 1, False)[0, :, 0].tolist() == [3.0, 2.0, 1.0, 0.0][:4]


def test_exported_network_answers_as_the_trained_one(tmp_path) -> None:  # type: ignore[no-untyped-def]
    pytest.importorskip("onnx")
    from tracer.learning.network.export import export

    torch.manual_seed(0)
    net = SilhouetteNet().eval()
    torch.save(net.state_dict(), tmp_path / "w.pt")
    export(tmp_path / "w.pt", tmp_path / "m.onnx")
    x = np.random.default_rng(0).random((1, INPUTS, 64, 96)).astype(np.float32)
    engine = cv2.dnn.readNetFromONNX(np.frombuffer((tmp_path / "m.onnx").read_bytes(), np.uint8))
    engine.setInput(x)
    found = engine.forward()
    with torch.no_grad():
        wanted = torch.sigmoid(net(torch.from_numpy(x))).numpy()
    assert found.shape == (1, OUTPUTS, 64, 96)
    # weights are stored as float16: 2^-11 relative each
    np.testing.assert_allclose(found, wanted, atol=2e-3)


def _answers(net: torch.nn.Module, x: torch.Tensor) -> torch.Tensor:
    with torch.no_grad():
        return net.eval()(x)


def test_a_deeper_network_starts_with_its_forerunners_answers() -> None:
    """New residual blocks have no effect at first: the answers are the same bits."""
    torch.manual_seed(0)
    deep = SilhouetteNet()
    for block in (deep.again, deep.last, deep.bottom[4]):
        torch.nn.init.zeros_(block.two[1].weight)
    new = ("again.", "last.", "bottom.4.")
    smaller = {k: v for k, v in deep.state_dict().items() if not k.startswith(new)}
    other = SilhouetteNet()
    x = torch.rand(1, INPUTS, 64, 64)
    assert not torch.equal(_answers(other, x), _answers(deep, x))
    other.load_state_dict(grown(smaller))
    torch.testing.assert_close(_answers(other, x), _answers(deep, x), rtol=0, atol=0)


needs_compiler = pytest.mark.skipif(
    not (shutil.which("g++") or shutil.which("clang++")), reason="no C++ compiler"
)


@needs_compiler
def test_oldest_tiles_of_the_pool_give_way() -> None:
    """Three tiles and three more in room for four: the first two of six are gone."""
    lays = [random_lay(np.random.default_rng(k), 64) for k in range(6)]
    tiles = rendered(Renderer(False), lays, "cpu")
    pool = Pool(4, 64, "cpu")
    for part in (slice(0, 3), slice(3, 6)):
        pool.add({name: values[part] for name, values in tiles.items()})
    assert (pool.count, pool.at) == (4, 2)
    picture, field, t = pool.batch(torch.tensor([2, 3, 0, 1]), drop=0.0)
    np.testing.assert_array_equal(picture, tiles["picture"][2:].float() / 255)
    np.testing.assert_array_equal(t.fine, tiles["fine"][2:].float())
    for lay, ways in zip(lays[2:], field.numpy(), strict=True):
        x, y, height = (float(v) for v in lay.scene["cam"])
        # cell (10, 50) lies at x = 50 - 32, y = 32 - 10 mm
        np.testing.assert_allclose(ways[:, 10, 50], [(18 - x) / height, (22 - y) / height], 1e-4)


@needs_compiler
def test_a_renderer_apart_gives_the_same_targets() -> None:
    """Targets do not depend on who renders; the picture's noise is drawn anew."""
    context = mp.get_context("spawn")
    queue = context.Queue()
    lays = [random_lay(np.random.default_rng(k), 64) for k in range(2)]
    source = Apart(context, queue, 2, 64, "cpu")
    try:
        assert source.fetch(wait=False) is None
        queue.put(lays)
        found = source.fetch(wait=True)
    finally:
        source.process.terminate()
    wanted = rendered(Renderer(False), lays, "cpu")
    assert found is not None
    for name in ("fine", "flags", "fraction", "weight", "tall", "field"):
        np.testing.assert_array_equal(found[name], wanted[name])
