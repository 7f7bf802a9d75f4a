"""Outlines of a lay to cutting files, the tools as they were photographed."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from tracer.errors import TracerError, UsageError
from tracer.export.drawing.cut_drawing import draw_cut, draw_reference
from tracer.export.dxf.write import DxfOptions, DxfVersion
from tracer.export.machine.checks import (
    job_cautions,
    machine_checks,
    material_named,
    refuse_forbidden,
)
from tracer.export.machine.figures import CutFigures
from tracer.export.machine.profiles import dxf_options
from tracer.export.paper.template import PrinterScale
from tracer.geometry.offset import grown
from tracer.geometry.rings import largest_polygon, roughness_mm
from tracer.model.drawing import Drawing
from tracer.model.machine import Kerf, Machine
from tracer.model.outline import Outline
from tracer.model.panel_plan import FitClass
from tracer.model.pocket import Pocket, PocketRule, Room
from tracer.model.report import Check, Severity
from tracer.panel.checks.shapes import thin_webs
from tracer.panel.pocket.clearance import Cut, room_for
from tracer.panel.pocket.fits import FIT_PROBABILITY, FITS, LOOSEST_MM, Fit, default_fit, typed_fit
from tracer.panel.pocket.looseness import check_limit, islands_left_out, limit_check
from tracer.panel.pocket.no_pocket import no_pocket_for
from tracer.panel.pocket.pockets import make_pocket
from tracer.progress import Progress, Silent
from tracer.workflows.cutting.sheet_files import (
    CHECKS_FAILED,
    failed_checks,
    failed_text,
    sheet_files,
)

__all__ = ["CutOptions", "CutResult", "LayPockets", "cut_dxf_options", "cut_lay", "lay_pockets"]

#: arcs stay this close to the wall, or 3 times the outline's own noise where that is more: a
#: tighter fit follows the noise and shatters into short pieces
_TOLERANCE_MM, _MOST_TOLERANCE_MM, _NOISE_FACTOR = 0.15, 0.3, 3.0


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
    accepted
        Failed checks, by name, that do not mark the files as failed.
    typed
        Options of the command that were typed, like ``--fit``: a panel that decides otherwise
        refuses them.
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
    accepted: tuple[str, ...] = ()
    typed: frozenset[str] = frozenset()

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
    """Everything a cut gives: drawings, files by name, findings, figures, cautions."""

    cut: Drawing
    reference: Drawing
    pockets: tuple[Pocket, ...]
    files: dict[str, bytes]
    figures: CutFigures
    checks: tuple[Check, ...]
    cautions: tuple[str, ...]


def cut_lay(
    outlines: Sequence[Outline],
    options: CutOptions,
    *,
    name: str,
    progress: Progress | None = None,
) -> CutResult:
    """Cutting files for tools as photographed.

    Files are written even where a check failed; their titles and a text beside them say so.

    Raises
    ------
    TracerError
        When there is nothing to cut, or a file read back differs from its drawing.
    """
    progress = progress or Silent()
    material = material_named(options.material)
    refuse_forbidden(options.machine, material)
    made = lay_pockets(outlines, options, progress=progress)
    pockets, checks = made.pockets, list(made.checks)
    if not pockets:
        raise TracerError(
            "nothing-to-cut",
            "The job holds no tool that can be cut.",
            "Trace a photo in which at least one tool lies wholly in view.",
        )
    origin, size = _sheet(pockets, options.edge_mm)
    checks += _webs(pockets, options.web_mm)
    checks += machine_checks(
        options.machine,
        material,
        size_mm=size,
        thickness_mm=options.thickness_mm,
        depths_mm=[(p.pocket_id, p.rule.depth_mm) for p in pockets],
    )
    progress.step("files")
    failing = failed_checks(checks, options.accepted)
    title = f"{name}, front" + (CHECKS_FAILED if failing else "")
    machine = options.machine
    cut = draw_cut(pockets, title=title, origin_mm=origin, size_mm=size, machine=machine)
    bare = replace(machine, kerf=Kerf.NONE, kerf_mm=0.0)
    walls = draw_cut(pockets, title=title, origin_mm=origin, size_mm=size, machine=bare)
    reference, letters = draw_reference(pockets, cut)
    cautions = job_cautions(machine, material)
    sheet = sheet_files(
        name,
        cut,
        reference,
        machine=machine,
        thickness_mm=options.thickness_mm,
        dxf=cut_dxf_options(options),
        walls=walls,
        paper=options.paper,
        printer=options.printer,
        cautions=cautions,
    )
    checks += letters
    files = dict(sheet.files)
    if failing:
        files[f"{name}-CHECKS-FAILED.txt"] = failed_text(failing)
    files[f"{name}-cut.json"] = _record(
        name, options, pockets, made.rooms, sheet.figures, checks, files
    )
    return CutResult(cut, reference, pockets, files, sheet.figures, tuple(checks), cautions)


@dataclass(frozen=True, eq=False)
class LayPockets:
    """The pockets of a lay, what each leaves for its tool, and findings made on the way."""

    pockets: tuple[Pocket, ...]
    rooms: tuple[Room, ...]
    checks: tuple[Check, ...]


def lay_pockets(
    outlines: Sequence[Outline], options: CutOptions, *, progress: Progress | None = None
) -> LayPockets:
    """The pockets of tools as photographed, before any file is written."""
    progress = progress or Silent()
    chosen, checks = _to_cut(outlines)
    pockets: list[Pocket] = []
    rooms: list[Room] = []
    fit, cut = wanted_fit(options), cut_of(options)
    check_limit(options.loosest_mm, fit, options.machine)
    progress.step("pockets")
    for number, outline in enumerate(chosen):
        room = room_for(
            outline,
            fit,
            options.fit_probability,
            cut=cut,
            loosest_mm=options.loosest_mm,
        )
        made = make_pocket(
            outline.region,
            _rule(outline, room.gap_mm, options),
            pocket_id=outline.outline_id,
            wall=largest_polygon(grown(room.wall, options.machine.fit_offset_mm)),
            name=outline.name,
            revision=outline.revision,
        )
        pockets.append(made.pocket)
        rooms.append(room)
        checks += limit_check(outline, room, options.fit_probability, fit, cut)
        checks += [*islands_left_out(outline), *made.checks]
        progress.fraction((number + 1) / len(chosen))
    return LayPockets(tuple(pockets), tuple(rooms), tuple(checks))


def _to_cut(outlines: Sequence[Outline]) -> tuple[list[Outline], list[Check]]:
    """Outlines that are cut, and why others are not."""
    reasons = [no_pocket_for(outline) for outline in outlines]
    chosen = [o for o, reason in zip(outlines, reasons, strict=True) if reason is None]
    return chosen, [reason for reason in reasons if reason is not None]


def wanted_fit(options: CutOptions) -> Fit:
    """The fit asked for, typed as a gap or by its class."""
    if options.fit_mm is not None:
        return typed_fit(options.fit_mm)
    return FITS[options.fit or default_fit(None)]


def cut_of(options: CutOptions) -> Cut:
    """What the machine and the foam add."""
    gives = material_named(options.material).gives_mm
    return Cut(sigma_mm=options.machine.cut_sigma_mm, gives_mm=gives)


def _rule(outline: Outline, gap_mm: float, options: CutOptions) -> PocketRule:
    machine = options.machine
    noise = roughness_mm(np.asarray(outline.region.exterior.coords)[:-1, :2])
    return PocketRule(
        fit_mm=gap_mm + machine.fit_offset_mm,
        depth_mm=options.depths_mm.get(outline.outline_id, options.depth_mm),
        cutter_radius_mm=machine.inside_radius_mm,
        relief=machine.relief,
        tolerance_mm=min(max(_TOLERANCE_MM, _NOISE_FACTOR * noise), _MOST_TOLERANCE_MM),
    )


def _sheet(
    pockets: Sequence[Pocket], edge_mm: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Lower left corner and size of the sheet around all pockets, in whole millimetres."""
    boxes = np.array([pocket.region.bounds for pocket in pockets])
    x0, y0 = np.floor(boxes[:, :2].min(axis=0) - edge_mm)
    x1, y1 = np.ceil(boxes[:, 2:].max(axis=0) + edge_mm)
    return (float(x0), float(y0)), (float(x1 - x0), float(y1 - y0))


