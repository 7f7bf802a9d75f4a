"""The network: a small encoder-decoder over the rectified sheet.

Input (N, 5, H, W), H and W multiples of 32: sRGB values 0..1, then where the pixel lies from the
camera's foot point over the camera's height, x to the right and y up. Output (N, 6, H, W):
logits of tool, contact (where two tools meet) and cable; logit of the seen edge's height as a
share of the tool's; logit of how far that share may be off; logit of tool rim.
"""

from __future__ import annotations

from itertools import pairwise

import torch
from torch import Tensor, nn
from torch.nn import functional as f

__all__ = ["INPUTS", "OUTPUTS", "SilhouetteNet"]

INPUTS, OUTPUTS = 5, 6
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
        self.full = _conv(INPUTS, 8)
        self.stem = _conv(INPUTS, WIDTHS[0], 2)
        self.down = nn.ModuleList(_conv(a, b, 2) for a, b in pairwise(WIDTHS))
        self.encode = nn.ModuleList(_Residual(w) for w in WIDTHS[:-1])
        self.bottom = nn.Sequential(*(_Residual(WIDTHS[-1], d) for d in (1, 2, 4)))
        self.join = nn.ModuleList(_conv(a + b, b) for a, b in ((b, a) for a, b in pairwise(WIDTHS)))
        self.decode = nn.ModuleList(_Residual(w) for w in WIDTHS[1:-1])
        self.top = _conv(WIDTHS[0] + 8, 16)
        self.head = nn.Conv2d(16, OUTPUTS, 1)

    def forward(self, x: Tensor) -> Tensor:
        """Logits (N, 6, H, W) of an input (N, 5, H, W)."""
        x = torch.cat([x[:, :3] - 0.5, x[:, 3:]], 1)
        full = self.full(x)
        kept = [self.encode[0](self.stem(x))]
        for down, encode in zip(self.down[:-1], self.encode[1:], strict=True):
            kept.append(encode(down(kept[-1])))
        y = self.bottom(self.down[-1](kept[-1]))
        for level in range(len(kept) - 1, -1, -1):
            y = f.interpolate(y, scale_factor=2.0, mode="nearest")
            y = self.join[level](torch.cat([y, kept[level]], 1))
            if level > 0:
                y = self.decode[level - 1](y)
        y = f.interpolate(y, scale_factor=2.0, mode="nearest")
        return self.head(self.top(torch.cat([y, full], 1)))
