"""Read a shipped ONNX file back as weights to go on from.

Exporting folds each batch normalisation into the convolution before it. Read back, a normalisation
starts as a mere shift; `settle` then measures what passes through it, and writes it as a true
normalisation that answers the same: with mean m and standard deviation s of the folded
convolution's output y, ``s (y - m) / s + (shift + m)``.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import numpy_helper
from torch import Tensor, nn

from tracer.learning.network.joint import DEEP, NEAR, JointNet, Witness
from tracer.learning.network.net import INPUTS, SilhouetteNet
from tracer.segmentation.decide.company import HEIGHTS_MM

__all__ = ["restored", "settle"]

_EPS = 1e-5  # as nn.BatchNorm2d has it


def restored(file: Path, net: nn.Module | None = None) -> dict[str, Tensor]:
    """State with which a network answers as the file does, within its float16 weights.

    Parameters
    ----------
    net
        Of the kind that the file holds: a `SilhouetteNet` unless told otherwise, a `Witness` or a
        `JointNet`. It stays as it is; layers that the file lacks keep its values.

    Raises
    ------
    ValueError
        The file holds another network.
    """
    graph = onnx.load(str(file)).graph
    kept = {w.name: numpy_helper.to_array(w).astype(np.float32) for w in graph.initializer}
    casts = [n for n in graph.node if n.op_type == "Cast" and n.input[0] in kept]
    kept.update({n.output[0]: kept[n.input[0]] for n in casts})
    found = [
        (kept[n.input[1]], kept[n.input[2]] if len(n.input) > 2 else None)
        for n in graph.node
        if n.op_type == "Conv"
    ]
    net = net or SilhouetteNet()
    state = {k: v.clone() for k, v in net.state_dict().items()}
    names = _called_in_order(net)
    if len(names) != len(found):
        raise ValueError(f"{file} has {len(found)} convolutions, not {len(names)}.")
    for (conv, norm), (weight, bias) in zip(names, found, strict=True):
        if state[f"{conv}.weight"].shape != weight.shape or bias is None:
            raise ValueError(f"{file}: {conv} does not fit.")
        state[f"{conv}.weight"] = torch.from_numpy(weight.copy())
        shift = torch.from_numpy(bias.copy())
        if norm is None:
            state[f"{conv}.bias"] = shift
            continue
        state[f"{norm}.weight"] = torch.full_like(shift, (1 + _EPS) ** 0.5)
        state[f"{norm}.bias"] = shift
        state[f"{norm}.running_mean"] = torch.zeros_like(shift)
        state[f"{norm}.running_var"] = torch.ones_like(shift)
    return state


def _called_in_order(net: nn.Module) -> list[tuple[str, str | None]]:
    """Convolutions in the order of their calls, each with the normalisation that follows it."""
    order: list[tuple[str, str | None]] = []
    hooks = []
    for name, module in net.named_modules():
        if isinstance(module, nn.Conv2d):
            hooks.append(
                module.register_forward_hook(
                    lambda *_, name=name: order.append((name, None))  # type: ignore[misc]
                )
            )
        elif isinstance(module, nn.BatchNorm2d):
            hooks.append(
                module.register_forward_hook(
                    lambda *_, name=name: order.append((order.pop()[0], name))  # type: ignore[misc]
                )
            )
    with torch.no_grad():
        was = net.training
        net.eval()(*_example(net))
        net.train(was)
    for hook in hooks:
        hook.remove()
    unused = {"trunk.full.0"} if isinstance(net, Witness) else set()  # a file holds what is used
    return [pair for pair in order if pair[0] not in unused]


def _example(net: nn.Module) -> tuple[Tensor, ...]:
    """The least that a network can be called with."""
    sheet = torch.zeros(1, INPUTS, 32, 32)
    if not isinstance(net, JointNet):
        return (sheet,)
    wide = [len(HEIGHTS_MM) * (2 * c + 2) for c in (NEAR, DEEP)]
    return sheet, torch.zeros(1, wide[0], 16, 16), torch.zeros(1, wide[1], 4, 4)


class _Moments:
    """Mean and variance per channel of all that passes into a layer."""

    def __init__(self, norm: nn.BatchNorm2d) -> None:
        self.count = 0
        self.first: Tensor = torch.zeros_like(norm.bias)
        self.second: Tensor = torch.zeros_like(norm.bias)

    def __call__(self, _norm: nn.Module, given: tuple[Tensor, ...]) -> None:
        x = given[0].float()
        self.count += x.shape[0] * x.shape[2] * x.shape[3]
        self.first += x.sum((0, 2, 3))
        self.second += x.square().sum((0, 2, 3))


@torch.no_grad()  # type: ignore[untyped-decorator,unused-ignore]
def settle(net: nn.Module, inputs: Iterable[Tensor | tuple[Tensor, ...]]) -> None:
    """Give each normalisation the mean and variance of what reaches it; answers stay the same.

    ``inputs``: what the network is called with, a tuple where that is more than one tensor.
    """
    found = {m: _Moments(m) for m in net.modules() if isinstance(m, nn.BatchNorm2d)}
    hooks = [m.register_forward_pre_hook(moments) for m, moments in found.items()]
    net.eval()
    for x in inputs:
        net(*(x if isinstance(x, tuple) else (x,)))
    for hook in hooks:
        hook.remove()
    for m, moments in found.items():
        mean = moments.first / moments.count
        var = (moments.second / moments.count - mean.square()).clamp_min(1e-6)
        old_mean, old_var = m.running_mean, m.running_var
        assert old_mean is not None
        assert old_var is not None
        gain = m.weight / (old_var + m.eps).sqrt()
        m.bias.add_(gain * (mean - old_mean))
        m.weight.copy_(gain * (var + m.eps).sqrt())
        old_mean.copy_(mean)
        old_var.copy_(var)
    net.train()
