"""Going on from shipped weights: read back, settled, averaged."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="needs the learning extra")
pytest.importorskip("onnx", reason="needs the learning extra")

from tracer.learning.network.export import export  # noqa: E402
from tracer.learning.network.net import INPUTS, SilhouetteNet  # noqa: E402
from tracer.learning.network.restore import restored, settle  # noqa: E402
from tracer.learning.training.averaging import mixed, refresh  # noqa: E402
from tracer.segmentation.decide.answers import MODELS, model_bytes  # noqa: E402

INPUT = np.random.default_rng(0).random((1, INPUTS, 64, 96)).astype(np.float32)


def _shipped(tmp_path: Path) -> tuple[SilhouetteNet, np.ndarray]:
    """The shipped network read back, and what OpenCV's engine says of `INPUT`."""
    file = tmp_path / "shipped.onnx"
    file.write_bytes(model_bytes(*MODELS[0]))
    engine = cv2.dnn.readNetFromONNX(np.frombuffer(model_bytes(*MODELS[0]), np.uint8))
    engine.setInput(INPUT)
    net = SilhouetteNet()
    net.load_state_dict(restored(file))
    return net, engine.forward()


def _answers(net: torch.nn.Module) -> np.ndarray:
    with torch.no_grad():
        return torch.sigmoid(net(torch.from_numpy(INPUT))).numpy()


def test_shipped_weights_read_back_answer_as_the_engine(tmp_path: Path) -> None:
    """Two engines in float32, thirty layers: rounding of 2^-24 each, grown a hundredfold."""
    net, wanted = _shipped(tmp_path)
    np.testing.assert_allclose(_answers(net.eval()), wanted, atol=1e-4)


def test_settling_measures_and_changes_no_answer(tmp_path: Path) -> None:
    """Settled on one input, training mode normalises by just the moments that were measured."""
    net, wanted = _shipped(tmp_path)
    settle(net, [torch.from_numpy(INPUT)])
    np.testing.assert_allclose(_answers(net.eval()), wanted, atol=1e-4)
    assert float(net.full[1].running_var.max()) != 1.0
    np.testing.assert_allclose(_answers(net.train()), wanted, atol=1e-3)


def test_another_network_is_refused(tmp_path: Path) -> None:
    small = torch.nn.Sequential(torch.nn.Conv2d(INPUTS, 9, 1))
    torch.onnx.export(
        small, (torch.zeros(1, INPUTS, 32, 32),), str(tmp_path / "s.onnx"), dynamo=False
    )
    with pytest.raises(ValueError, match="1 convolutions"):
        restored(tmp_path / "s.onnx")


def test_export_and_reading_back_are_inverse(tmp_path: Path) -> None:
    """Weights pass through float16 once; what is exported again is the same file."""
    torch.save(_shipped(tmp_path)[0].state_dict(), tmp_path / "w.pt")
    first = export(tmp_path / "w.pt", tmp_path / "a.onnx")
    torch.save(restored(tmp_path / "a.onnx"), tmp_path / "w.pt")
    assert export(tmp_path / "w.pt", tmp_path / "b.onnx") == first


def test_mixing_goes_from_start_to_end() -> None:
    torch.manual_seed(1)
    old, new = SilhouetteNet().state_dict(), SilhouetteNet().state_dict()
    for share, end in ((0.0, old), (1.0, new)):
        for name, value in mixed(old, new, share).items():
            torch.testing.assert_close(value, end[name])
    half = mixed(old, new, 0.5)["head.weight"]
    torch.testing.assert_close(half, (old["head.weight"] + new["head.weight"]) / 2)


def test_refreshed_normalisations_are_those_of_the_inputs() -> None:
    """The first one's mean is that of its convolution's own output over all inputs."""
    torch.manual_seed(2)
    net = SilhouetteNet()
    inputs = [torch.rand(2, INPUTS, 32, 32) for _ in range(3)]
    refresh(net, inputs)
    with torch.no_grad():
        centred = [torch.cat([x[:, :12] - 0.5, x[:, 12:]], 1) for x in inputs]
        wanted = torch.stack([net.full[0](x).mean((0, 2, 3)) for x in centred]).mean(0)
    torch.testing.assert_close(net.full[1].running_mean, wanted, rtol=1e-4, atol=1e-6)
    assert net.full[1].momentum == 0.1
