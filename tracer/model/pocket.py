"""A pocket: where foam is taken away for one tool."""

from __future__ import annotations

from dataclasses import dataclass

from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.model.drawing import Loop

__all__ = ["Pocket", "PocketRule", "Room"]


@dataclass(frozen=True, eq=False)
class Room:
    """What a pocket is to leave for its tool.

    Attributes
    ----------
    wall
        Where the wall is to stand, islands of foam as holes; frame of the outline.
    gap_mm
        Gap per side where the edge is sure (negative: squeezed).
    probability
        With which the tool goes into this wall.
    least_mm, most_mm
        How far the wall stands off the estimated edge, where least and where most.
    needed_mm, where_mm
        How far it would have to stand off at the place in most doubt, and that place. More than
        ``most_mm`` where a limit was set.
    sought
        Probability with which the tool would go in without a limit: what was asked for, or less
        where the outline may lack a part.
    """

    wall: Polygon
    gap_mm: float
    probability: float
    least_mm: float
    most_mm: float
    needed_mm: float
    where_mm: tuple[float, float]
    sought: float = 1.0

    @property
    def limited(self) -> bool:
        """Whether a limit keeps the wall closer than the probability asked for needs."""
        return self.needed_mm > self.most_mm + 1e-6


@dataclass(frozen=True, kw_only=True)
class PocketRule:
    """How a pocket is made from a region.

    Attributes
    ----------
    fit_mm
        The estimated outline moved outward by this much (negative for a press fit) lies inside
        the wall, cutter's corners included, but for the tolerance.
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

    fit_mm: float = 0.0
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
    wanted
        Where the wall was asked for, before lines and arcs were fitted to it.
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
    wanted: Polygon
    outline_revision: int = 1
