"""What several photos give together: tools, what is left over, findings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.model.outline import Cause, EdgeModel, HeightSource, Outline
from tracer.model.report import Check
from tracer.model.silhouette import Silhouette
from tracer.parallax.multi_view.outliers import Outlier, Slip

__all__ = ["EdgeHeights", "SolvedTool", "TypedHeight", "ViewsSolution"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class TypedHeight:
    """A height from the tool list: the tool round ``point_px`` of photo ``photo_id``."""

    photo_id: str
    point_px: tuple[float, float]
    height_mm: float
    sigma_mm: float = 1.0


@dataclass(frozen=True, eq=False)
class EdgeHeights:
    """Heights along the outline, per exterior vertex.

    ``low_mm`` and ``high_mm`` (N,) are the heights at which the edge is seen from in front of it
    and from behind it.
    """

    low_mm: Array
    high_mm: Array


@dataclass(frozen=True, eq=False)
class SolvedTool:
    """A tool as several photos together give it.

    Attributes
    ----------
    region
        Outline seen straight down, with holes, mm.
    sigma_ring_mm, sigma_mm
        (N,) standard deviation per exterior vertex, and typical for the tool, all causes.
    outer, inner
        Bounds of what the photos leave open; None where they leave less than 0.3 mm.
    bias_bound_mm
        How far an edge that all photos see from one side may hide something wider; 0 when less
        than 5 % of the contour is concerned. `outer` holds the same, place by place.
    height_mm, height_sigma_mm, height_source
        Highest point, typed or estimated from the highest edges seen.
    edges
        Heights along the outline.
    edge_mm
        The one height that fits all edges best.
    budget_mm
        What ``sigma_mm`` is made of.
    photo_ids
        Photos used.
    point_px
        A point inside the tool in the first photo that shows it.
    """

    region: Polygon
    sigma_ring_mm: Array
    sigma_mm: float
    outer: BaseGeometry | None
    inner: BaseGeometry | None
    bias_bound_mm: float
    height_mm: float
    height_sigma_mm: float
    height_source: HeightSource
    edges: EdgeHeights
    edge_mm: float
    confidence: float
    photo_ids: tuple[str, ...]
    silhouettes: tuple[Silhouette, ...]
    point_px: tuple[float, float]
    cable: bool
    cut_by_frame: bool
    slips: tuple[Slip, ...] = ()
    budget_mm: Mapping[Cause, float] = field(default_factory=dict)

    def outline(self, outline_id: str, name: str) -> Outline:
        """The same as the outline that goes on to the panel."""
        return Outline(
            outline_id=outline_id,
            name=name,
            region=self.region,
            height_mm=self.height_mm,
            height_source=self.height_source,
            method=EdgeModel.VIEWS,
            sigma_mm=self.sigma_mm,
            sigma_ring_mm=self.sigma_ring_mm,
            bias_bound_mm=self.bias_bound_mm,
            confidence=self.confidence,
            photo_ids=self.photo_ids,
            point_px=self.point_px,
            cut_by_frame=self.cut_by_frame,
            cable=self.cable,
            height_sigma_mm=self.height_sigma_mm,
            outer=self.outer,
            inner=self.inner,
            budget_mm=self.budget_mm,
        )


@dataclass(frozen=True, eq=False)
class ViewsSolution:
    """Everything that several photos give.

    Attributes
    ----------
    tools
        Solved tools, in the order of the first photo's silhouettes.
    lone
        Silhouettes that only one photo shows and no other should: to be compensated like those
        of a single photo.
    outliers
        Silhouettes left out, with the reason.
    checks
        Findings about the lay and about tools; a tool is named by the silhouette it has in the
        first photo that shows it (``subject_id``).
    """

    tools: tuple[SolvedTool, ...]
    lone: tuple[Silhouette, ...]
    outliers: tuple[Outlier, ...]
    checks: tuple[Check, ...]
