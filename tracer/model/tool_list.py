"""The maker's tool list: names, heights and what else was typed, one row per tool."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace

from tracer.model.outline import EdgeModel

__all__ = ["RowSource", "ToolRow"]


@dataclass(frozen=True, eq=False)
class RowSource:
    """A row as it stands in its file: its text and cells, and the lines above that are no rows.

    A row that comes new to a file has no cells, but may bring lines that belong above it.
    """

    text: str = ""
    cells: tuple[str, ...] = ()
    above: tuple[str, ...] = ()


@dataclass(frozen=True)
class ToolRow:
    """One row of ``tools.csv``. None means: not typed.

    ``x_px, y_px`` is a point inside the tool in the first photo, upright. ``edge_fraction`` goes
    with `EdgeModel.FRACTION`. ``known_mm`` is the size of a thing that lies there to be measured: a
    diameter, or two sides. ``pose`` is how moving parts were set for the photo: "closed". ``extra``
    keeps columns that this version does not know, so that nothing a maker typed is lost when the
    list is written again. ``source`` is the row as it stands in the file; it is no part of what the
    row says.
    """

    name: str | None
    x_px: float
    y_px: float
    height_mm: float | None = None
    edge: EdgeModel | None = None
    edge_fraction: float | None = None
    mass_kg: float | None = None
    depth_mm: float | None = None
    quantity: int = 1
    tilt_deg: float | None = None
    packed: bool = False
    lay: int = 1
    line: int = 0
    #: no input of a run, so that typing it does not make a lay look changed
    known_mm: tuple[float, ...] | None = field(default=None, repr=False)
    pose: str | None = field(default=None, repr=False)
    extra: dict[str, str] = field(default_factory=dict)
    source: RowSource | None = field(default=None, compare=False, repr=False)

    @property
    def blank(self) -> bool:
        """True where a run wrote the row and nobody typed into it: a place and a number only.

        Examples
        --------
        >>> ToolRow("T03", 10, 20).blank, ToolRow("T03", 10, 20, height_mm=4).blank
        (True, False)
        """
        as_written = replace(ToolRow(self.name, self.x_px, self.y_px), lay=self.lay, line=self.line)
        return self == as_written and re.fullmatch(r"T\d+", self.name or "T0") is not None
