"""An arranged panel to cutting files: every sheet, its inserts, the job sheet, a page to show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from shapely.geometry import Polygon

from tracer.export.drawing.panel_drawing import SheetDrawings, draw_sheet
from tracer.export.dxf.write import DxfOptions
from tracer.export.machine.checks import (
    job_cautions,
    machine_checks,
    material_named,
    refuse_forbidden,
)
from tracer.export.paper.jobsheet import client_page, job_sheet_pdf
from tracer.export.paper.template import PrinterScale
from tracer.model.bill import FileLine, JobSheet, WrittenCheck
from tracer.model.drawing import Drawing
from tracer.model.machine import Machine
from tracer.model.panel import BackCavity, Panel, PlyRole
from tracer.model.panel_plan import PanelPlan
from tracer.model.reading import EdgeMark
from tracer.model.report import Check
from tracer.model.sheet import SheetWork
from tracer.panel.checks.report import check_panel, limit_basis, sorted_checks
from tracer.panel.fittings.cavities import cable_volume_mm3, room_height_mm
from tracer.panel.layout.bay import out_of_square_deg
from tracer.panel.layout.places import Tool
from tracer.panel.pocket.readings import marks_on_wall
from tracer.panel.rules import Rules, rules_for
from tracer.panel.stock.back import back_sheets
from tracer.panel.stock.bill import bill_of_sheets, cautions, consumables
from tracer.panel.stock.inlays import inlay_sheets, reachable_inlays
from tracer.panel.stock.layers import layered
from tracer.panel.stock.masking import masking_pieces
from tracer.panel.stock.seams import retiled
from tracer.panel.stock.sheets import Walls, insert_sheets, make_walls, slab_sheets
from tracer.panel.stock.work_steps import work_steps
from tracer.progress import Progress, Silent
from tracer.workflows.cutting.sheet_files import (
    CHECKS_FAILED,
    SheetFiles,
    failed_checks,
    failed_text,
    sheet_files,
    stock_folder,
)

__all__ = ["PanelCut", "PanelCutOptions", "cut_panel", "draw_panel"]

#: a check of the panel that the finished walls decide better: it is made again from them
_DECIDED_BY_WALLS = {"pocket-misses-outline", "relief-cut"}


@dataclass(frozen=True, kw_only=True)
class PanelCutOptions:
    """What to cut with; sheets, depths and fit are the panel's.

    ``accepted`` names checks that do not count as failed. ``through``: on a machine that only
    cuts through the face stays one sheet, and every pocket is a hole in it.
    """

    machine: Machine
    dxf: DxfOptions
    paper: str = "a4"
    printer: PrinterScale | None = None
    accepted: tuple[str, ...] = ()
    through: bool = False
    unproved: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class PanelCut:
    """Walls, work with its drawings and files, all files by name, findings, cautions."""

    panel: Panel
    walls: Walls
    sheets: tuple[tuple[SheetWork, SheetDrawings, SheetFiles], ...]
    files: dict[str, bytes]
    checks: tuple[Check, ...]
    cautions: tuple[str, ...]


def draw_panel(panel: Panel, machine: Machine) -> list[Drawing]:
    """What is cut, one drawing per sheet and side, in the order of the stack, inserts last.

    For a machine that only cuts through, hand in a panel in layers.
    """
    rules = rules_for(panel.bay.kind, panel.plies)
    panel, _ = reachable_inlays(panel, machine)
    works, _ = _works(panel, machine, make_walls(panel, machine), rules)
    return [draw_sheet(work, machine).cut for work in works]


def cut_panel(
    panel: Panel,
    plan: PanelPlan,
    tools: Sequence[Tool],
    options: PanelCutOptions,
    *,
    name: str,
    progress: Progress | None = None,
) -> PanelCut:
    """Cutting files of a panel.

    Files are written even where a check failed; titles, header comments and the job sheet then say
    so.

    Raises
    ------
    TracerError
        ``material-forbidden`` for a sheet that heat must not touch; or when a file read back
        differs from its drawing.
    """
    progress = progress or Silent()
    machine = options.machine
    for foam in _foams(panel):
        refuse_forbidden(machine, material_named(foam))
    found: list[Check] = []
    arranged = [c for c in panel.checks if c.slug not in _DECIDED_BY_WALLS]
    rules = rules_for(panel.bay.kind, panel.plies, plan.rules)
    if not machine.cuts_depth:
        most = machine.max_depth_mm
        panel, noted = layered(panel, plan, most_mm=most, through=options.through)
        panel = retiled(panel, rules)
        found += noted
    progress.step("pockets")
    # outlines may have moved on since the panel was arranged: look again
    found += check_panel(panel, plan, tools)
    again = {(c.slug, c.subject_id) for c in found}
    found += [c for c in arranged if (c.slug, c.subject_id) not in again]
    panel, rounded = reachable_inlays(panel, machine)
    found += rounded
    walls = make_walls(panel, machine)
    works, more = _works(panel, machine, walls, rules)
    found += more
    found += _machine_findings(works, machine)
    failing = failed_checks(found, options.accepted)
    if failing:
        works = [replace(w, title=f"{w.title}{CHECKS_FAILED}") for w in works]
    words = (*_words(panel, machine), *options.unproved)
    sheets: list[tuple[SheetWork, SheetDrawings, SheetFiles]] = []
    progress.step("files")
    for number, work in enumerate(works):
        drawings = draw_sheet(work, machine)
        found += drawings.checks
        written = sheet_files(
            f"{name}-{work.key}" + ("" if work.role is PlyRole.BACKING else f"-{work.side}"),
            stock_folder(work.stock.material, work.thickness_mm),
            drawings.cut,
            drawings.reference,
            machine=machine,
            thickness_mm=work.thickness_mm,
            dxf=options.dxf,
            walls=drawings.walls,
            paper=options.paper,
            printer=options.printer,
            cautions=words,
            by_hand=work.role is PlyRole.BACKING,
            wanted=_asked(work, walls),
            names=_names(panel),
            inserts={
                p.pocket_id: f"insert {p.number}, {p.floor_insert.stock.colour} "
                f"{p.floor_insert.stock.thickness_mm:g} mm"
                for p in panel.pockets
                if p.floor_insert is not None
            },
            marks=_marks(work, panel),
        )
        sheets.append((work, drawings, written))
        progress.fraction((number + 1) / len(works))
    progress.step("job sheet")
    checks = sorted_checks(panel, found)
    files = {n: data for _, _, written in sheets for n, data in written.files.items()}
    sheet = _job_sheet(panel, plan, machine, rules, sheets, words, checks, options.accepted)
    paper = "letter" if options.paper in ("letter", "tabloid") else "a4"
    files[f"{name}-job-sheet.pdf"] = job_sheet_pdf(panel, sheet, paper=paper)
    files[f"{name}-picture.pdf"] = client_page(panel, paper=paper)
    if failing:
        files[f"{name}-CHECKS-FAILED.txt"] = failed_text(failing)
    return PanelCut(panel, walls, tuple(sheets), files, checks, words)


def _marks(work: SheetWork, panel: Panel) -> list[EdgeMark]:
    """Places to read gaps at, on the front of the face, where tools are laid on their walls."""
    if work.role is not PlyRole.FACE or work.side != "front":
        return []
    here = {f.subject_id for f in work.features}
    return [
        mark
        for p in panel.pockets
        if p.outline_id and p.pocket_id in here
        for mark in marks_on_wall(p.outline, p.wall)
    ]


def _asked(work: SheetWork, walls: Walls) -> dict[str, Polygon]:
    """Walls asked for of pockets that are cut by themselves, not together with a notch or slot."""
    return {f.subject_id: walls.by_id[f.subject_id].wanted for f in work.features if f.loops}


def _works(
    panel: Panel, machine: Machine, walls: Walls, rules: Rules
) -> tuple[list[SheetWork], list[Check]]:
    slabs, first = slab_sheets(panel, machine, walls, rules)
    inserts, second = insert_sheets(panel, machine, rules)
    inlays, third = inlay_sheets(panel, machine, rules)
    backs, fourth = back_sheets(panel, machine)
    # a base without any cut is only sawn to size: its drawing still gives size and place
    works = [*slabs, *backs, *inserts, *inlays]
    return works, [*walls.checks, *first, *second, *third, *fourth]


def _names(panel: Panel) -> dict[str, str]:
    """What is cut, as the template's page for a hand calls it."""
    names = {p.pocket_id: f"{p.number} {p.name}" for p in panel.pockets}
    names |= {i.inlay_id: f"{i.inlay_id} {i.name}" for i in panel.inlays}
    names |= {m.mount_id: f"{m.mount_id} {m.name}" for m in panel.mounts}
    return names | {c.cavity_id: f"{c.cavity_id} {c.name}" for c in panel.back_cavities}


