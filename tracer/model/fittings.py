"""What a panel has beside pockets: emblems, cable rooms, mounts, ledges, a rest rail.

All in the panel's frame, seen from the front.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from tracer.model.stack import Stock

__all__ = ["BackCavity", "Drawn", "DrillHole", "Inlay", "Ledge", "Mount", "Rail", "Region"]

Region = Polygon | MultiPolygon


@dataclass(frozen=True, eq=False)
class Inlay:
    """Emblem of the contrast colour let into the face.

    Attributes
    ----------
    region
        Hole in the face; the inlay is the same, larger by ``press_mm`` all round.
    depth_mm
        Of the hole, from the front face.
    through
        The hole goes through the whole face.
    loose
        Pieces of face foam within the hole that fall out and are glued back.
    """

    inlay_id: str
    region: Region
    stock: Stock
    name: str = ""
    depth_mm: float = 0.0
    press_mm: float = 0.0
    through: bool = False
    loose: tuple[Polygon, ...] = ()


@dataclass(frozen=True, eq=False)
class BackCavity:
    """Room cut from behind (a cable), seen from the front; leaves ``skin_mm`` of face.

    Attributes
    ----------
    exit
        Slit through which the cable leaves, cut as deep as the room.
    cable_mm, length_mm
        Of the cable that lies in it.
    bend_mm
        Least radius of the cable's middle line in it.
    pocket_id
        Pocket or mount that it leads into; empty: it leads elsewhere.
    """

    cavity_id: str
    region: Polygon
    skin_mm: float
    exit: Polygon | None = None
    name: str = ""
    cable_mm: float = 0.0
    length_mm: float = 0.0
    bend_mm: float = 0.0
    pocket_id: str = ""

    @property
    def whole(self) -> Polygon:
        """Room and exit as one area."""
        if self.exit is None:
            return self.region
        both = shapely.union_all([self.region, self.exit])
        return both if isinstance(both, Polygon) else self.region


@dataclass(frozen=True)
class DrillHole:
    """A hole to be drilled: diameter of the screw's hole in the thing, and of the drill."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    pilot_mm: float


@dataclass(frozen=True, eq=False)
class Mount:
    """A thing screwed to the board.

    Attributes
    ----------
    body
        The thing itself; None: not known.
    opening
        What is cut out of the foam: the thing with its free air, and the way of its lead; None:
        nothing.
    """

    mount_id: str
    name: str
    holes: tuple[DrillHole, ...]
    body: Polygon | None = None
    opening: Polygon | None = None
    powered: bool = False
    air_mm: float = 0.0
    mass_kg: float | None = None


@dataclass(frozen=True, eq=False)
class Ledge:
    """What stands on a ledge or bracket in front of the face, and the room to take it off."""

    ledge_id: str
    name: str
    region: Polygon
    room: Polygon
    out_mm: float
    mass_kg: float | None = None


@dataclass(frozen=True)
class Rail:
    """A rest rail right under the panel; ``x_mm`` is its left end, its top edge lies at y = 0."""

    x_mm: float
    length_mm: float
    thickness_mm: float
    height_mm: float
    holes: tuple[DrillHole, ...]
    load_kg: float | None = None
    finish: str = ""
    cover_strip: bool = False


@dataclass(frozen=True, eq=False)
class Drawn:
    """Shapes that a plan's emblems, cavities and mounts have from elsewhere, by number from 1.

    Emblems and cavities in mm about any origin; holes as the drawing has them.
    """

    emblems: Mapping[int, BaseGeometry] = field(default_factory=dict)
    cavities: Mapping[int, Polygon] = field(default_factory=dict)
    holes: Mapping[int, tuple[DrillHole, ...]] = field(default_factory=dict)
