"""What a layout is made of: pieces with their turns, the bay they go into, and exact tests.

A piece's *envelope* is what no other piece's envelope may overlap: its opening grown by half the
gap between tools, its notches and wells by half the web, its label by half the air between
letters and edges. Two envelopes apart therefore keep every distance at once. Towards the rim each
part has its own distance, so the room for a piece is found per edge of the bay.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import STRtree, affinity
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.geometry.rings import polygons_in
from tracer.model.panel import BayKind

__all__ = ["Member", "Piece", "Rim", "Spot", "Task", "Variant", "clashes", "inside"]

Array = NDArray[np.float64]

#: places are written to a tenth; distances are kept in spite of that
ROUNDING_MM = 0.1
#: two envelopes may share this area by rounding alone
_TOUCH_MM2 = 0.05
_BRIDGE_MM = 0.5


@dataclass(frozen=True, eq=False)
class Variant:
    """A piece at one turn, the middle of its first opening's box at 0, 0.

    Attributes
    ----------
    turn_deg
        From how it lay in the photo.
    tool, cuts, label
        Openings, openings with wells and notches, room for the label (empty without one).
    envelope
        See the module.
    reach_mm
        (E, ) how far the piece with its distances reaches along the outward normal of each edge
        of the bay.
    seats
        Per tool: the middle of its opening's box from the piece's place, and its turn in degrees
        from how it lay in the photo.
    stands_deg
        Turn from standing upright.
    """

    turn_deg: float
    tool: BaseGeometry
    cuts: BaseGeometry
    label: BaseGeometry
    envelope: Polygon
    reach_mm: Array
    seats: tuple[tuple[float, float, float], ...] = ()
    stands_deg: float = 0.0


@dataclass(frozen=True)
class Member:
    """One tool of a piece: its place and turn within the piece at its first turn."""

    pocket_id: str
    x_mm: float = 0.0
    y_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class Piece:
    """What is placed as one: a tool, or tools that share a finger slot.

    Attributes
    ----------
    members
        Its tools; places within the piece count at the first turn, from the first one's middle.
    variants
        Turns that are tried, the first as it lay. For a long piece, turns of a quarter: upright,
        lying, upside down, lying the other way.
    long
        Whether it has a long side.
    way
        Which end is the heavier one at the first turn: 1 up, -1 down, 0 neither.
    kin, size_mm
        Group of like tools, and what orders them within it.
    """

    members: tuple[Member, ...]
    variants: tuple[Variant, ...]
    long: bool
    way: int
    kin: str
    size_mm: float
    mass_kg: float
    daily: bool = False
    known_mass: bool = False

    @property
    def pocket_id(self) -> str:
        """Id of its first tool."""
        return self.members[0].pocket_id


@dataclass(frozen=True)
class Spot:
    """Where a piece stands: its index, which turn, and the middle of its first opening's box."""

    piece: int
    turn: int
    x_mm: float
    y_mm: float


@dataclass(frozen=True, eq=False)
class Rim:
    """The bay as half planes: a point is inside where ``normals @ p <= offsets``."""

    normals: Array
    offsets: Array

    @classmethod
    def of(cls, shape: Polygon) -> Rim:
        """Half planes of a convex bay; of one that is not, those of its hull."""
        ring = np.asarray(shapely.get_coordinates(shapely.orient_polygons(shape.convex_hull)))
        step = np.diff(ring, axis=0)
        step = step[np.hypot(*step.T) > 1e-9]
        normals = np.column_stack([step[:, 1], -step[:, 0]]) / np.hypot(*step.T)[:, None]
        offsets = (normals @ ring.T).max(axis=1)
        return cls(normals, offsets)


