"""What a cut is asked for, and what it gives."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from tracer.errors import UsageError
from tracer.export.dxf.write import DxfVersion
from tracer.export.machine.figures import CutFigures
from tracer.export.paper.template import PrinterScale
from tracer.export.wall_error import WallError
from tracer.model.drawing import Drawing
from tracer.model.machine import Machine
from tracer.model.panel_plan import FitClass
from tracer.model.pocket import Pocket
from tracer.model.report import Check
from tracer.panel.pocket.fits import FIT_PROBABILITY, LOOSEST_MM

__all__ = ["CutOptions", "CutResult"]


@dataclass(frozen=True, kw_only=True)
class CutOptions:
    """What to cut with, how deep, how tight.

    Attributes
    ----------
    depth_mm
        Depth of every pocket that has none of its own; None: right through.
    depths_mm
        Own depth by outline id.
    fit
        Class; None: as `tracer.panel.pocket.fits.default_fit` has it for tools that only lie.
    fit_mm
        Gap per side where the edge is sure; None: that of ``fit``.
    fit_probability
        With which a tool goes into its pocket, fit and all.
    loosest_mm
        No wall stands off the estimated edge by more than this.
    edge_mm
        Between pockets and the sheet's edge.
    web_mm
        Least foam between pockets.
    straight
        Chords instead of arcs; None: as the machine's profile says.
    through
        Right through, even where the machine cannot do otherwise: asked for by the person.
    layers_mm
        What the foam is sold in, for machines that only cut through; empty: usual thicknesses.
    turn_rad
        By how much the lay is turned on its sheet, so that right in the photo is right there.
    copies
        Kits that a shop cuts of an arranged panel: serials, sheets and time of all are reckoned.
    accepted
        Failed checks, by name, that do not mark the files as failed.
    typed
        Options of the command that were typed, like ``--fit``: a panel that decides otherwise
        refuses them.
    unproved
        What was not tried yet of phone and printer, in sentences for the job sheet.
    """

    machine: Machine
    material: str = "unknown"
    thickness_mm: float = 30.0
    depth_mm: float | None = None
    depths_mm: Mapping[str, float] = field(default_factory=dict)
    fit: FitClass | None = None
    fit_mm: float | None = None
    fit_probability: float = FIT_PROBABILITY
    loosest_mm: float = LOOSEST_MM
    edge_mm: float = 30.0
    web_mm: float = 10.0
    dxf_version: DxfVersion | None = None
    straight: bool | None = None
    paper: str = "a4"
    printer: PrinterScale | None = None
    through: bool = False
    layers_mm: tuple[float, ...] = ()
    turn_rad: float = 0.0
    copies: int = 1
    accepted: tuple[str, ...] = ()
    typed: frozenset[str] = frozenset()
    unproved: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        lengths = {"thickness": self.thickness_mm, "margin": self.edge_mm, "depth": self.depth_mm}
        for name, value in lengths.items():
            if value is not None and not (value > 0 and math.isfinite(value)):
                raise UsageError(
                    "cut-length-wrong",
                    f"The {name} must be above 0 mm, not {value:g}.",
                    "Type it as a length, for example 30 or 1in.",
                )


@dataclass(frozen=True, eq=False)
class CutResult:
    """What a cut gives: drawings, files by name, figures, findings, cautions, walls read back."""

    cut: Drawing
    reference: Drawing
    pockets: tuple[Pocket, ...]
    files: dict[str, bytes]
    figures: CutFigures
    checks: tuple[Check, ...]
    cautions: tuple[str, ...]
    walls: WallError | None = None
