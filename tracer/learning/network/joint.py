"""The network that decides one photo with the others of the same lay as witnesses.

Each photo is encoded once by the shipped one-photo network, whose weights stay as they are: what
it holds at 2 and at 8 mm (encoder beside decoder) is brought down to a few features. The others'
features are carried into the reference's frame as if all that they show lay at one height, for a
few heights: between rectified photos that is a scaling and a shift (`sheet_shift`). Their mean
and their mean squared difference from the reference's own features, per height, are symmetric in
the photos and need no fixed number of them (variance cost volume: Y. Yao and others, MVSNet, ECCV
2018). They are added to what the deciding network holds at 2 and at 8 mm. With no other photo
nothing is added, and it answers as a network for one photo.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations

import torch
from torch import Tensor, nn
from torch.nn import functional as f

from tracer.learning.network.net import WIDTHS, SilhouetteNet
from tracer.segmentation.decide.company import HEIGHTS_MM, SHIFT_MM

__all__ = [
    "DEEP",
    "NEAR",
    "Features",
    "JointNet",
    "Pairs",
    "Witness",
    "pooled",
    "sheet_shift",
]

NEAR, DEEP = 16, 24  # features at 2 mm, at 8 mm
NEAR_LEVEL, DEEP_LEVEL = 0, 2
HIDDEN = 48


@dataclass(frozen=True, eq=False)
class Features:
    """What a photo tells the others: (N, 16, H/2, W/2) and (N, 24, H/8, W/8)."""

    near: Tensor
    deep: Tensor


@dataclass(frozen=True, eq=False)
class Pairs:
    """Who looks at whom: indices (P,) of references and of the others, and errors of the latter.

    ``weight`` (P,) is 0 where the other is not to be used; ``slip_mm`` (P, 2) how far, x and y, its
    rectified picture is off; ``height_mm`` (P,) the height of its camera as believed.
    """

    one: Tensor
    other: Tensor
    weight: Tensor
    slip_mm: Tensor
    height_mm: Tensor

    @staticmethod
    def of_groups(count: int, views: int) -> tuple[list[int], list[int]]:
        """Ordered pairs within each run of ``views`` among ``count`` photos."""
        pairs = [
            (k + i, k + j) for k in range(0, count, views) for i, j in permutations(range(views), 2)
        ]
        return [i for i, _ in pairs], [j for _, j in pairs]


def sheet_shift(own: Tensor, other: Tensor, height_mm: Tensor, z_mm: float) -> Tensor:
    """From where a point at ``z_mm`` is seen by one camera to where another sees it, mm.

    ``own`` and ``other`` (..., 2) are the way from each camera's foot point to the same place on
    the sheet, over that camera's height; ``height_mm`` is the other's. Where the first sees the
    point, at p on the sheet, it lies above X = p - z own; the other sees it at
    X + z (X - c) / (H - z), c being its foot point.
    """
    away = height_mm * other - z_mm * own  # X less the other's foot point
    return -z_mm * own + z_mm / (height_mm - z_mm) * away


def pooled(
    values: Tensor, seen: Tensor, field: Tensor, step_mm: Tensor, pairs: Pairs, size: int
) -> Tensor:
    """Others' features at each height in their reference's frame, (N, heights (2 C + 2), h, w).

    For each height: mean of the others, mean squared difference from the reference's own, share of
    the others that see the place, mean length of the shift.

    Parameters
    ----------
    values
        (N, C, h, w) features of all photos.
    seen
        (N, 1, h, w) 1 where a photo shows the sheet.
    field
        (N, 2, h, w) way from the camera over its height, x right and y up.
    step_mm
        (N,) side of a cell; a tile is ``size`` cells wide.
    """
    n, c, h, w = values.shape
    one, other = pairs.one, pairs.other
    ys = (torch.arange(h, device=values.device, dtype=torch.float32) + 0.5) / h * 2 - 1
    xs = (torch.arange(w, device=values.device, dtype=torch.float32) + 0.5) / w * 2 - 1
    here = torch.stack([xs[None, :].expand(h, w), ys[:, None].expand(h, w)], -1)
    fields = field.permute(0, 2, 3, 1)
    mine, theirs = fields[one], fields[other]
    unit = (2 / (step_mm[one] * size)).view(-1, 1, 1, 1)
    tall = pairs.height_mm.view(-1, 1, 1, 1)
    own = values[one]
    both = torch.cat([values, seen], 1)[other]
    keep = pairs.weight.view(-1, 1, 1, 1)
    found = []
    for z in HEIGHTS_MM:
        shift = sheet_shift(mine, theirs, tall, z)
        slipped = shift + pairs.slip_mm.view(-1, 1, 1, 2)
        grid = here + slipped * unit * slipped.new_tensor([1.0, -1.0])
        got = f.grid_sample(both, grid.to(both.dtype), align_corners=False)
        weight = (got[:, c:] > 0.99).to(got.dtype) * keep
        parts = torch.cat(
            [
                got[:, :c] * weight,
                (got[:, :c] - own).square() * weight,
                weight,
                shift.norm(dim=-1)[:, None].to(got.dtype) / SHIFT_MM * weight,
            ],
            1,
        )
        total = torch.zeros(n, 2 * c + 2, h, w, device=values.device, dtype=parts.dtype)
        total = total.index_add(0, one, parts)
        count = total[:, 2 * c : 2 * c + 1]
        asked = torch.zeros(n, device=values.device, dtype=parts.dtype)
        asked = asked.index_add(0, one, pairs.weight.to(parts.dtype)).clamp_min(1)
        scale = 1 / count.clamp_min(1)
        found += [
            total[:, : 2 * c] * scale,
            count / asked.view(-1, 1, 1, 1),
            total[:, 2 * c + 1 :] * scale,
        ]
    return torch.cat(found, 1)


class Witness(nn.Module):
    """The one-photo network as a witness: its features; its weights stay as they are."""

    def __init__(self) -> None:
        super().__init__()
        self.trunk = SilhouetteNet()
        self.near = nn.Conv2d(2 * WIDTHS[NEAR_LEVEL], NEAR, 1)
        self.deep = nn.Conv2d(2 * WIDTHS[DEEP_LEVEL], DEEP, 1)
        for p in self.trunk.parameters():
            p.requires_grad_(False)

    def train(self, mode: bool = True) -> Witness:
        """The trunk stays in its inference mode."""
        super().train(mode)
        self.trunk.eval()
        return self

    def forward(self, x: Tensor) -> Features:
        """Features of inputs (N, 14, H, W)."""
        with torch.no_grad():
            _, kept, decoded = self.trunk.levels(x)
        near = torch.cat([kept[NEAR_LEVEL], decoded[NEAR_LEVEL]], 1)
        deep = torch.cat([kept[DEEP_LEVEL], decoded[DEEP_LEVEL]], 1)
        return Features(self.near(near), self.deep(deep))


class _Fusion(nn.Module):
    """What pooled features add to a level of the deciding network; nothing at first."""

    def __init__(self, features: int, width: int) -> None:
        super().__init__()
        wide = len(HEIGHTS_MM) * (2 * features + 2)
        self.seen = 2 * features  # channel of the share that sees the place, at z = 0
        self.one = nn.Sequential(
            nn.Conv2d(wide, HIDDEN, 1, bias=False), nn.BatchNorm2d(HIDDEN), nn.ReLU(inplace=True)
        )
        self.two = nn.Sequential(
            nn.Conv2d(HIDDEN, HIDDEN, 3, 1, 1, bias=False),
            nn.BatchNorm2d(HIDDEN),
            nn.ReLU(inplace=True),
        )
        self.three = nn.Conv2d(HIDDEN, width, 3, 1, 1)
        for p in self.three.parameters():
            nn.init.zeros_(p)

    def forward(self, x: Tensor) -> Tensor:
        any_seen = (x[:, self.seen : self.seen + 1] > 0).to(x.dtype)
        return self.three(self.two(self.one(x))) * any_seen


class JointNet(nn.Module):
    """The deciding network: the one-photo network with others' features added at two levels."""

    def __init__(self) -> None:
        super().__init__()
        self.trunk = SilhouetteNet()
        self.near = _Fusion(NEAR, WIDTHS[NEAR_LEVEL])
        self.deep = _Fusion(DEEP, WIDTHS[DEEP_LEVEL])

    def forward(self, x: Tensor, near: Tensor, deep: Tensor) -> Tensor:
        """Logits (N, 9, H, W) of inputs (N, 14, H, W) and what `pooled` gives at both levels."""
        added = {NEAR_LEVEL: self.near(near), DEEP_LEVEL: self.deep(deep)}
        full, _, decoded = self.trunk.levels(x, added)
        return self.trunk.answers(decoded[0], full)