@dataclass(frozen=True, eq=False)
class Task:
    """Pieces and rules.

    Attributes
    ----------
    shape, rim
        The panel, lower left corner of its box at 0, 0.
    blocked
        Where no envelope may reach: keep-outs, seams, tools that stay, with half their distances.
    stays
        Pieces that keep their place, by index.
    gap_mm
        Between tools.
    reach
        Per piece: lowest and highest place of its middle (heavy tools on a wall), or None.
    """

    shape: Polygon
    kind: BayKind
    pieces: tuple[Piece, ...]
    gap_mm: float
    blocked: tuple[BaseGeometry, ...] = ()
    stays: tuple[Spot, ...] = ()
    reach: tuple[tuple[float, float] | None, ...] = ()
    rim: Rim = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "rim", Rim.of(self.shape))
        if not self.reach:
            object.__setattr__(self, "reach", (None,) * len(self.pieces))

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the panel's box."""
        return float(self.shape.bounds[2]), float(self.shape.bounds[3])

    @property
    def free(self) -> tuple[int, ...]:
        """Pieces that may be moved."""
        stay = {s.piece for s in self.stays}
        return tuple(i for i in range(len(self.pieces)) if i not in stay)

    def variant(self, spot: Spot) -> Variant:
        """The variant that stands at a spot."""
        return self.pieces[spot.piece].variants[spot.turn]

    def envelope(self, spot: Spot) -> Polygon:
        """Its envelope in the panel."""
        return affinity.translate(self.variant(spot).envelope, spot.x_mm, spot.y_mm)

    def slack_mm(self, spot: Spot) -> Array:
        """(E, ) room left towards each edge; negative: too near."""
        at = self.rim.normals @ np.array([spot.x_mm, spot.y_mm])
        slack: Array = self.rim.offsets - self.variant(spot).reach_mm - at
        return slack

    def fits_alone(self, piece: int, turn: int) -> bool:
        """Whether a piece at one turn fits the empty bay (its box, edges taken pairwise)."""
        return room_box(self, piece, turn) is not None


def room_box(task: Task, piece: int, turn: int) -> tuple[float, float, float, float] | None:
    """Box around all places of a piece's middle that keep the rim; None where there is none."""
    corners = room_corners(task, piece, turn)
    if len(corners) == 0:
        return None
    low, high = corners.min(axis=0), corners.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def room_corners(task: Task, piece: int, turn: int) -> Array:
    """Corners (N, 2) of the region of a piece's middle that keeps the rim."""
    normals = task.rim.normals
    limits = task.rim.offsets - task.pieces[piece].variants[turn].reach_mm
    reach = task.reach[piece]
    if reach is not None:
        normals = np.vstack([normals, [[0.0, 1.0], [0.0, -1.0]]])
        limits = np.append(limits, [reach[1], -reach[0]])
    found = []
    for a in range(len(normals)):
        for b in range(a + 1, len(normals)):
            m = normals[[a, b]]
            if abs(np.linalg.det(m)) < 1e-9:
                continue
            p = np.linalg.solve(m, limits[[a, b]])
            if (normals @ p <= limits + 1e-6).all():
                found.append(p)
    return np.array(found).reshape(-1, 2)


def inside(task: Task, spot: Spot, tolerance_mm: float = 0.8 * ROUNDING_MM) -> bool:
    """Whether a piece keeps its distances to the rim, and its height on the wall."""
    if float(task.slack_mm(spot).min()) < -tolerance_mm:
        return False
    reach = task.reach[spot.piece]
    return reach is None or reach[0] - 1e-6 <= spot.y_mm <= reach[1] + 1e-6


def clashes(task: Task, spots: Sequence[Spot]) -> list[tuple[int, int]]:
    """Pairs of positions in ``spots`` that overlap; -1 stands for what is blocked.

    A spot that does not keep the rim is paired with -2.
    """
    shapes = [task.envelope(s) for s in spots]
    stay = {s.piece for s in task.stays}
    found = [(-2, k) for k, s in enumerate(spots) if s.piece not in stay and not inside(task, s)]
    tree = STRtree(shapes)
    i, j = tree.query(shapes, predicate="intersects")
    for a, b in sorted(zip(i.tolist(), j.tolist(), strict=True)):
        if a >= b or {spots[a].piece, spots[b].piece} <= stay:
            continue
        if shapes[a].intersection(shapes[b]).area > _TOUCH_MM2:
            found.append((a, b))
    for region in task.blocked:
        for k in sorted(tree.query(region, predicate="intersects").tolist()):
            clash = shapes[k].intersection(region).area > _TOUCH_MM2
            if clash and spots[k].piece not in stay:
                found.append((-1, k))
    return found


def hull_of(parts: Sequence[BaseGeometry]) -> Polygon:
    """One ring around parts; what lies apart is joined to the rest by a narrow bridge."""
    joined = shapely.union_all([p for p in parts if not p.is_empty])
    while not isinstance(joined, Polygon):
        pieces = sorted(polygons_in(joined), key=lambda g: -float(g.area))
        rest = shapely.union_all(pieces[1:])
        bridge = shapely.shortest_line(pieces[0], rest).buffer(_BRIDGE_MM)
        joined = shapely.union_all([joined, bridge])
    return Polygon(joined.exterior)
