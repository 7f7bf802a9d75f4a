"""What segmentation finds: each tool as the camera sees it, laid on the sheet."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from tracer.model.report import Check

__all__ = ["Doubt", "Kind", "Segmentation", "Silhouette"]

Array = NDArray[np.float64]


class Kind(StrEnum):
    """What a region is taken for."""

    TOOL = "tool"
    CABLE = "cable"


@dataclass(frozen=True)
class Doubt:
    """How far the decision does not bear an outline out, away from its edge.

    Attributes
    ----------
    share
        Expected wrong area, inside and outside, over the outline's area.
    peak
        Expected wrong share of the cells round the place in most doubt, 0 to 1.
    where_mm
        That place, sheet mm.
    """

    share: float
    peak: float
    where_mm: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Silhouette:
    """One tool as one camera sees it, its edge rays cut with z = 0.

    Attributes
    ----------
    silhouette_id
        "S01", "S02" ... in reading order of the photo.
    photo_id
        The photo it was found in.
    region
        Polygon with holes, mm on the sheet at z = 0.
    sigma_mm
        (N,) standard deviation along the normal of each exterior vertex (ring closed, the
        repeated last point left out), mm; without calibration's part.
    confidence
        0 to 1, for the whole region.
    edge_confidence
        (N,) 0 to 1 per exterior vertex; low where the edge is lost in shadow or glare.
    edge_height
        (N,) height at which the camera's ray touches the tool, as a fraction of the tool's
        height; NaN where unknown. Filled by a learned model only; empty array otherwise.
    kind
        Tool or cable.
    touches_border
        The photo's frame cuts it.
    holes_sigma_mm
        Per interior ring, a typical standard deviation in mm.
    edge_height_sigma
        (N,) standard deviation of `edge_height`; empty where there is none.
    doubt
        What the decision does not bear out; None without a learned model, or after a correction by
        hand.
    """

    silhouette_id: str
    photo_id: str
    region: Polygon
    sigma_mm: Array
    confidence: float
    edge_confidence: Array
    edge_height: Array
    kind: Kind = Kind.TOOL
    touches_border: bool = False
    holes_sigma_mm: tuple[float, ...] = ()
    edge_height_sigma: Array = field(default_factory=lambda: np.empty(0))
    doubt: Doubt | None = None


@dataclass(frozen=True, eq=False)
class Segmentation:
    """All silhouettes of one photo, and what was noticed on the way.

    ``beyond_mm`` are the places past the sheet's edge, mm, where no tool was looked for.
    """

    photo_id: str
    silhouettes: tuple[Silhouette, ...]
    checks: tuple[Check, ...] = ()
    beyond_mm: tuple[Polygon, ...] = ()
