"""The panel of a job to cutting files, in the form that a job's cut takes."""

from __future__ import annotations

from collections.abc import Mapping

from tracer.export.paper.quotation import kit_record, quotation_pdf
from tracer.model.panel import PlyRole
from tracer.model.panel_plan import PanelPlan
from tracer.panel.rules import rules_for
from tracer.panel.stock.kits import kit_bill
from tracer.progress import Progress
from tracer.project.cut_record import CutCheck, CutPocket, CutRecord, CutSheet, dump_cut
from tracer.project.panel_file import load_panel
from tracer.project.store import JobFolder
from tracer.workflows.arranging.arrange import PANEL_JSON, tools_of_job
from tracer.workflows.cutting.cut import CutOptions, CutResult, cut_dxf_options
from tracer.workflows.cutting.cut_panel import PanelCut, PanelCutOptions, cut_panel
from tracer.workflows.cutting.panel_options import foam_as_typed, refuse_other_options

__all__ = ["cut_job_panel", "has_panel"]


def has_panel(folder: JobFolder) -> bool:
    """Whether the job has been arranged."""
    return folder.has(PANEL_JSON)


def cut_job_panel(
    folder: JobFolder, options: CutOptions, *, name: str, progress: Progress | None = None
) -> list[CutResult]:
    """One result per sheet; the first also holds the panel's findings and its common files.

    Sheets, depths, fit and margins are the panel's; machine, file version, paper and printer are
    the options'.

    Raises
    ------
    TracerError
        ``panel-decides`` and ``material-contradicts-panel`` where something else was typed, and
        as `cut_panel`.
    """
    content = load_panel(folder.read(PANEL_JSON), PANEL_JSON)
    refuse_other_options(options, content.panel, content.plan, folder.name)
    noted = foam_as_typed(options, content.panel, content.plan)
    tools, _ = tools_of_job(folder, content.plan)
    done = cut_panel(
        content.panel,
        content.plan,
        tools,
        PanelCutOptions(
            machine=options.machine,
            dxf=cut_dxf_options(options),
            paper=options.paper,
            printer=options.printer,
            accepted=options.accepted,
            through=options.through,
            unproved=options.unproved,
        ),
        name=name,
        progress=progress,
    )
    own = {n for _, _, written in done.sheets for n in written.files}
    common = {n: data for n, data in done.files.items() if n not in own}
    if options.copies > 1:
        common |= _kits(done, content.plan, options, name)
    common[f"{name}-cut.json"] = _record(name, options, done, [*own, *common, f"{name}-cut.json"])
    results = []
    for number, (work, drawings, written) in enumerate(done.sheets):
        here = dict.fromkeys(i for f in work.features for i in f.subject_id.split("+"))
        first: Mapping[str, bytes] = common if number == 0 else {}
        results.append(
            CutResult(
                cut=drawings.cut,
                reference=drawings.reference,
                pockets=tuple(done.walls.by_id[i] for i in here if i in done.walls.by_id),
                files={**written.files, **first},
                figures=written.figures,
                checks=(*noted, *done.checks) if number == 0 else (),
                cautions=done.cautions,
                walls=written.walls,
            )
        )
    return results


def _kits(done: PanelCut, plan: PanelPlan, options: CutOptions, name: str) -> dict[str, bytes]:
    """Quotation and labels of several copies."""
    panel = done.panel
    bill = kit_bill(
        panel,
        rules_for(panel.bay.kind, panel.plies, plan.rules),
        copies=options.copies,
        machine=options.machine.title,
        seconds=sum(w.figures.seconds for s, _, w in done.sheets if s.role is not PlyRole.BACKING),
        pieces=len(done.sheets),
    )
    return {
        f"{name}-copies.pdf": quotation_pdf(bill, paper=options.paper),
        f"{name}-copies.json": kit_record(bill),
    }


def _record(name: str, options: CutOptions, done: PanelCut, files: list[str]) -> bytes:
    """What was cut with what, for people and programs that come later."""
    walls = done.walls.by_id
    record = CutRecord(
        name=name,
        machine=options.machine.key,
        panel_revision=done.panel.revision,
        pockets=tuple(
            CutPocket(
                id=p.pocket_id,
                name=p.name,
                outline_revision=p.outline_revision,
                fit_mm=round(walls[p.pocket_id].rule.fit_mm, 3),
                fit_probability=p.fit_probability,
                widths_mm=p.widths_mm,
                depth_mm=p.depth_mm,
                through=p.through,
                area_mm2=round(walls[p.pocket_id].region.area, 1),
            )
            for p in done.panel.pockets
        ),
        sheets=tuple(
            CutSheet(
                drawings.cut.title,
                drawings.cut.size_mm,
                work.thickness_mm,
                round(written.figures.cut_mm, 1),
                written.figures.plunges,
                round(written.figures.seconds),
            )
            for work, drawings, written in done.sheets
        ),
        accepted=tuple(options.accepted),
        checks=tuple(CutCheck(c.slug, c.severity.value) for c in done.checks),
        files=tuple(sorted(files)),
    )
    return dump_cut(record)
