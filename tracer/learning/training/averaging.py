"""Means of weights: over a run's steps, and between a run's start and its end."""

from __future__ import annotations

import copy
from collections.abc import Iterable

import torch
from torch import Tensor, nn

__all__ = ["Average", "mixed", "refresh"]


class Average:
    """Weights averaged over about the last thousand steps, over fewer at the start."""

    def __init__(self, net: nn.Module) -> None:
        self.net = copy.deepcopy(net)
        own, new = self.net.state_dict(keep_vars=True), net.state_dict(keep_vars=True)
        names = [k for k, v in new.items() if v.is_floating_point()]
        self.pairs = [own[k].detach() for k in names], [new[k].detach() for k in names]

    def update(self, step: int) -> None:
        """Take in the weights as they are after ``step`` steps."""
        torch._foreach_lerp_(*self.pairs, 1 / min(1000.0, 1.0 + 0.1 * step))


def mixed(old: dict[str, Tensor], new: dict[str, Tensor], share: float) -> dict[str, Tensor]:
    """Weights on the straight line from ``old`` (share 0) to ``new`` (share 1).

    M. Wortsman et al., "Robust fine-tuning of zero-shot models", CVPR 2022: what was learned anew
    and what held elsewhere can often both be kept. Normalisations need `refresh` afterwards.
    """
    return {
        k: torch.lerp(v.float(), new[k].float(), share) if v.is_floating_point() else new[k]
        for k, v in old.items()
    }


@torch.no_grad()  # type: ignore[untyped-decorator,unused-ignore]
def refresh(net: nn.Module, inputs: Iterable[Tensor]) -> None:
    """Measure the normalisations' means and variances anew over some inputs."""
    norms = [m for m in net.modules() if isinstance(m, nn.BatchNorm2d)]
    kept = [m.momentum for m in norms]
    for m in norms:
        m.reset_running_stats()
        m.momentum = None  # a plain mean
    net.train()
    for x in inputs:
        net(x)
    for m, momentum in zip(norms, kept, strict=True):
        m.momentum = momentum
    net.eval()
