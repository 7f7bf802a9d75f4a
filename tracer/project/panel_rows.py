"""The rows of ``panel.json`` as they stand in the file, typed; shapes are still GeoJSON's."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from pydantic import TypeAdapter

from tracer.model.fittings import DrillHole, Rail
from tracer.model.panel import Bay, Dimension, Fixing, Label, Placement, Ply, Stock
from tracer.model.report import Check
from tracer.project.fitting_rows import CavityRow, InlayRow, LedgeRow, MountRow
from tracer.project.plan_file import TABLES
from tracer.project.refusals import checked
from tracer.ranges import FITTINGS, JOB, KEPT_FITTINGS, PLAN

__all__ = ["NAMES", "SPANS", "PanelRows", "PocketRow", "Shape", "panel_rows"]

MOST_ENTRIES = 20_000
Shape = dict[str, Any]


@dataclass(frozen=True)
class InsertRow:
    """A floor insert as it stands in the file; a shape is GeoJSON's, checked when it is made."""

    region: Shape
    stock: Stock


@dataclass(frozen=True)
class WellRow:
    name: str
    depth_mm: float
    region: Shape


@dataclass(frozen=True)
class NotchRow:
    depth_mm: float
    sides: int
    shared_with: tuple[str, ...]
    region: Shape


@dataclass(frozen=True)
class PocketRow:
    """A pocket as it stands in the file."""

    id: str
    number: int
    name: str
    kind: str
    outline_id: str
    outline_revision: int
    placement: Placement
    fit_mm: float
    height_mm: float
    depth_mm: float
    through: bool
    mass_kg: float | None
    insert: InsertRow | None
    wells: tuple[WellRow, ...]
    notches: tuple[NotchRow, ...]
    label: Label | None
    region: Shape
    outline: Shape
    wall: Shape | None = None
    fit_probability: float | None = None
    widths_mm: tuple[float, float] | None = None
    # before version 2, in place of the three above: what each outline was moved by evenly
    margin_mm: float | None = None


@dataclass(frozen=True)
class TileRow:
    slab: int
    number: int
    turned: bool
    region: Shape


@dataclass(frozen=True)
class KeepOutRow:
    name: str
    hole: bool
    region: Shape


@dataclass(frozen=True)
class PanelRows:
    """The file without its plan."""

    title: str
    revision: int
    bay: Bay
    shape: list[list[float]]
    plies: tuple[Ply, ...]
    insert: Stock | None
    pockets: tuple[PocketRow, ...]
    tiles: tuple[TileRow, ...]
    keep_outs: tuple[KeepOutRow, ...]
    fixings: tuple[Fixing, ...]
    dimensions: tuple[Dimension, ...]
    inlays: tuple[InlayRow, ...]
    back_cavities: tuple[CavityRow, ...]
    checks: tuple[Check, ...]
    tools: dict[str, str] = field(default_factory=dict)
    # before version 3 there were none
    mounts: tuple[MountRow, ...] = ()
    ledges: tuple[LedgeRow, ...] = ()
    rail: Rail | None = None


_ROWS = TypeAdapter(PanelRows)
NAMES: dict[type, str] = {
    **TABLES,
    PanelRows: "panel",
    PocketRow: "pocket",
    InsertRow: "insert",
    WellRow: "well",
    NotchRow: "notch",
    TileRow: "tile",
    KeepOutRow: "keep_out",
    InlayRow: "inlay",
    CavityRow: "cavity",
    MountRow: "mount",
    LedgeRow: "ledge",
    Rail: "kept_rail",
    DrillHole: "drill",
    Ply: "plies",
    Placement: "place",
    Label: "label",
    Fixing: "fixing",
    Dimension: "dimension",
    Check: "check",
}
SPANS = PLAN | FITTINGS | JOB | KEPT_FITTINGS


def panel_rows(body: Any) -> PanelRows:
    """The rows of a file's content without its plan.

    Raises
    ------
    Wrong
        The first thing that is not right.
    """
    rows: PanelRows = checked(_ROWS, body, names=NAMES, spans=SPANS, longest=MOST_ENTRIES)
    return rows
