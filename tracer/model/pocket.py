"""A pocket: where foam is taken away for one tool."""

from __future__ import annotations

from dataclasses import dataclass

from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.model.drawing import Loop

__all__ = ["Pocket", "PocketRule"]


@dataclass(frozen=True, kw_only=True)
class PocketRule:
    """How a pocket is made from a region.

    Attributes
    ----------
    fit_mm
        The promise: the pocket contains the estimated outline moved outward by this much
        (negative for a press fit).
    margin_mm
        Added for what the estimate may be wrong by.
    depth_mm
        Depth of the floor, None for a cut right through.
    cutter_radius_mm
        Smallest inside radius of the finished wall.
    relief
        Whether corners may be cut out so that the promise holds.
    tolerance_mm
        How far lines and arcs may lie from the ideal wall.
    tongue_mm
        Foam between parts of one tool that is narrower than this is taken away.
    island_radius_mm, island_area_mm2
        Smallest foam island worth keeping: radius of its largest inscribed circle, and area.
    """

    fit_mm: float = 0.8
    margin_mm: float = 0.0
    depth_mm: float | None = None
    cutter_radius_mm: float = 0.0
    relief: bool = True
    tolerance_mm: float = 0.1
    # common practice, no source: smallest cut feature 5 mm, smallest island 6 mm / 400 mm^2
    tongue_mm: float = 5.0
    island_radius_mm: float = 6.0
    island_area_mm2: float = 400.0


@dataclass(frozen=True, eq=False)
class Pocket:
    """A finished pocket.

    Attributes
    ----------
    pocket_id
        The tool's outline id.
    name
        The tool's name.
    wall
        Outer loop, counter-clockwise, in the frame of the outline it was made from, mm.
    islands
        Loops of foam left standing inside, clockwise.
    rule
        What it was made by.
    region
        The area taken away, arcs opened up.
    outline
        The estimated outline it was made from.
    outline_revision
        Which state of the outline.
    """

    pocket_id: str
    name: str
    wall: Loop
    islands: tuple[Loop, ...]
    rule: PocketRule
    region: Polygon
    outline: BaseGeometry
    outline_revision: int = 1