def _webs(pockets: Sequence[Pocket], least_mm: float) -> list[Check]:
    checks = []
    for a, b, distance, where in thin_webs([p.region for p in pockets], least_mm):
        first, second = pockets[a], pockets[b]
        what = "run into one another" if distance == 0 else f"leave a web of {distance:.1f} mm"
        checks.append(
            Check(
                slug="web-too-thin",
                severity=Severity.FAIL if distance < 1.0 else Severity.WARN,
                sentence=f"{first.name} and {second.name}: their pockets {what} at "
                f"({where[0]:.0f}, {where[1]:.0f}).",
                remedy="Lay the tools further apart and photograph them again, arrange a panel, or "
                "choose a closer fit.",
                subject_id=first.pocket_id,
                value=distance,
                limit=least_mm,
                unit="mm",
                where_mm=where,
            )
        )
    return checks


def cut_dxf_options(options: CutOptions) -> DxfOptions:
    """How the machine's reader wants its files, unless typed otherwise."""
    made = dxf_options(options.machine, options.dxf_version)
    return made if options.straight is None else replace(made, straight=options.straight)


def _record(
    name: str,
    options: CutOptions,
    pockets: Sequence[Pocket],
    rooms: Sequence[Room],
    figures: CutFigures,
    checks: Sequence[Check],
    files: Mapping[str, bytes],
) -> bytes:
    """What was cut with what, for people and programs that come later."""
    body = {
        "format": "tracer-cut",
        "version": 1,
        "units": "mm",
        "name": name,
        "machine": options.machine.key,
        "material": options.material,
        "thickness_mm": options.thickness_mm,
        "fit_probability": options.fit_probability,
        "pockets": [
            {
                "id": p.pocket_id,
                "name": p.name,
                "outline_revision": p.outline_revision,
                "fit_mm": round(p.rule.fit_mm, 3),
                "fit_probability": room.probability,
                "widths_mm": [round(room.least_mm, 2), round(room.most_mm, 2)],
                "wall": np.round(np.asarray(p.wanted.exterior.coords)[:-1, :2], 3).tolist(),
                "depth_mm": p.rule.depth_mm,
                "area_mm2": round(p.region.area, 1),
            }
            for p, room in zip(pockets, rooms, strict=True)
        ],
        "cut_length_mm": round(figures.cut_mm, 1),
        "path_length_mm": round(figures.path_mm, 1),
        "plunges": figures.plunges,
        "seconds_at_least": round(figures.seconds),
        "checks": [{"slug": c.slug, "severity": c.severity.value} for c in checks],
        "files": sorted(files),
    }
    return (json.dumps(body, indent=1, ensure_ascii=False) + "\n").encode()