def _machine_findings(works: Sequence[SheetWork], machine: Machine) -> list[Check]:
    """What the machine cannot or must not do, piece by piece; boards are not its business."""
    found: list[Check] = []
    for work in works:
        if work.role is PlyRole.BACKING:
            continue
        x0, y0, x1, y1 = work.window_mm
        depths = [(f.subject_id, f.layer.depth_mm) for f in work.features]
        found += machine_checks(
            machine,
            material_named(work.stock.material),
            size_mm=(x1 - x0, y1 - y0),
            thickness_mm=work.thickness_mm,
            depths_mm=depths,
            least_floor_mm=0.0,  # the panel's own check knows what lies behind
        )
    return found


def _foams(panel: Panel) -> list[str]:
    """What the machine meets; backing boards are not its business."""
    stocks = [p.stock for p in panel.plies if p.role is not PlyRole.BACKING]
    if panel.insert is not None:
        stocks.append(panel.insert)
    return list(dict.fromkeys(s.material for s in stocks))


def _words(panel: Panel, machine: Machine) -> tuple[str, ...]:
    of_machine = [w for m in _foams(panel) for w in job_cautions(machine, material_named(m))]
    return cautions(panel, machine, of_machine)


def _fit_sentence(plan: PanelPlan, machine: Machine) -> str:
    taper = (
        f" Walls run in by {machine.taper_mm_per_10mm:g} mm a side over 10 mm of depth; the fit "
        "holds at the tight face."
        if machine.taper_mm_per_10mm
        else ""
    )
    return (
        "Each wall stands off the tool's outline as its fit asks, more where the outline is in "
        f"doubt: it goes in with {plan.fit_probability:.0%}, or as its line says where "
        f"a limit of {plan.loosest_mm:g} mm keeps it closer. The cut itself "
        f"scatters by about {machine.cut_sigma_mm:g} mm: try one pocket on waste first.{taper}"
    )


