"""What the network is to answer, and how its answer is scored while it learns."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional as f

__all__ = ["Targets", "directions", "loss", "prepare", "symmetry"]

SLENDER, NOOK = 3, 10  # cells: radii below which parts and gaps weigh more
NEAR_MM = 2.5  # the height of the edge is learned from rays that pass this close


@dataclass(frozen=True, eq=False)
class Targets:
    """Per pixel (N, S, S): contact, cable, rim (0 or 1), fraction (-1 unknown), weights.

    ``fine`` (N, 2S, 2S) is tool (0 or 1) per half pixel.
    """

    fine: Tensor
    contact: Tensor
    cable: Tensor
    rim: Tensor
    fraction: Tensor
    weight: Tensor
    tall: Tensor


def _spread(x: Tensor, radius: int) -> Tensor:
    return f.max_pool2d(x[:, None], 2 * radius + 1, 1, radius)[:, 0]


def _slender(solid: Tensor, radius: int) -> Tensor:
    """Cells of parts and of gaps narrower than 2 radius + 1 cells (0 or 1), (N, S, S).

    What an opening takes away and a closing fills.
    """
    opened = _spread(-_spread(-solid, radius), radius)
    closed = -_spread(-_spread(solid, radius), radius)
    return (closed - opened).clamp(0, 1)


def prepare(
    tool: Tensor, cover: Tensor, near_mm: Tensor, fraction: Tensor, kinds: Tensor, heights: Tensor
) -> Targets:
    """Targets from the renderer's maps.

    Parameters
    ----------
    tool
        (N, S, S) uint8 ids; ``kinds`` (N, 256) int64 kind per id (0 tool, 1 cable, 2 clutter,
        3 nothing) and ``heights`` (N, 256) mm.
    cover
        (N, 2S, 2S, 2) share of each half pixel covered by tools, by cables.
    """
    ids = tool.long()
    kind = torch.gather(kinds, 1, ids.flatten(1)).view_as(ids)
    mine = torch.where(kind == 0, ids, 0).float()
    fine = (cover[..., 0] >= 0.5).float()
    cover = f.avg_pool2d(cover.permute(0, 3, 1, 2), 2).permute(0, 2, 3, 1)
    top = _spread(mine, 2)
    low = -_spread(torch.where(mine > 0, -mine, torch.full_like(mine, -999)), 2)
    contact = (top > 0) & (low < 900) & (top != low)
    is_tool = cover[..., 0] >= 0.5
    solid = is_tool.float()
    rim = is_tool & (-_spread(-solid, 2) < 0.5)
    edge = (_spread(solid, 1) + _spread(-solid, 1)) > 0.5
    beside = (_spread(solid, 10) > 0.5) & ~is_tool  # shadows live here
    clutter = _spread((kind == 2).float(), 3) > 0
    # few cells, but on them hangs whether a rod is whole and a bore open
    slender = _slender(solid, SLENDER)
    # where shade gathers, and where a grip or a nose ends: what makes an outline one for the hand
    nooks = _slender(solid, NOOK)
    gains = 1 + 1.5 * edge + 1.0 * beside + 1.5 * slender + 1.0 * nooks
    weight = torch.where(clutter, 0.0, 1.0) * gains
    known = (fraction >= 0) & (near_mm >= 0) & (near_mm < NEAR_MM)
    share = torch.where(known, fraction, -1.0)
    around = _spread(torch.gather(heights, 1, ids.flatten(1)).view_as(mine) * (kind == 0), 4)
    tall = (around / 30).clamp(0.15, 2.0)
    return Targets(
        fine,
        contact.float(),
        (cover[..., 1] >= 0.5).float(),
        rim.float(),
        share,
        weight,
        tall,
    )


def loss(logits: Tensor, t: Targets) -> tuple[Tensor, dict[str, Tensor]]:
    """Sum of the heads' losses: cross-entropy, overlap, and a Gaussian likelihood of the height.

    ``logits`` (N, 9, S, S) as `network.SilhouetteNet` gives them.
    """
    out = logits.float()
    fine, out = f.pixel_shuffle(out[:, :4], 2)[:, 0], out[:, 4:]
    w = t.weight
    wide = f.interpolate(w[:, None], scale_factor=2.0, mode="nearest")[:, 0]

    def entropy(k: int, target: Tensor, gain: float) -> Tensor:
        e = f.binary_cross_entropy_with_logits(out[:, k], target, reduction="none")
        e = e * w * (1 + (gain - 1) * target)
        return e.mean()

    decided = f.binary_cross_entropy_with_logits(fine, t.fine, reduction="none")
    p = torch.sigmoid(fine) * (wide > 0)
    want = t.fine * (wide > 0)
    overlap = 1 - (2 * (p * want).sum((1, 2)) + 200) / (p.sum((1, 2)) + want.sum((1, 2)) + 200)
    known = (t.fraction >= 0).float() * t.tall
    mean = torch.sigmoid(out[:, 2])
    sigma = 0.02 + 0.6 * torch.sigmoid(out[:, 3])
    z = (t.fraction - mean) / sigma
    height = ((0.5 * z * z + torch.log(sigma)) * known).sum() / known.sum().clamp_min(1)
    parts = {
        "tool": (decided * wide).mean(),
        "overlap": overlap.mean(),
        "contact": entropy(0, t.contact, 6.0),
        "cable": entropy(1, t.cable, 1.0),
        "rim": entropy(4, t.rim, 1.0),
        "height": height,
    }
    gains = {"tool": 1.0, "overlap": 0.5, "contact": 1.0, "cable": 0.5, "rim": 0.3, "height": 0.3}
    return torch.stack([gains[k] * v for k, v in parts.items()]).sum(), parts


def symmetry(x: Tensor, turn: int, mirror: bool) -> Tensor:
    """Quarter turns, counter-clockwise, and mirroring left to right of maps (..., H, W)."""
    x = torch.rot90(x, turn, (-2, -1))
    return x.flip(-1) if mirror else x


def directions(x: Tensor, turn: int, mirror: bool) -> Tensor:
    """`symmetry` for a field of vectors (N, 2, H, W), x right and y up: the vectors turn too."""
    x = symmetry(x, turn, mirror)
    for _ in range(turn % 4):
        x = torch.stack([-x[:, 1], x[:, 0]], 1)
    return torch.stack([-x[:, 0], x[:, 1]], 1) if mirror else x
