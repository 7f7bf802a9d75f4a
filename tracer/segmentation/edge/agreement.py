"""Where an outline and the decision behind it do not agree.

The decision gives each cell of the working picture a likelihood p of being tool; the outline, moved
to the edge seen in the photo and repaired, says plainly tool or ground. If p is right, 1 - p of a
cell inside the outline and p of a cell outside is expected to be wrong. Along the outline some of
that is unavoidable, as an edge crosses cells; away from it, it is a face that may be missing, a
shadow that may have been taken in, or a stretch where the edge search left the decision.

The other ways tried say less. Whether what the outline encloses differs from the fitted sheet tells
nothing, since shadows differ too; and the classical way is more often wrong than the outlines it
would judge (`docs/explanation/accuracy.md` has the figures).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from shapely import STRtree
from shapely.geometry import Polygon

from tracer.model.report import Check, Severity, tool_at
from tracer.model.silhouette import Kind, Silhouette
from tracer.segmentation.working_picture.raster import Image, Mask, Raster, paint

__all__ = ["DOUBTFUL_SHARE", "Doubt", "agreement_checks", "doubts"]

EDGE_MM = 1.6  # an edge is decided to about a cell and a half: nearer cells say nothing
REACH_MM = 8.0  # a face that is missing lies no farther outside than this
DOUBTFUL_SHARE = 0.035  # of an outline's area


@dataclass(frozen=True)
class Doubt:
    """How much of an outline's area the decision does not bear out.

    Attributes
    ----------
    share
        Expected wrong area away from the edge, inside and outside, over the outline's area.
    where_mm
        Where most of it lies: middle of the cells round the greatest sum.
    """

    share: float
    where_mm: tuple[float, float]


def doubts(
    regions: Sequence[Polygon], likely: Image, domain: Mask, raster: Raster
) -> tuple[Doubt, ...]:
    """Measure each outline against the decision.

    Parameters
    ----------
    regions
        Outlines, sheet mm, of positive area.
    likely
        (rows, columns) likelihood of tool, 0 to 1.
    domain
        (rows, columns) cells where tools may lie; others do not count.
    raster
        Where the cells lie.
    """
    tree = STRtree(list(regions))
    found = []
    for index, region in enumerate(regions):
        window, part = _window(region, raster)
        inside = paint([region], part)
        beside = [regions[k] for k in tree.query(region.buffer(REACH_MM)) if k != index]
        counted = domain[window] & ~paint(beside, part) & _away_from_edge(inside, part.mm_per_cell)
        wrong = np.where(counted, np.abs(inside - likely[window]), 0).astype(np.float32)
        area = float(wrong.sum()) * part.mm_per_cell**2
        found.append(Doubt(area / region.area, _greatest(wrong, part)))
    return tuple(found)


def agreement_checks(
    silhouettes: Sequence[Silhouette],
    likely: Image,
    domain: Mask,
    raster: Raster,
    photo_name: str,
) -> list[Check]:
    """A check for each whole tool of which more than `DOUBTFUL_SHARE` is in doubt.

    Parameters
    ----------
    silhouettes
        Of one photo.
    likely, domain, raster
        As in `doubts`.
    photo_name
        For the sentence.
    """
    found = doubts([s.region for s in silhouettes], likely, domain, raster)
    return [
        Check(
            "outline-doubtful",
            Severity.WARN,
            f"In {photo_name}, what belongs to {tool_at(doubt.where_mm)} is in doubt for "
            f"{doubt.share:.0%} of its area.",
            "Look at the ring round it in the overlay; lay the tool on a sheet of another colour, "
            "or draw the edge by hand.",
            subject_id=silhouette.silhouette_id,
            value=doubt.share,
            limit=DOUBTFUL_SHARE,
            where_mm=doubt.where_mm,
        )
        for silhouette, doubt in zip(silhouettes, found, strict=True)
        if doubt.share > DOUBTFUL_SHARE
        and silhouette.kind is Kind.TOOL
        and not silhouette.touches_border
    ]


def _window(region: Polygon, raster: Raster) -> tuple[tuple[slice, slice], Raster]:
    """The part of a raster round a region, with the reach about it."""
    x0, y0, x1, y1 = region.buffer(REACH_MM + EDGE_MM).bounds
    (left, top), (right, bottom) = raster.to_cells([(x0, y1), (x1, y0)])
    rows = slice(max(int(top), 0), min(int(bottom) + 2, raster.shape[0]))
    cols = slice(max(int(left), 0), min(int(right) + 2, raster.shape[1]))
    return (rows, cols), raster.window(rows, cols)


def _away_from_edge(inside: Mask, mm: float) -> Mask:
    """Cells farther than `EDGE_MM` from the outline, on either side, and within reach of it."""
    within, without = (
        cv2.distanceTransform(side.astype(np.uint8), cv2.DIST_L2, 5) * mm
        for side in (inside, ~inside)
    )
    return np.asarray((within > EDGE_MM) | ((without > EDGE_MM) & (without <= REACH_MM)))


def _greatest(wrong: Image, raster: Raster) -> tuple[float, float]:
    """Sheet place round which most is wrong."""
    spread = cv2.GaussianBlur(wrong, (0, 0), REACH_MM / 2 / raster.mm_per_cell)
    row, col = np.unravel_index(int(np.argmax(spread)), spread.shape)
    x, y = raster.to_sheet([(col, row)])[0]
    return float(x), float(y)
