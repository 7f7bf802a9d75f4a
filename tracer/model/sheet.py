"""What is done to one piece of foam or board, before it becomes lines for a machine.

Vocabulary
----------
section
    The part of a tile that lies on the machine's bed at one time. A tile that fits the bed has
    one section; others are pushed along and registered again by two pins.
feature
    One opening or mark: operation, depth within this piece, wall. The wall of a tool's pocket is
    already made of lines and arcs; other regions are still to be fitted.
"""

from __future__ import annotations

from dataclasses import dataclass

from shapely.geometry import Polygon

from tracer.model.drawing import Layer, Loop
from tracer.model.stack import PlyRole, Stock

__all__ = ["Feature", "SheetText", "SheetWork"]


@dataclass(frozen=True, eq=False)
class Feature:
    """One opening (or loose piece with ``outward``), panel frame.

    Attributes
    ----------
    region
        The area; its holes are islands that stay.
    loops
        The same as finished loops where they are known: outer ones counter-clockwise, islands
        clockwise; empty where they are still to be fitted.
    outward
        The region is the piece that is kept (an insert), not the hole.
    tolerance_mm
        How close lines and arcs lie to the region; None: as usual.
    """

    layer: Layer
    region: Polygon
    subject_id: str
    loops: tuple[Loop, ...] = ()
    outward: bool = False
    tolerance_mm: float | None = None


@dataclass(frozen=True)
class SheetText:
    """Letters that are shown, not cut."""

    text: str
    x_mm: float
    y_mm: float
    cap_height_mm: float
    subject_id: str
    centred: bool = False


@dataclass(frozen=True, eq=False)
class SheetWork:
    """Everything about one section of one tile, or one sheet of loose pieces.

    Attributes
    ----------
    key
        Short name for files: ``1-face-dark-grey``, with tile and section where there are several.
    title
        For people.
    edge
        Rim of the piece, panel frame; None where this section does not cut it.
    window_mm
        x_min, y_min, x_max, y_max of what lies on the bed; its lower left corner becomes (0, 0).
    outlines
        True outlines of the tools in it, with their ids.
    side
        ``back``: seen from behind, mirrored; everything of it is in the mirrored panel frame.
    """

    key: str
    title: str
    stock: Stock
    role: PlyRole | None
    thickness_mm: float
    edge: Polygon | None
    window_mm: tuple[float, float, float, float]
    features: tuple[Feature, ...]
    outlines: tuple[tuple[str, Polygon], ...] = ()
    texts: tuple[SheetText, ...] = ()
    side: str = "front"
