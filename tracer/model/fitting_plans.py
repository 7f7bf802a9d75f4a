"""What a maker asks for beside the tools: emblems, cable rooms, mounts, ledges, a rest rail.

Places are in mm from the lower left corner of the panel's box, seen from the front; a place that
is not typed is the middle of the panel. Shapes that come from a drawing are named by their file;
`tracer.model.fittings.Drawn` holds what was found in it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from tracer.model.stack import Stock

__all__ = [
    "CavityPlan",
    "EmblemPlan",
    "HolePlan",
    "Islands",
    "LedgePlan",
    "MountPlan",
    "RailPlan",
    "Row",
    "Side",
]


class Islands(StrEnum):
    """What becomes of foam inside an emblem (the middle of an O) where the hole goes through."""

    LOOSE = "loose"  # cut as pieces of their own, listed, glued back
    BRIDGED = "bridged"  # held by a bridge of foam, as in a stencil
    FILLED = "filled"


class Side(StrEnum):
    """A rim of the panel."""

    LOWER = "lower"
    UPPER = "upper"
    LEFT = "left"
    RIGHT = "right"


class Row(StrEnum):
    """How a row of equal mounts runs."""

    LEVEL = "level"
    UPRIGHT = "upright"


@dataclass(frozen=True)
class EmblemPlan:
    """An emblem let into the face; exactly one of ``text``, ``file`` and ``outline_id``.

    Attributes
    ----------
    text
        Letters in the shipped font; ``height_mm`` is then their cap height.
    file
        SVG or DXF drawing kept in the job's folder ``drawings``.
    outline_id
        An outline of the job, for example of a drawing that was photographed; it gets no pocket.
    x_mm, y_mm
        Middle of its box; without: the middle of ``within_mm``, else of the panel.
    within_mm
        x, y, width, height of a region that it is centred in, and fitted into where no size is
        typed.
    width_mm, height_mm
        Size of its box before it is turned; one of them scales the other. Without: as drawn.
    stock
        Sheet of the inlay; None: the sheet of the floor inserts, else the base's.
    depth_mm
        Depth of its hole; None: as deep as the inlay is thick, so that it closes flush.
    press_mm
        By how much the inlay is larger than its hole all round; None: as a floor insert.
    """

    name: str
    text: str | None = None
    file: str | None = None
    outline_id: str | None = None
    x_mm: float | None = None
    y_mm: float | None = None
    within_mm: tuple[float, float, float, float] | None = None
    width_mm: float | None = None
    height_mm: float | None = None
    turn_deg: float = 0.0
    stock: Stock | None = None
    depth_mm: float | None = None
    press_mm: float | None = None
    islands: Islands = Islands.LOOSE


@dataclass(frozen=True)
class CavityPlan:
    """Room for a cable, cut from behind.

    The shape is a crescent (``radius_mm`` of its middle line, ``start_deg``, ``sweep_deg``; 360
    makes a ring), a channel along ``path_mm``, or the outline in ``file``.

    Attributes
    ----------
    cable_mm, length_mm
        Diameter and length of the cable that lies in it.
    x_mm, y_mm
        Middle of the crescent's circle, or of the drawing's box.
    width_mm
        Width of crescent or channel; None: as wide as cable and bend need.
    skin_mm
        Foam left at the front; None: the rule's.
    pocket_id
        The pocket that the cable comes from: an exit slit leads into it.
    exit_mm
        Where the cable leaves instead, as a point on the panel's rim or in an opening.
    """

    name: str
    cable_mm: float
    length_mm: float
    x_mm: float | None = None
    y_mm: float | None = None
    radius_mm: float | None = None
    start_deg: float = 0.0
    sweep_deg: float = 180.0
    path_mm: tuple[tuple[float, float], ...] = ()
    file: str | None = None
    width_mm: float | None = None
    skin_mm: float | None = None
    pocket_id: str | None = None
    exit_mm: tuple[float, float] | None = None


@dataclass(frozen=True)
class HolePlan:
    """A hole of a pattern, from the thing's middle, with its diameter there."""

    x_mm: float
    y_mm: float
    diameter_mm: float


@dataclass(frozen=True)
class MountPlan:
    """A charger, hook or bracket that is screwed to the board, with the foam cut out round it.

    Attributes
    ----------
    holes, file
        Its pattern: typed from the thing's middle, or the circles of a drawing, the middle of
        whose box is taken for the thing's.
    from_behind
        The pattern is that of the thing's back as one looks at it: it is mirrored for the wall.
    width_mm, height_mm
        Size of the thing itself, about the same middle.
    air_mm
        Free air round it; None: the rule's where it is powered, else none.
    count, pitch_mm, row
        Equal mounts in a row, the first at the place typed.
    pilot_mm
        Drill for the screws; None: the rule's share of each hole.
    cable_mm, cable_to
        Thickness of its lead, and the rim of the panel that a way for it is cut to.
    """

    name: str
    holes: tuple[HolePlan, ...] = ()
    file: str | None = None
    from_behind: bool = False
    x_mm: float | None = None
    y_mm: float | None = None
    turn_deg: float = 0.0
    width_mm: float | None = None
    height_mm: float | None = None
    air_mm: float | None = None
    count: int = 1
    pitch_mm: float | None = None
    row: Row = Row.LEVEL
    powered: bool = False
    mass_kg: float | None = None
    pilot_mm: float | None = None
    cable_mm: float | None = None
    cable_to: Side | None = None


@dataclass(frozen=True)
class LedgePlan:
    """A ledge or bracket for what is too big for a pocket.

    Attributes
    ----------
    x_mm, y_mm
        Middle of the thing that it carries, seen from the front.
    width_mm, height_mm, out_mm
        Size of that thing, and how far it stands out of the face.
    lift_mm, swing_mm
        How far it is lifted up, and swung to either side, to be taken off.
    """

    name: str
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    out_mm: float
    mass_kg: float | None = None
    lift_mm: float = 0.0
    swing_mm: float = 0.0


@dataclass(frozen=True)
class RailPlan:
    """A rest rail under a wall panel.

    Attributes
    ----------
    thickness_mm, height_mm
        Its section: out from the wall, and upright.
    length_mm
        None: as long as the panel is wide.
    pitch_mm
        Greatest distance of its screws; None: by weight.
    hole_mm
        Clearance hole in the rail for its screws.
    finish
        What it is wrapped or painted with, for the job sheet.
    cover_strip
        A strip over the screw heads.
    """

    thickness_mm: float = 20.0
    height_mm: float = 40.0
    length_mm: float | None = None
    pitch_mm: float | None = None
    hole_mm: float = 5.0
    finish: str = ""
    cover_strip: bool = False
