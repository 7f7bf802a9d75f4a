"""Outlines of a lay to cutting files, the tools as they were photographed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tracer.errors import TracerError
from tracer.export.drawing.cut_drawing import draw_cut, draw_reference
from tracer.export.dxf.write import DxfOptions
from tracer.export.machine.checks import (
    job_cautions,
    machine_checks,
    material_named,
    refuse_forbidden,
)
from tracer.export.machine.profiles import dxf_options
from tracer.geometry.offset import grown
from tracer.geometry.rings import largest_polygon
from tracer.model.machine import Kerf
from tracer.model.outline import Outline
from tracer.model.pocket import Pocket, PocketRule, Room
from tracer.model.report import Check, Severity
from tracer.panel.checks.shapes import thin_webs
from tracer.panel.pocket.clearance import Cut, room_for
from tracer.panel.pocket.fits import FITS, Fit, default_fit, typed_fit
from tracer.panel.pocket.looseness import check_limit, islands_left_out, limit_check
from tracer.panel.pocket.no_pocket import no_pocket_for
from tracer.panel.pocket.pockets import make_pocket, wall_tolerance_mm
from tracer.panel.pocket.readings import marks_on_wall
from tracer.progress import Progress, Silent
from tracer.workflows.cutting.cut_options import CutOptions, CutResult
from tracer.workflows.cutting.lay_record import LayPlace, lay_record, turned_pocket
from tracer.workflows.cutting.sheet_files import (
    CHECKS_FAILED,
    failed_checks,
    failed_text,
    sheet_files,
    stock_folder,
)

__all__ = [
    "CutOptions",
    "CutResult",
    "LayPockets",
    "Sheet",
    "cut_dxf_options",
    "cut_lay",
    "cut_sheets",
    "lay_pockets",
]

_SAME_MM = 1e-6


def cut_lay(
    outlines: Sequence[Outline],
    options: CutOptions,
    *,
    name: str,
    progress: Progress | None = None,
) -> CutResult:
    """Cutting files for tools as photographed, all in one sheet.

    Files are written even where a check failed; their titles and a text beside them say so.

    Raises
    ------
    TracerError
        When there is nothing to cut, or a file read back differs from its drawing.
    """
    whole = [Sheet(f"{name}, front", name, 0.0, options.thickness_mm)]
    return cut_sheets(outlines, options, whole, name=name, progress=progress)[0]


@dataclass(frozen=True)
class Sheet:
    """One sheet of a lay: title for people, name for files, from where to where it reaches.

    A pocket that ends behind the sheet goes right through it.
    """

    title: str
    key: str
    front_mm: float
    back_mm: float

    @property
    def thickness_mm(self) -> float:
        """From its front to its back."""
        return self.back_mm - self.front_mm

    def part_of(self, pocket: Pocket, through: bool) -> Pocket | None:
        """What of a pocket is cut into this sheet; None where it ends in front of it."""
        depth = pocket.rule.depth_mm
        if depth is None or not through:
            return pocket
        if depth < self.back_mm - _SAME_MM:
            return None
        return replace(pocket, rule=replace(pocket.rule, depth_mm=None))


def cut_sheets(
    outlines: Sequence[Outline],
    options: CutOptions,
    sheets: Sequence[Sheet],
    *,
    name: str,
    noted: Sequence[Check] = (),
    progress: Progress | None = None,
) -> list[CutResult]:
    """Cutting files of the sheets of a lay; the first result also holds findings and the record.

    With several sheets each is cut right through, where a pocket reaches it.

    Parameters
    ----------
    noted
        Findings made before.

    Raises
    ------
    TracerError
        As `cut_lay`.
    """
    progress = progress or Silent()
    material, machine = material_named(options.material), options.machine
    refuse_forbidden(machine, material)
    made = lay_pockets(outlines, options, progress=progress)
    pockets, checks = [turned_pocket(p, options.turn_rad) for p in made.pockets], list(made.checks)
    if not pockets:
        raise TracerError(
            "nothing-to-cut",
            "The job holds no tool that can be cut.",
            "Trace a photo in which at least one tool lies wholly in view.",
        )
    origin, size = _sheet(pockets, options.edge_mm)
    checks += [*noted, *_webs(made.pockets, options.web_mm)]
    parts = [
        [part for p in pockets if (part := sheet.part_of(p, len(sheets) > 1)) is not None]
        for sheet in sheets
    ]
    for sheet, own in zip(sheets, parts, strict=True):
        checks += machine_checks(
            machine,
            material,
            size_mm=size,
            thickness_mm=sheet.thickness_mm,
            depths_mm=[(p.pocket_id, p.rule.depth_mm) for p in own],
        )
    checks = list(dict.fromkeys(checks))
    progress.step("files")
    failing = failed_checks(checks, options.accepted)
    cautions = (*job_cautions(machine, material), *options.unproved)
    bare = replace(machine, kerf=Kerf.NONE, kerf_mm=0.0)
    results: list[CutResult] = []
    for sheet, own in zip(sheets, parts, strict=True):
        title = sheet.title + (CHECKS_FAILED if failing else "")
        cut = draw_cut(own, title=title, origin_mm=origin, size_mm=size, machine=machine)
        walls = draw_cut(own, title=title, origin_mm=origin, size_mm=size, machine=bare)
        reference, letters = draw_reference(own, cut)
        checks += letters
        written = sheet_files(
            f"{sheet.key}-front",
            stock_folder(material.key, sheet.thickness_mm),
            cut,
            reference,
            machine=machine,
            thickness_mm=sheet.thickness_mm,
            dxf=cut_dxf_options(options),
            walls=walls,
            paper=options.paper,
            printer=options.printer,
            cautions=cautions,
            wanted={p.pocket_id: p.wanted for p in own},
            names={p.pocket_id: f"{p.pocket_id} {p.name}".strip() for p in own},
            marks=[m for p in own for m in marks_on_wall(largest_polygon(p.outline), p.wanted)],
        )
        results.append(
            CutResult(
                cut,
                reference,
                tuple(own),
                written.files,
                written.figures,
                (),
                cautions,
                written.walls,
            )
        )
    common: dict[str, bytes] = {}
    if failing:
        common[f"{name}-CHECKS-FAILED.txt"] = failed_text(failing)
    files = {n: data for r in results for n, data in r.files.items()} | common
    place = LayPlace(origin, size, options.turn_rad)
    common[f"{name}-cut.json"] = lay_record(
        name,
        options,
        made.pockets,
        made.rooms,
        [(result, sheet.thickness_mm) for result, sheet in zip(results, sheets, strict=True)],
        checks,
        files,
        place,
    )
    first = replace(results[0], files=results[0].files | common, checks=tuple(checks))
    return [first, *results[1:]]


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
            wall=largest_polygon(grown(room.wall, _offset(outline, options))),
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


def _offset(outline: Outline, options: CutOptions) -> float:
    """What the machine adds to the fit: the coupon's, and that it holds at the tight face."""
    depth = options.depths_mm.get(outline.outline_id, options.depth_mm)
    return options.machine.wall_offset_mm(depth or options.thickness_mm)


def _rule(outline: Outline, gap_mm: float, options: CutOptions) -> PocketRule:
    machine = options.machine
    return PocketRule(
        fit_mm=gap_mm + _offset(outline, options),
        depth_mm=options.depths_mm.get(outline.outline_id, options.depth_mm),
        cutter_radius_mm=machine.inside_radius_mm,
        relief=machine.relief,
        tolerance_mm=wall_tolerance_mm(outline.region),
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
