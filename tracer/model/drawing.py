"""What goes to the machine: closed curves of lines and arcs on layers, in mm.

A `Drawing` holds one sheet and one side. Its origin is the sheet's lower left corner, x right,
y up, seen from the side that lies upwards on the machine. It knows nothing of file formats.

Vocabulary
----------
loop
    A closed curve of straight and circular pieces. Each piece starts at a vertex and carries a
    *bulge*: tan(angle / 4) of its arc, positive counter-clockwise, 0 for a straight piece.
layer
    One operation at one depth, for example ``pocket-12.0``.
path
    A loop on a layer. Paths are listed in the order in which they are to be cut.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["CutPath", "Drawing", "KerfNote", "Layer", "Loop", "Operation"]


class Operation(StrEnum):
    """What is done along a path. The value is the layer's name, without its depth."""

    FIXING = "fixing"
    NOTCH = "notch"
    WELL = "well"
    INSERT = "insert"
    INLAY = "inlay"
    BACK_CAVITY = "back-cavity"
    POCKET = "pocket"
    THROUGH = "through"
    SHEET_EDGE = "sheet-edge"
    #: helps beside the walls, for machines that want them: their layers are off in the file
    LEAD = "lead"
    TAB = "tab"
    CORNER_LOOP = "corner-loop"
    #: the rest is for the eye and the rule, never cut
    LABEL = "label"
    OUTLINE = "outline"
    CHECK_SQUARE = "check-square"
    CHECK_CIRCLE = "check-circle"

    @property
    def is_cut(self) -> bool:
        """Whether a machine follows the path; the others belong to the reference file."""
        return self not in _REFERENCE

    @property
    def is_aid(self) -> bool:
        """Whether it helps beside a wall (lead, tab, corner loop) and is off unless switched on."""
        return self in _AIDS

    @property
    def has_depth(self) -> bool:
        """Whether the layer's name carries a depth."""
        return self in _DEEP


_AIDS = {Operation.LEAD, Operation.TAB, Operation.CORNER_LOOP}
_REFERENCE = {
    *_AIDS,
    Operation.LABEL,
    Operation.OUTLINE,
    Operation.CHECK_SQUARE,
    Operation.CHECK_CIRCLE,
}
_DEEP = {Operation.NOTCH, Operation.WELL, Operation.POCKET, Operation.BACK_CAVITY}


@dataclass(frozen=True)
class Layer:
    """One operation at one depth (None for operations without a depth of their own).

    Examples
    --------
    >>> Layer(Operation.POCKET, 12).name
    'pocket-12.0'
    >>> Layer.parse("back-cavity-40.0").depth_mm
    40.0
    """

    operation: Operation
    depth_mm: float | None = None

    def __post_init__(self) -> None:
        if self.operation.has_depth != (self.depth_mm is not None):
            raise ValueError(f"{self.operation} and a depth of {self.depth_mm} do not go together")

    @property
    def name(self) -> str:
        """Lower case name, with the depth in mm to one decimal."""
        if self.depth_mm is None:
            return self.operation.value
        return f"{self.operation.value}-{self.depth_mm:.1f}"

    @classmethod
    def parse(cls, name: str) -> Layer:
        """Layer of a name; ValueError when it is none of ours."""
        if name in Operation._value2member_map_:
            return cls(Operation(name))
        head, _, depth = name.rpartition("-")
        return cls(Operation(head), float(depth))


