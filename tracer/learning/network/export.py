"""Write trained weights as the ONNX file that the package ships.

``python -m tracer.learning.network.export weights.pt model.onnx``. Weights are stored as
float16 and cast on loading, which halves the file; height, width and batch are free.
"""

from __future__ import annotations

import argparse
import hashlib
from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import TensorProto, helper, numpy_helper

from tracer.learning.network.net import INPUTS, SilhouetteNet

__all__ = ["export", "halve"]


class _Answers(torch.nn.Module):
    """The network with its logits turned into probabilities and a height with its sigma."""

    def __init__(self, net: torch.nn.Module) -> None:
        super().__init__()
        self.net = net

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        return torch.sigmoid(self.net(x))


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
    """Write the ONNX file; returns its SHA-256."""
    net = SilhouetteNet()
    net.load_state_dict(torch.load(weights, map_location="cpu", weights_only=True))
    answers = _Answers(net).eval()
    axes = {0: "n", 2: "h", 3: "w"}
    torch.onnx.export(
        answers,
        (torch.zeros(1, INPUTS, 128, 128),),
        str(target),
        opset_version=13,
        dynamo=False,
        input_names=["sheet"],
        output_names=["answers"],
        dynamic_axes={"sheet": axes, "answers": axes},
    )
    model = halve(onnx.load(str(target)))
    model.producer_name, model.producer_version = "", ""
    onnx.checker.check_model(model)
    onnx.save(model, str(target))
    return hashlib.sha256(target.read_bytes()).hexdigest()


if __name__ == "__main__":
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("weights", type=Path)
    ask.add_argument("target", type=Path)
    a = ask.parse_args()
    print(export(a.weights, a.target))
