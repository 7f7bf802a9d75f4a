"""Several photos: features carried to the right place, alike on both engines, nothing at first."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="needs the learning extra")
pytest.importorskip("onnx", reason="needs the learning extra")

from torch.nn import functional as f  # noqa: E402

from tracer.learning.network import joint  # noqa: E402
from tracer.learning.network.joint import JointNet, Pairs, pooled  # noqa: E402
from tracer.learning.network.net import INPUTS  # noqa: E402
from tracer.learning.renderer.ray_caster import Renderer  # noqa: E402
from tracer.learning.scenes.lays import Lay, random_lay  # noqa: E402
from tracer.learning.scenes.several import seen_from_several  # noqa: E402
from tracer.segmentation.decide import company as numpy_way  # noqa: E402
from tracer.segmentation.decide.company import Features, Witness, company  # noqa: E402
from tracer.segmentation.working_picture.raster import Raster  # noqa: E402

SIZE = 160


def all_pairs(heights: list[float], views: int) -> Pairs:
    one, other = Pairs.of_groups(len(heights), views)
    tall = torch.tensor(heights, dtype=torch.float32)[other]
    return Pairs(
        torch.tensor(one),
        torch.tensor(other),
        torch.ones(len(one)),
        torch.zeros(len(one), 2),
        tall,
    )


def fields(cameras: np.ndarray, cells: int, times: int, step: float) -> np.ndarray:
    """(N, 2, cells, cells) way from each camera (x, y, height) over its height, tile centred."""
    at = (np.arange(cells) * times + (times - 1) / 2 - cells * times / 2) * step
    ways = np.zeros((len(cameras), 2, cells, cells), np.float32)
    for k, (x, y, height) in enumerate(cameras):
        ways[k, 0], ways[k, 1] = (at[None, :] - x) / height, (-at[:, None] - y) / height
    return ways


def mismatches(lay: Lay, views: list[Lay], renderer: Renderer) -> tuple[np.ndarray, np.ndarray]:
    """Of the first view: mismatch of light at each height, (heights, S/2, S/2), and thing ids."""
    tiles, _ = renderer.render(views)
    light = torch.as_tensor(tiles.light).permute(0, 3, 1, 2)
    values = torch.log(f.avg_pool2d(light, 8).clamp(0, 3) + 0.02)
    cameras = np.array([v.scene["cam"] for v in views])
    half = SIZE // 2
    told = pooled(
        values,
        torch.ones(len(views), 1, half, half),
        torch.from_numpy(fields(cameras, half, 2, 1.0)),
        torch.ones(len(views)),
        all_pairs([float(h) for h in cameras[:, 2]], len(views)),
        SIZE,
    )
    parts = told.view(len(views), len(numpy_way.HEIGHTS_MM), 8, half, half).numpy()
    apart, seen = parts[0, :, 3:6].mean(axis=1), parts[0, :, 6]
    apart[:, (seen < 1).any(axis=0)] = np.nan
    return apart, np.asarray(tiles.tool)[0, ::2, ::2]


@pytest.mark.skipif(not shutil.which("g++"), reason="the renderer needs a C++ compiler")
def test_what_lies_flat_agrees_at_no_height_and_what_stands_at_its_own() -> None:
    """Light of rendered lays, three cameras: the renderer shares no code with the shift.

    Sheet: at z = 0 the least, and less than a fifth of the mismatch at 14 mm. Things above 15 mm:
    less at some height than at 0.
    """
    renderer = Renderer(False)
    flat, tall = [], []
    for seed in range(6):
        g = np.random.default_rng([5, seed])
        lay = random_lay(g, SIZE, 1.0)
        apart, ids = mismatches(lay, seen_from_several(lay, 3, g), renderer)
        sheet = apart[:, (ids == 0) & np.isfinite(apart[0])]
        if sheet.size:
            flat.append(np.median(sheet, axis=1))
        for k, thing in enumerate(lay.tools):
            mine = apart[:, (ids == k + 1) & np.isfinite(apart[0])]
            if thing["kind"] == 0 and mine.shape[1] > 150 and thing["hi"][2] > 15:
                tall.append(np.median(mine, axis=1))
    assert len(flat) >= 5
    for z0, *others in flat:
        assert z0 <= min(others)
        assert z0 < 0.2 * others[1]
    assert len(tall) >= 2
    assert all(min(rest) < z0 for z0, *rest in tall)


@pytest.mark.parametrize(("level", "channels"), [(0, 16), (1, 24)])
def test_both_engines_carry_features_alike(level: int, channels: int) -> None:
    """Random features and gaps, three cameras, cells of 0.8 mm; float32 leaves 1e-5 of the size."""
    g = np.random.default_rng(1)
    size, step, times = 96, 0.8, numpy_way.LEVELS[level]
    cameras = np.array([[50.0, -80, 900], [300, 120, 1000], [-200, 100, 850]])
    n, cells = len(cameras), size // times
    values = g.normal(size=(n, channels, cells, cells)).astype(np.float32)
    seen = (g.random((n, cells, cells)) > 0.05).astype(np.float32)
    told = pooled(
        torch.from_numpy(values),
        torch.from_numpy(seen[:, None]),
        torch.from_numpy(fields(cameras, cells, times, step)),
        torch.full((n,), step),
        all_pairs([float(h) for h in cameras[:, 2]], n),
        size,
    ).numpy()
    raster = Raster(-size / 2 * step, size / 2 * step, step, (size, size))
    nothing = Features(np.zeros((1, 1, 1), np.float32), np.zeros((1, 1), np.float32))
    photos = [
        Witness(
            raster,
            (*[nothing] * level, Features(values[k], seen[k])),
            (float(x), float(y)),
            float(height),
        )
        for k, (x, y, height) in enumerate(cameras)
    ]
    for k, own in enumerate(photos):
        others = [p for p in photos if p is not own]
        got = company(own, others, level, np.s_[0:cells, 0:cells])
        np.testing.assert_allclose(got, told[k], atol=5e-4)
        window = company(own, others[::-1], level, np.s_[4:10, 2:9])  # a part, in any order
        np.testing.assert_allclose(window, got[:, 4:10, 2:9], atol=1e-4)


def test_before_training_it_answers_as_for_one_photo() -> None:
    """Fusion adds nothing at first, and nothing ever where no other photo sees."""
    torch.manual_seed(0)
    net = JointNet().eval()
    sheet = torch.rand(2, INPUTS, 64, 64)
    near = torch.rand(2, len(numpy_way.HEIGHTS_MM) * (2 * joint.NEAR + 2), 32, 32)
    deep = torch.rand(2, len(numpy_way.HEIGHTS_MM) * (2 * joint.DEEP + 2), 8, 8)
    with torch.no_grad():
        alone = net.trunk(sheet)
        torch.testing.assert_close(net(sheet, near, deep), alone)
        for p in (*net.near.three.parameters(), *net.deep.three.parameters()):
            p.add_(0.1)
        assert not torch.allclose(net(sheet, near, deep), alone)
        torch.testing.assert_close(net(sheet, 0 * near, 0 * deep), alone)
