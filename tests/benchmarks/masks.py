"""Scoring label pictures: which pixels were taken for which tool.

Counting as for outlines (`tests.benchmarks.scoring`), in the photo instead of on the sheet.
*Boundary F* at 2 px: harmonic mean of the shares of either boundary that lies within 2 px of the
other (D. R. Martin and others, "Learning to detect natural image boundaries", IEEE PAMI 26,
2004). A tool is *good* when its partner is one piece and their IoU is over 0.9. Where the true
camera is given, both masks are laid on the sheet and the distance of their outlines, holes filled,
is taken in mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.optimize import linear_sum_assignment

from tests.benchmarks.scoring import MERGED_SHARE, ON_UNCOUNTED_SHARE, PAIR_IOU
from tests.benchmarks.truth import Tool, mask_outline
from tracer.geometry.compare import BoundaryDistance, boundary_distance, filled
from tracer.model.view import View

__all__ = ["MaskScore", "boundary_f", "score_masks"]

Mask = NDArray[np.bool_]
NEAR_PX = 2.0
GOOD_IOU = 0.9


@dataclass(frozen=True)
class MaskScore:
    """One photo: counts, and overlap, boundary F and distance of the pairs."""

    counted: int
    missed: tuple[str, ...]
    merged: int
    invented: int
    ious: tuple[float, ...]
    boundary_fs: tuple[float, ...]
    distances: tuple[BoundaryDistance, ...] = ()

    @property
    def good(self) -> int:
        """Tools with an IoU over 0.9."""
        return sum(v > GOOD_IOU for v in self.ious)


def score_masks(
    found: NDArray[np.integer],
    truth: NDArray[np.integer],
    tools: Sequence[Tool],
    photo: int,
    view: View | None = None,
) -> MaskScore:
    """Score the labels found in a photo, 0 = no tool, against its label map.

    Parameters
    ----------
    found, truth
        (H, W) labels; in the truth, i + 1 is the i-th tool.
    photo
        Index of the photo: tools cut in it do not count.
    view
        The photo's true camera; without it no distances are taken.
    """
    count = int(found.max())
    common = np.zeros((count + 1, len(tools) + 1), np.int64)
    np.add.at(common, (found.ravel(), truth.ravel()), 1)
    area_found, area_true = common.sum(axis=1)[1:], common.sum(axis=0)[1:]
    overlap = common[1:, 1:]
    iou = overlap / np.maximum(area_found[:, None] + area_true[None] - overlap, 1)
    counted = [t.index for t in tools if area_true[t.index] and t.counted(range(photo, photo + 1))]
    rows, cols = linear_sum_assignment(-iou[:, counted])
    pairs = [
        (int(r), counted[c])
        for r, c in zip(rows, cols, strict=True)
        if iou[r, counted[c]] > PAIR_IOU
    ]
    partnered = {r for r, _ in pairs}
    uncounted = [t.index for t in tools if t.index not in counted]
    covers = (overlap > MERGED_SHARE * np.maximum(area_true, 1)) & (area_true > 0)
    for tool in tools:
        if tool.optional:
            covers[:, tool.index] = False
    explained = overlap[:, uncounted].max(axis=1, initial=0) > ON_UNCOUNTED_SHARE * area_found
    return MaskScore(
        counted=len(counted),
        missed=tuple(tools[t].name for t in counted if t not in {p for _, p in pairs}),
        merged=int((covers.sum(axis=1) > 1).sum()),
        invented=sum(
            bool(area_found[r]) and r not in partnered and not explained[r] for r in range(count)
        ),
        ious=tuple(float(iou[r, t]) for r, t in pairs),
        boundary_fs=tuple(boundary_f(*_window(found == r + 1, truth == t + 1)) for r, t in pairs),
        distances=tuple(_apart(found == r + 1, truth == t + 1, view) for r, t in pairs)
        if view
        else (),
    )


def _apart(found: Mask, true: Mask, view: View) -> BoundaryDistance:
    """Distance of two masks' outlines on the sheet."""
    mine, its = mask_outline(found, view), mask_outline(true, view)
    if mine is None or its is None:
        raise ValueError("a mask of no area")
    return boundary_distance(filled(mine), filled(its))


def _window(first: Mask, second: Mask) -> tuple[Mask, Mask]:
    """Both masks cut to where either is set, with a rim."""
    either = first | second
    rows, cols = np.flatnonzero(either.any(axis=1)), np.flatnonzero(either.any(axis=0))
    part = slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1)
    return np.pad(first[part], 4), np.pad(second[part], 4)


def boundary_f(first: Mask, second: Mask, near_px: float = NEAR_PX) -> float:
    """Boundary F of two masks, 0 to 1."""
    edges = [mask & ~ndimage.binary_erosion(mask) for mask in (first, second)]
    if not (edges[0].any() and edges[1].any()):
        return 0.0
    away = [ndimage.distance_transform_edt(~edge) for edge in edges]
    precision = float((away[1][edges[0]] <= near_px).mean())
    recall = float((away[0][edges[1]] <= near_px).mean())
    total = precision + recall
    return 2 * precision * recall / total if total > 0 else 0.0
