"""Training of several photos: who looks at whom, photos taken alike, and the exported files."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import cv2
import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="needs the learning extra")
pytest.importorskip("onnx", reason="needs the learning extra")

from tracer.learning.network.export import export_joint  # noqa: E402
from tracer.learning.network.joint import DEEP, NEAR, JointNet, Witness  # noqa: E402
from tracer.learning.network.net import INPUTS  # noqa: E402
from tracer.learning.network.restore import restored  # noqa: E402
from tracer.learning.renderer.effects import photographed_alike  # noqa: E402
from tracer.learning.scenes.several import seen_from_several  # noqa: E402
from tracer.learning.training.drawing import draw  # noqa: E402
from tracer.learning.training.train_joint import ALONE, ONE, Groups  # noqa: E402
from tracer.segmentation.decide.answers import MODELS, model_bytes  # noqa: E402
from tracer.segmentation.decide.company import HEIGHTS_MM  # noqa: E402

SHIPPED = Path(str(resources.files("tracer") / "assets" / "models"))


def test_photos_look_at_those_of_their_own_lay_alone() -> None:
    pairs = Groups(3, "cpu").pairs(torch.arange(1000.0, 1009.0), None)
    assert len(pairs.one) == 9 * 2
    assert (pairs.one // 3 == pairs.other // 3).all()
    assert (pairs.one != pairs.other).all()
    torch.testing.assert_close(pairs.height_mm, 1000.0 + pairs.other.float())
    assert not Groups.none(pairs).weight.any()


def test_company_is_drawn_as_often_as_said() -> None:
    """None, one, both: shares of 6 000 photos, three binomial deviations of 0.6 points allowed."""
    g = torch.Generator().manual_seed(1)
    pairs = Groups(3, "cpu").pairs(torch.full((6000,), 1000.0), g)
    others = torch.zeros(6000).index_add(0, pairs.one, pairs.weight)
    for count, share in ((0, ALONE), (1, ONE), (2, 1 - ALONE - ONE)):
        assert float((others == count).float().mean()) == pytest.approx(share, abs=0.02)
    assert float(pairs.slip_mm.std()) == pytest.approx(0.35, rel=0.05)


def test_a_lay_stands_still_while_the_camera_moves() -> None:
    """Scene and things are the same to the byte; baselines are as long as said, or cut short."""
    lays = draw(3, 12, 96, 3)
    for first, *rest in (lays[k : k + 3] for k in range(0, 12, 3)):
        for other in rest:
            np.testing.assert_array_equal(first.tools, other.tools)
            still = other.scene.copy()
            still["cam"] = first.scene["cam"]
            assert still.tobytes() == first.scene.tobytes()
            assert 0 < abs(float(other.scene["cam"][2] / first.scene["cam"][2]) - 1) < 0.4
    g = np.random.default_rng(0)
    assert len(seen_from_several(lays[0], 5, g)) == 5


def test_one_phone_takes_all_photos_of_a_lay_with_noise_of_each() -> None:
    """The same light three times: the same picture but for noise."""
    torch.manual_seed(2)
    light = (torch.rand(1, 3, 16, 16) * 0.5 + 0.2).repeat_interleave(16, 2).repeat_interleave(16, 3)
    found = photographed_alike(light.repeat(3, 1, 1, 1), torch.ones(3), 3)
    one, two = found[0], found[1]
    assert not torch.equal(one, two)
    assert float((one - two).abs().mean()) < 0.03
    assert float((one - photographed_alike(light, torch.ones(1), 1)[0]).abs().mean()) > 0.03


def compare_with_engine(witness: Witness, net: JointNet, folder: Path, atol: float) -> None:
    """Features and answers on noise beside those of the folder's files in OpenCV's engine."""
    torch.manual_seed(4)
    sheet = torch.rand(1, INPUTS, 64, 96)
    told = [
        torch.rand(1, len(HEIGHTS_MM) * (2 * c + 2), 64 // k, 96 // k)
        for c, k in ((NEAR, 2), (DEEP, 8))
    ]
    with torch.no_grad():
        features = witness.eval()(sheet)
        answers = torch.sigmoid(net.eval()(sheet, *told))
    engine = cv2.dnn.readNetFromONNX(str(folder / "witness.onnx"))
    engine.setInput(sheet.numpy())
    near, deep = engine.forward(("near", "deep"))
    np.testing.assert_allclose(near, features.near, atol=atol)
    np.testing.assert_allclose(deep, features.deep, atol=atol)
    engine = cv2.dnn.readNetFromONNX(str(folder / "joint.onnx"))
    for name, value in zip(("sheet", "near", "deep"), (sheet, *told), strict=True):
        engine.setInput(value.numpy(), name)
    np.testing.assert_allclose(engine.forward(), answers, atol=atol)


def test_both_shipped_networks_are_read_back() -> None:
    """Two engines in float32, thirty layers: rounding of 2^-24 each, grown a hundredfold."""
    witness, net = Witness(), JointNet()
    witness.load_state_dict(restored(SHIPPED / "witness.onnx", witness))
    net.load_state_dict(restored(SHIPPED / "joint.onnx", net))
    compare_with_engine(witness, net, SHIPPED, 1e-4)


def test_exported_files_answer_as_the_networks(tmp_path: Path) -> None:
    """Features and answers through OpenCV's engine; weights are rounded to 16 bits."""
    shipped = tmp_path / "one.onnx"
    shipped.write_bytes(model_bytes(*MODELS[0]))
    torch.manual_seed(3)
    witness, net = Witness(), JointNet()
    witness.trunk.load_state_dict(restored(shipped))
    net.trunk.load_state_dict(restored(shipped))
    for p in (*net.near.three.parameters(), *net.deep.three.parameters()):
        p.data.normal_(0, 0.02)
    state = {f"witness.{k}": v for k, v in witness.state_dict().items() if "trunk" not in k}
    state |= {f"joint.{k}": v for k, v in net.state_dict().items()}
    halves = {k: v.half() if v.is_floating_point() else v for k, v in state.items()}
    torch.save(halves, tmp_path / "joint.pt")
    assert set(export_joint(tmp_path / "joint.pt", shipped, tmp_path)) == {"witness", "joint"}

    compare_with_engine(witness, net, tmp_path, 2e-2)
