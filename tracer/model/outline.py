"""What compensation gives: each tool as seen from straight above, in millimetres."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

__all__ = ["Cause", "EdgeModel", "HeightSource", "Outline"]


class HeightSource(StrEnum):
    """Where a tool's height comes from."""

    TYPED = "typed"
    DEFAULT = "default"  # the job's default height
    MEASURED = "measured"  # from several photos
    LEARNED = "learned"
    ASSUMED = "assumed"  # nothing known: taken as 0


class EdgeModel(StrEnum):
    """At which height a single photo is assumed to see a tool's edge."""

    MID = "mid"
    THIN = "thin"
    UPRIGHT = "upright"
    ROUND = "round"
    FRACTION = "fraction"  # a typed fraction of the height, all round
    LEARNED = "learned"
    VIEWS = "views"  # solved from several photos


class Cause(StrEnum):
    """What an edge's standard deviation is made of; one photo and several have their own parts."""

    SILHOUETTE = "silhouette"  # where the photo's edge lies
    HEIGHT = "height"  # the tool's height, as typed or assumed
    EDGE_CLASS = "edge-class"  # at which share of the height the edge is seen
    CAMERA = "camera"  # the camera's place over the sheet
    SHEET = "sheet"  # lens, plane and the cards' places: the map from photo to sheet
    PARALLAX = "parallax"  # several photos: what the best of them leaves of it
    AGREEMENT = "agreement"  # several photos: how far they put the edge apart
    SIGHT = "sight"  # a scan: how far the scanner looks up aslant
    FEW = "few"  # several photos: stretches that hardly one confirms


@dataclass(frozen=True, eq=False)
class Outline:
    """A tool's outline seen straight down.

    Attributes
    ----------
    outline_id
        "T01", "T02" ... in reading order of the first photo; never re-used within a job.
    name
        What the maker calls it; the id where nothing was typed.
    region
        Polygon with holes, sheet frame, mm.
    height_mm
        Height used, and ``height_source`` where it came from.
    method
        Edge model used.
    sigma_mm
        Standard deviation of the edge along its normal, typical for the tool, all causes.
    sigma_ring_mm
        (N,) the same per exterior vertex.
    bias_bound_mm
        One-sided bound of the error that no sigma covers (edge class unknown, edge hidden), mm.
    confidence
        0 to 1.
    outer, inner
        Bounds where the photos leave the edge open (None where they do not).
    photo_ids
        Photos used.
    point_px
        A point inside the tool in the first photo that shows it.
    budget_mm
        What ``sigma_mm`` is made of: independent standard deviations whose squares add up to its
        square, typical for the tool as it is. Empty where it is not known.
    in_doubt
        Tracing names it as one to look at before it is cut.
    """

    outline_id: str
    name: str
    region: Polygon
    height_mm: float
    height_source: HeightSource
    method: EdgeModel
    sigma_mm: float
    sigma_ring_mm: NDArray[np.float64]
    bias_bound_mm: float
    confidence: float
    photo_ids: tuple[str, ...]
    point_px: tuple[float, float]
    cut_by_frame: bool = False
    cable: bool = False
    height_sigma_mm: float | None = None
    outer: BaseGeometry | None = None
    inner: BaseGeometry | None = None
    revision: int = 1
    budget_mm: Mapping[Cause, float] = field(default_factory=dict)
    in_doubt: bool = False
