"""Cutting files of a job, into its folder; what was cut before is only replaced when asked."""

from __future__ import annotations

from dataclasses import dataclass, replace

from tracer.errors import TracerError, UsageError
from tracer.model.report import Check
from tracer.progress import Progress, StepClock
from tracer.project.cut_record import CutWish, cut_records, with_source
from tracer.project.outlines_file import OutlinesFile, load_outlines
from tracer.project.store import JobFolder
from tracer.project.tool_list import ToolList, parse_tool_list
from tracer.workflows.arranging.panel_tools import rows_by_outline, upright
from tracer.workflows.cutting.cut import CutOptions, CutResult
from tracer.workflows.cutting.cut_folder import change_of, machine_home, zipped
from tracer.workflows.cutting.cut_layers import cut_any_lay
from tracer.workflows.cutting.cut_panel_job import cut_job_panel, has_panel
from tracer.workflows.cutting.freshness import cut_source
from tracer.workflows.job.persons_files import left_alone
from tracer.workflows.job.proved_phone import not_proved

__all__ = ["JobCut", "cut_job", "machines_cut_for", "typed_depths"]


@dataclass(frozen=True, eq=False)
class JobCut:
    """What a run did: one result per sheet, and all files written, relative to the job.

    ``reissued`` names those that differ from the cut before; empty where there was none.
    """

    job: JobFolder
    results: tuple[CutResult, ...]
    checks: tuple[Check, ...]
    files: tuple[str, ...]
    seconds: dict[str, float]
    reissued: tuple[str, ...] = ()


def typed_depths(content: OutlinesFile, tools: ToolList | None) -> dict[str, float]:
    """Depth per outline id, from the rows of the tool list that give one."""
    rows = rows_by_outline(content, tools)
    return {i: row.depth_mm for i, row in rows.items() if row.depth_mm is not None}


def cut_job(
    folder: JobFolder,
    options: CutOptions,
    *,
    replacing: bool = False,
    archive: bool = False,
    progress: Progress | None = None,
) -> JobCut:
    """Cut a job's panel, or without one every lay as photographed, each on a sheet of its own.

    All files go into the machine's folder (`tracer.workflows.cutting.cut_folder`); with
    ``archive`` they lie in one archive beside it as well.

    Raises
    ------
    TracerError
        ``job-missing``; ``cut-exists`` when other cutting files of these names are there and
        ``replacing`` is not set.
    """
    clock = StepClock(progress)
    with folder.locked():
        content, tools = _opened(folder)
        depths = typed_depths(content, tools) | dict(options.depths_mm)
        options = replace(options, depths_mm=depths, unproved=not_proved(folder))
        if options.copies > 1 and not has_panel(folder):
            raise UsageError(
                "copies-need-panel",
                f"The job {folder.name} has no panel to make {options.copies} copies of.",
                "Arrange one first: tracer arrange, then cut it again.",
            )
        if has_panel(folder):
            results = cut_job_panel(folder, options, name=folder.name, progress=clock)
        else:
            results = _cut_lays(_to_cut(content, tools), options, folder.name, clock)
        source, asked = cut_source(folder), _asked(options)
        results = [_of_source(r, source, asked) for r in results]
        change = change_of(folder, results, options, replacing=replacing)
        files, home = change.made, machine_home(options.machine)
        if archive:
            files = files | {f"{home}.zip": zipped(files, home)}
        folder.commit(files | change.kept, remove=change.remove)
        clock.stop()
    checks = tuple(check for done in results for check in done.checks)
    checks += (*change.checks, *left_alone(folder))
    return JobCut(
        folder, tuple(results), checks, tuple(sorted(files)), clock.seconds, change.reissued
    )


def _to_cut(content: OutlinesFile, tools: ToolList | None) -> OutlinesFile:
    """Outlines without the things that only lay there to be measured."""
    rows = rows_by_outline(content, tools)
    measured = {i for i, row in rows.items() if row.known_mm is not None}
    kept = tuple(o for o in content.outlines if o.outline_id not in measured)
    if measured and not kept:
        raise TracerError(
            "cut-nothing",
            "Every outline of this job is a thing of known size (known_mm in tools.csv), and such"
            " things get no pocket.",
            "Empty that cell of what is a tool.",
        )
    return replace(content, outlines=kept)


def _asked(options: CutOptions) -> CutWish:
    """What was asked, as the record keeps it."""
    return CutWish(
        material=options.material,
        thickness_mm=options.thickness_mm,
        depth_mm=options.depth_mm,
        fit=options.fit.value if options.fit else None,
        edge_mm=options.edge_mm,
        web_mm=options.web_mm,
        paper=options.paper,
    )


def _of_source(result: CutResult, source: str, asked: CutWish) -> CutResult:
    """The result with what it was made from in its record."""
    files = {
        name: with_source(data, source, asked) if name.endswith("-cut.json") else data
        for name, data in result.files.items()
    }
    return replace(result, files=files)


def _cut_lays(
    content: OutlinesFile, options: CutOptions, stem: str, clock: StepClock
) -> list[CutResult]:
    """Results per sheet of each lay, turned as its photo is."""
    lays = sorted(set(content.lay_of.values())) or [1]
    results: list[CutResult] = []
    for lay in lays:
        mine = [o for o in content.outlines if content.lay_of[o.outline_id] == lay]
        name = f"{stem}-lay{lay}" if len(lays) > 1 else stem
        turn = upright(content.calibration, lay).angle_rad
        results += cut_any_lay(mine, replace(options, turn_rad=turn), name=name, progress=clock)
    return results


def _opened(folder: JobFolder) -> tuple[OutlinesFile, ToolList | None]:
    """Outlines and tool list of a job; nothing of the photos is needed."""
    if not folder.exists():
        raise UsageError(
            "job-missing",
            f"There is no job {folder.name} here.",
            "Trace the photos of a lay to make one.",
        )
    content = load_outlines(folder.read("outlines.json"), "outlines.json")
    tools = None
    if folder.has("tools.csv"):
        tools = parse_tool_list(folder.read("tools.csv"), "tools.csv")
    return content, tools


def machines_cut_for(folder: JobFolder) -> list[str]:
    """Machines that the folder ``cut`` holds files for, by the record of each cut."""
    return sorted({record.machine for record in cut_records(folder)})
