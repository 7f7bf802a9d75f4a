"""Write trained weights as the ONNX file that the package ships.

``python -m tracer.learning.network.export weights.pt model.onnx``; for the two of several photos
``... joint.pt FOLDER --joint silhouette.onnx``. Weights are stored as float16 and cast on loading,
which halves the file; height, width and batch are free.
"""

from __future__ import annotations

import argparse
import hashlib
from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import TensorProto, helper, numpy_helper

from tracer.learning.network.joint import DEEP, NEAR, JointNet, Witness
from tracer.learning.network.net import INPUTS, SilhouetteNet
from tracer.learning.network.restore import restored
from tracer.segmentation.decide.company import HEIGHTS_MM

__all__ = ["export", "export_joint", "halve"]


class _Answers(torch.nn.Module):
    """The network with its logits turned into probabilities and a height with its sigma."""

    def __init__(self, net: torch.nn.Module) -> None:
        super().__init__()
        self.net = net

    def forward(self, *given: torch.Tensor) -> torch.Tensor:
        return torch.sigmoid(self.net(*given))


class _Told(torch.nn.Module):
    """A witness's features as a plain pair."""

    def __init__(self, witness: Witness) -> None:
        super().__init__()
        self.witness = witness

    def forward(self, x: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        found = self.witness(x)
        return found.near, found.deep


def halve(model: onnx.ModelProto) -> onnx.ModelProto:
    """Store the larger float32 weights as float16 behind a Cast."""
    graph = model.graph
    nodes = []
    for weight in list(graph.initializer):
        values = numpy_helper.to_array(weight)
        if values.dtype != np.float32 or values.size < 64:
            continue
        graph.initializer.remove(weight)
        graph.initializer.append(
            numpy_helper.from_array(values.astype(np.float16), weight.name + "_half")
        )
        nodes.append(
            helper.make_node("Cast", [weight.name + "_half"], [weight.name], to=TensorProto.FLOAT)
        )
    kept = list(graph.node)
    del graph.node[:]
    graph.node.extend(nodes + kept)
    return model


def export(weights: Path, target: Path) -> str:
    """Write the one-photo network's ONNX file; returns its SHA-256."""
    net = SilhouetteNet()
    net.load_state_dict(torch.load(weights, map_location="cpu", weights_only=True))
    return _written(
        _Answers(net), [torch.zeros(1, INPUTS, 128, 128)], ["sheet"], ["answers"], target
    )


def export_joint(weights: Path, one_photo: Path, folder: Path) -> dict[str, str]:
    """Write ``witness.onnx`` and ``joint.onnx`` for several photos; returns their SHA-256.

    ``weights`` is what `tracer.learning.training.train_joint` wrote, ``one_photo`` the ONNX file it
    started from: the witness's trunk is that network.
    """
    kept = torch.load(weights, map_location="cpu", weights_only=True)
    parts: dict[str, dict[str, torch.Tensor]] = {"witness": {}, "joint": {}}
    for name, values in kept.items():
        part, own = name.split(".", 1)
        parts[part][own] = values.float() if values.is_floating_point() else values
    witness, joint = Witness(), JointNet()
    witness.trunk.load_state_dict(restored(one_photo))
    witness.load_state_dict(parts["witness"], strict=False)
    joint.load_state_dict(parts["joint"])
    sheet = torch.zeros(1, INPUTS, 128, 128)
    wide = [len(HEIGHTS_MM) * (2 * c + 2) for c in (NEAR, DEEP)]
    told = [torch.zeros(1, w, 128 // k, 128 // k) for w, k in zip(wide, (2, 8), strict=True)]
    return {
        name: _written(net, given, inputs, outputs, folder / f"{name}.onnx")
        for name, net, given, inputs, outputs in (
            ("witness", _Told(witness), [sheet], ["sheet"], ["near", "deep"]),
            ("joint", _Answers(joint), [sheet, *told], ["sheet", "near", "deep"], ["answers"]),
        )
    }


def _written(
    net: torch.nn.Module,
    given: list[torch.Tensor],
    inputs: list[str],
    outputs: list[str],
    target: Path,
) -> str:
    axes = {0: "n", 2: "h", 3: "w"}
    torch.onnx.export(
        net.eval(),
        tuple(given),
        str(target),
        opset_version=13,
        dynamo=False,
        input_names=inputs,
        output_names=outputs,
        dynamic_axes={name: axes for name in (*inputs, *outputs)},
    )
    model = halve(onnx.load(str(target)))
    model.producer_name, model.producer_version = "", ""
    onnx.checker.check_model(model)
    onnx.save(model, str(target))
    return hashlib.sha256(target.read_bytes()).hexdigest()


if __name__ == "__main__":
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("weights", type=Path)
    ask.add_argument("target", type=Path, help="the file, or the folder with --joint")
    ask.add_argument("--joint", type=Path, help="the one-photo .onnx that training started from")
    a = ask.parse_args()
    print(export_joint(a.weights, a.joint, a.target) if a.joint else export(a.weights, a.target))
