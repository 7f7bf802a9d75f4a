"""A finished panel: what is cut into which sheet, where, how deep, and why.

Frame ``panel_mm``: lower left corner of the panel's box seen from the front; x right, y up.
Depths count from the front face backwards. The back is the panel seen from behind,
x -> W - x with W the width of the box.

Vocabulary
----------
bay
    The opening on the wall or the inside of the drawer that the panel fills.
ply
    One layer of one colour. Plies run from front to back: face, contrast base, backing board.
slab
    Plies that arrive bonded together, cut as one piece. Most slabs are a single ply.
tile
    The part of a slab that is cut from one stock sheet; tiles of a slab meet at seams.
pocket
    The opening for one tool, with its parts: floor insert, wells, finger notches, label.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from shapely.geometry import Polygon

from tracer.model.fittings import BackCavity, DrillHole, Inlay, Ledge, Mount, Rail
from tracer.model.placement import Placement
from tracer.model.report import Check
from tracer.model.stack import Bay, BayKind, Ply, PlyRole, Slab, Stock

__all__ = [
    "BackCavity",
    "Bay",
    "BayKind",
    "Dimension",
    "DrillHole",
    "Fixing",
    "FloorInsert",
    "Inlay",
    "KeepOut",
    "Label",
    "Ledge",
    "Mount",
    "Notch",
    "Panel",
    "PanelPocket",
    "Placement",
    "Ply",
    "PlyRole",
    "Rail",
    "Slab",
    "Stock",
    "Tile",
    "Well",
]


@dataclass(frozen=True, eq=False)
class FloorInsert:
    """Piece of the contrast colour on the floor of a part-depth pocket, numbered as the pocket."""

    region: Polygon
    stock: Stock


@dataclass(frozen=True, eq=False)
class Well:
    """Deeper place for a part of the tool that reaches below its underside."""

    name: str
    region: Polygon
    depth_mm: float


@dataclass(frozen=True, eq=False)
class Notch:
    """Room for fingers. ``sides`` 2: both sides of the grip; 1: one side; 0: a push-to-tilt end.

    A slot shared by several tools belongs to the first and names the others in ``shared_with``.
    """

    region: Polygon
    depth_mm: float
    sides: int
    shared_with: tuple[str, ...] = ()


@dataclass(frozen=True)
class Label:
    """Text on the face; ``x_mm, y_mm`` is the left end of its base line."""

    text: str
    x_mm: float
    y_mm: float
    cap_height_mm: float
    angle_rad: float = 0.0


@dataclass(frozen=True, eq=False)
class PanelPocket:
    """Opening for one tool, with its parts. `tracer.model.pocket` holds the bare wall.

    Attributes
    ----------
    pocket_id
        The outline's id; ``T03-2`` for its second copy; ``B01`` for a pocket of typed size.
    number
        Number on label, insert and lists.
    outline_id, outline_revision
        What it was made from; empty and 0 for typed sizes. A revision that moved on makes the
        pocket stale.
    outline, region
        The tool as estimated and the opening to be cut, panel frame.
    wall
        Where the opening's wall is asked for, before cutter and arcs.
    fit_mm, fit_probability
        Gap per side where the edge is sure, and how surely the tool goes into the wall.
    widths_mm
        How far the wall stands off the outline, where least and where most.
    depth_mm
        From the front face to the floor the tool rests on.
    through
        The whole face is cut out and the base shows.
    """

    pocket_id: str
    number: int
    name: str
    outline_id: str
    outline_revision: int
    placement: Placement
    outline: Polygon
    region: Polygon
    wall: Polygon
    fit_mm: float
    fit_probability: float
    widths_mm: tuple[float, float]
    height_mm: float
    depth_mm: float
    through: bool
    mass_kg: float | None = None
    floor_insert: FloorInsert | None = None
    wells: tuple[Well, ...] = ()
    notches: tuple[Notch, ...] = ()
    label: Label | None = None
    kind: str = "tool"

    @property
    def cut_depth_mm(self) -> float:
        """Depth of the cut: the floor insert lies below the tool."""
        insert = self.floor_insert.stock.thickness_mm if self.floor_insert else 0.0
        return self.depth_mm + insert

    @property
    def proud_mm(self) -> float:
        """How far the tool stands out of the face; negative: below it."""
        return self.height_mm - self.depth_mm


@dataclass(frozen=True, eq=False)
class KeepOut:
    """Rail, socket, pipe: nothing is cut there. ``hole``: the panel itself is cut out."""

    name: str
    region: Polygon
    hole: bool = False


@dataclass(frozen=True)
class Fixing:
    """A screw through the backing board, hidden by the foam. ``reason``: border, field, heavy."""

    x_mm: float
    y_mm: float
    reason: str


@dataclass(frozen=True)
class Dimension:
    """A distance that a maker checks with a tape, from one point to the other, panel frame."""

    name: str
    start_mm: tuple[float, float]
    end_mm: tuple[float, float]

    @property
    def length_mm(self) -> float:
        """The distance."""
        return math.dist(self.start_mm, self.end_mm)


@dataclass(frozen=True, eq=False)
class Tile:
    """Part of a slab that comes from one stock sheet; ``turned``: the sheet lies crosswise."""

    slab: int
    number: int
    region: Polygon
    turned: bool = False


@dataclass(frozen=True, eq=False)
class Panel:
    """The whole panel.

    Attributes
    ----------
    title, revision
        Name for people; the revision counts every change that was written.
    shape
        Rim of the panel, squeeze included.
    plies
        From front to back.
    tiles
        By slab and number.
    insert
        Sheet that floor inserts are cut from, where there is one.
    checks
        Findings, without those that only a machine profile can decide.
    """

    title: str
    revision: int
    bay: Bay
    shape: Polygon
    plies: tuple[Ply, ...]
    pockets: tuple[PanelPocket, ...]
    tiles: tuple[Tile, ...] = ()
    keep_outs: tuple[KeepOut, ...] = ()
    fixings: tuple[Fixing, ...] = ()
    dimensions: tuple[Dimension, ...] = ()
    inlays: tuple[Inlay, ...] = ()
    back_cavities: tuple[BackCavity, ...] = ()
    mounts: tuple[Mount, ...] = ()
    ledges: tuple[Ledge, ...] = ()
    rail: Rail | None = None
    insert: Stock | None = None
    checks: tuple[Check, ...] = field(default=())

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the panel's box."""
        x0, y0, x1, y1 = self.shape.bounds
        return x1 - x0, y1 - y0

    @property
    def slabs(self) -> tuple[Slab, ...]:
        """Pieces as they are cut, from front to back."""
        slabs: list[Slab] = []
        group: list[Ply] = []
        front = depth = 0.0
        for i, ply in enumerate(self.plies):
            group.append(ply)
            depth += ply.stock.thickness_mm
            if not ply.bonded or i == len(self.plies) - 1:
                slabs.append(Slab(len(slabs), tuple(group), front, depth))
                group, front = [], depth
        return tuple(slabs)

    def thickness_mm(self, *roles: PlyRole) -> float:
        """Thickness of the plies of these roles, of all plies without any."""
        return sum(p.stock.thickness_mm for p in self.plies if not roles or p.role in roles)

    def shows_base(self, pocket: PanelPocket) -> bool:
        """Whether a pocket's floor is the base (or within it)."""
        return pocket.depth_mm >= self.face_mm - 1e-6 and self.thickness_mm(PlyRole.BASE) > 0

    @property
    def face_mm(self) -> float:
        """Thickness of the face: the depth of a pocket that goes through to the base."""
        return self.thickness_mm(PlyRole.FACE)