def _job_sheet(
    panel: Panel,
    plan: PanelPlan,
    machine: Machine,
    rules: Rules,
    sheets: Sequence[tuple[SheetWork, SheetDrawings, SheetFiles]],
    words: Sequence[str],
    checks: Sequence[Check],
    accepted: Sequence[str],
) -> JobSheet:
    face = [d.cut for w, d, _ in sheets if w.role is PlyRole.FACE and w.side == "front"]
    known = {p.pocket_id for p in panel.pockets}
    order = dict.fromkeys(p.subject_id for cut in face for p in cut.paths if p.subject_id in known)
    lines = [
        FileLine(
            name=next(n for n in written.files if n.endswith(".dxf")),
            piece=work.title.removeprefix(f"{panel.title}, "),
            size_mm=drawings.cut.size_mm,
            layers=tuple(layer.name for layer in drawings.cut.layers),
            seconds=written.figures.seconds,
        )
        for work, drawings, written in sheets
    ]
    return JobSheet(
        machine=machine.title,
        kerf=sheets[0][1].cut.kerf.sentence(),
        fit=_fit_sentence(plan, machine),
        order=tuple([*order, *(i for i in sorted(known) if i not in order)]),
        bill=bill_of_sheets(panel, rules),
        files=tuple(lines),
        consumables=consumables(panel),
        steps=work_steps(panel, machine),
        cautions=tuple(words),
        checks=tuple(WrittenCheck(c, limit_basis(c.slug), c.slug in accepted) for c in checks),
        masking=masking_pieces(panel),
        rooms=tuple(_room(panel, c) for c in panel.back_cavities),
        squares_deg=out_of_square_deg(panel.bay),
    )


def _room(panel: Panel, cavity: BackCavity) -> tuple[float, float]:
    """What a cable room holds in cm3, and the share of it that its cable fills."""
    volume = cavity.region.area * max(room_height_mm(panel, cavity.skin_mm), 0.0)
    cable = cable_volume_mm3(cavity.cable_mm, cavity.length_mm)
    return volume / 1000, cable / max(volume, 1e-9)