@dataclass(frozen=True, eq=False)
class Loop:
    """A closed curve.

    Attributes
    ----------
    vertices
        (N, 3) read-only array of x_mm, y_mm and the bulge of the piece that starts there; the
        first vertex is not repeated. At least 3 vertices, or 2 where a bulge is not 0.
    """

    vertices: NDArray[np.float64]

    def __post_init__(self) -> None:
        v = np.array(self.vertices, np.float64)
        if v.ndim != 2 or v.shape[1] != 3:
            raise ValueError(f"a loop needs (N, 3) vertices, not {v.shape}")
        if not np.isfinite(v).all():
            raise ValueError("a loop's vertices must be finite numbers")
        if len(v) < 2 or (len(v) < 3 and not v[:, 2].any()):
            raise ValueError(f"{len(v)} vertices do not close a loop")
        v.setflags(write=False)
        object.__setattr__(self, "vertices", v)

    @classmethod
    def polygon(cls, points_mm: ArrayLike) -> Loop:
        """Loop of straight pieces through points (N, 2) or (N, 3), first not repeated."""
        p = np.asarray(points_mm, np.float64)[:, :2]
        return cls(np.column_stack([p, np.zeros(len(p))]))

    @classmethod
    def rectangle(cls, x_mm: float, y_mm: float, width_mm: float, height_mm: float) -> Loop:
        """Counter-clockwise rectangle from its lower left corner."""
        x2, y2 = x_mm + width_mm, y_mm + height_mm
        return cls.polygon([(x_mm, y_mm), (x2, y_mm), (x2, y2), (x_mm, y2)])

    @classmethod
    def circle(cls, x_mm: float, y_mm: float, radius_mm: float) -> Loop:
        """Counter-clockwise circle of two semicircles (bulge 1)."""
        return cls(np.array([(x_mm - radius_mm, y_mm, 1.0), (x_mm + radius_mm, y_mm, 1.0)]))


@dataclass(frozen=True, eq=False)
class CutPath:
    """A loop on a layer.

    ``subject_id`` is the tool, label or fixing it belongs to; ``island`` marks the boundary of
    material that stays inside another path.
    """

    loop: Loop
    layer: Layer
    subject_id: str = ""
    island: bool = False


@dataclass(frozen=True)
class KerfNote:
    """Whether the drawn lines already allow for the cutter's width, and by how much.

    ``compensated_mm`` is how far walls were moved towards the waste (half the kerf), 0 when the
    machine is left to do it. ``measured``: the piece is cut to measure the kerf, so nobody allows
    for it.
    """

    kerf_mm: float = 0.0
    compensated_mm: float = 0.0
    measured: bool = False

    def sentence(self) -> str:
        """The line for file headers and the job sheet."""
        if self.measured:
            return (
                "Kerf compensated nowhere: this piece measures it. Lines are cut as they are "
                "drawn, so switch compensation off at the machine as well."
            )
        if self.compensated_mm:
            return (
                f"Kerf compensated in this file: lines moved {self.compensated_mm:.2f} mm into the "
                f"waste for a kerf of {self.kerf_mm:.2f} mm. "
                f"Switch compensation off at the machine."
            )
        if self.kerf_mm:
            return (
                f"Kerf not compensated: lines are the finished walls. "
                f"Let the machine allow for its kerf of {self.kerf_mm:.2f} mm."
            )
        return "Kerf not compensated: lines are the finished walls."


@dataclass(frozen=True, eq=False)
class Drawing:
    """What is done to one side of one sheet.

    Attributes
    ----------
    title
        Name of the sheet and side for people and file headers.
    size_mm
        Width and height of the sheet.
    paths
        In the order of cutting.
    kerf
        What was done about the cutter's width.
    origin_mm
        Where the drawing's (0, 0) lies in the frame its shapes came from (sheet or panel).
    tolerance_mm
        How far the drawn lines may lie from the shapes they stand for.
    """

    title: str
    size_mm: tuple[float, float]
    paths: tuple[CutPath, ...]
    kerf: KerfNote = field(default_factory=KerfNote)
    origin_mm: tuple[float, float] = (0.0, 0.0)
    tolerance_mm: float = 0.0

    @property
    def layers(self) -> tuple[Layer, ...]:
        """Layers in the order of their first path."""
        return tuple(dict.fromkeys(path.layer for path in self.paths))
