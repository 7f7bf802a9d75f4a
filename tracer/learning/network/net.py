"""The network: a small encoder-decoder over the rectified sheet.

It works on cells of 1 mm but sees and answers at half a millimetre: the four quarters of a cell
are channels of their own, so that detail costs hardly more than the coarse picture.

Input (N, 14, H, W), H and W multiples of 32: sRGB values 0..1 of the quarters (red of the four,
row by row, then green, then blue), then where the cell lies from the camera's foot point over the
camera's height, x to the right and y up. Output (N, 9, H, W): logits of tool of the four
quarters; of contact (where two tools meet) and cable; logit of the seen edge's height as a share
of the tool's; logit of how far that share may be off; logit of tool rim.
"""

from __future__ import annotations

from itertools import pairwise

import torch
from torch import Tensor, nn
from torch.nn import functional as f

__all__ = ["INPUTS", "OUTPUTS", "SilhouetteNet", "grown"]

INPUTS, OUTPUTS = 14, 9
COARSE_INPUTS = 5  # of the first forerunner (`grown`)
FULL, TOP = 16, 24
WIDTHS = (24, 48, 80, 128, 144)


def _conv(a: int, b: int, stride: int = 1, dilation: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(a, b, 3, stride, dilation, dilation, bias=False),
        nn.BatchNorm2d(b),
        nn.ReLU(inplace=True),
    )


class _Residual(nn.Module):
    def __init__(self, width: int, dilation: int = 1) -> None:
        super().__init__()
        self.one = _conv(width, width, dilation=dilation)
        self.two = nn.Sequential(
            nn.Conv2d(width, width, 3, 1, 1, bias=False), nn.BatchNorm2d(width)
        )

    def forward(self, x: Tensor) -> Tensor:
        return f.relu(x + self.two(self.one(x)))


class SilhouetteNet(nn.Module):
    """Five halvings; wide context at the bottom, a thin full-resolution skip at the top."""

    def __init__(self) -> None:
        super().__init__()
        self.full = _conv(INPUTS, FULL)
        self.stem = _conv(INPUTS, WIDTHS[0], 2)
        self.down = nn.ModuleList(_conv(a, b, 2) for a, b in pairwise(WIDTHS))
        self.encode = nn.ModuleList(_Residual(w) for w in WIDTHS[:-1])
        self.again = _Residual(WIDTHS[2])  # where a shadow's tone is told from a tool's
        self.bottom = nn.Sequential(*(_Residual(WIDTHS[-1], d) for d in (1, 2, 4, 1, 2)))
        self.join = nn.ModuleList(_conv(a + b, b) for a, b in ((b, a) for a, b in pairwise(WIDTHS)))
        self.decode = nn.ModuleList(_Residual(w) for w in WIDTHS[1:-1])
        self.last = _Residual(WIDTHS[0])
        self.top = _conv(WIDTHS[0] + FULL, TOP)
        self.head = nn.Conv2d(TOP, OUTPUTS, 1)

    def levels(
        self, x: Tensor, added: dict[int, Tensor] | None = None
    ) -> tuple[Tensor, list[Tensor], dict[int, Tensor]]:
        """Full resolution, what the encoder keeps and what the decoder makes of it, by level.

        Level k has cells of 2^(k + 1); ``added`` goes to what the encoder keeps at a level.
        """
        x = torch.cat([x[:, :12] - 0.5, x[:, 12:]], 1)
        full = self.full(x)
        kept: list[Tensor] = []
        for level, encode in enumerate(self.encode):
            y = encode(self.down[level - 1](kept[-1]) if level else self.stem(x))
            y = self.again(y) if level == 2 else y
            kept.append(y + added[level] if added and level in added else y)
        y = self.bottom(self.down[-1](kept[-1]))
        decoded: dict[int, Tensor] = {}
        for level in range(len(kept) - 1, -1, -1):
            y = f.interpolate(y, scale_factor=2.0, mode="nearest")
            y = self.join[level](torch.cat([y, kept[level]], 1))
            y = self.decode[level - 1](y) if level > 0 else self.last(y)
            decoded[level] = y
        return full, kept, decoded

    def answers(self, decoded: Tensor, full: Tensor) -> Tensor:
        """Logits (N, 9, H, W) of the decoder's finest level and the full resolution."""
        y = f.interpolate(decoded, scale_factor=2.0, mode="nearest")
        return self.head(self.top(torch.cat([y, full], 1)))

    def forward(self, x: Tensor) -> Tensor:
        """Logits (N, 9, H, W) of an input (N, 14, H, W)."""
        full, _, decoded = self.levels(x)
        return self.answers(decoded[0], full)


def grown(old: dict[str, Tensor]) -> dict[str, Tensor]:
    """Weights of this network that answer as those of a smaller forerunner did.

    A residual block that the forerunner lacked starts without effect. The first forerunner saw
    (N, 5, H, W), sRGB and way from the camera at 1 mm, and gave one tool logit a cell; ``full``
    had 8 channels, ``top`` 16. Its weights are spread over the four quarters.
    """
    state = {k: v.clone() for k, v in SilhouetteNet().state_dict().items()}
    for name, new in state.items():
        if name in old and old[name].shape == new.shape:
            state[name] = old[name].clone()
        elif name not in old and name.endswith("two.1.weight"):
            new[:] = 0
    if old["stem.0.weight"].shape[1] == COARSE_INPUTS:
        _spread(old, state)
    return state


def _spread(coarse: dict[str, Tensor], state: dict[str, Tensor]) -> None:
    for name in ("full.0.weight", "stem.0.weight"):
        old, new = coarse[name], state[name]
        n = len(old)
        new[:n, :12] = old[:, :3].repeat_interleave(4, 1) / 4
        new[:n, 12:] = old[:, 3:]
    for layer in ("full.1", "top.1"):
        for part in ("weight", "bias", "running_mean", "running_var"):
            old = coarse[f"{layer}.{part}"]
            state[f"{layer}.{part}"][: len(old)] = old
    old, new = coarse["top.0.weight"], state["top.0.weight"]
    n, inputs = old.shape[:2]
    new[:n] = 0
    new[:n, :inputs] = old
    head, new = coarse["head.weight"], state["head.weight"]
    rows = [0, 0, 0, 0, 1, 2, 3, 4, 5]
    new[:] = 0
    new[:, : head.shape[1]] = head[rows]
    state["head.bias"] = coarse["head.bias"][rows].clone()
