"""Cutting files of a job, into its folder; what was cut before is only replaced when asked."""

from __future__ import annotations

from dataclasses import dataclass, replace

from tracer.errors import TracerError, UsageError
from tracer.model.report import Check
from tracer.progress import Progress, StepClock
from tracer.project.cut_record import CutWish, cut_record, cut_records, with_source
from tracer.project.outlines_file import OutlinesFile, load_outlines
from tracer.project.store import JobFolder
from tracer.project.tool_list import ToolList, parse_tool_list
from tracer.workflows.arranging.panel_tools import rows_by_outline
from tracer.workflows.cutting.cut import CutOptions, CutResult, cut_lay
from tracer.workflows.cutting.cut_panel_job import cut_job_panel, has_panel
from tracer.workflows.cutting.freshness import cut_source
from tracer.workflows.job.persons_files import left_alone

__all__ = ["JobCut", "cut_job", "machines_cut_for", "typed_depths"]


@dataclass(frozen=True, eq=False)
class JobCut:
    """What a run did: one result per lay, and all files written, relative to the job."""

    job: JobFolder
    results: tuple[CutResult, ...]
    checks: tuple[Check, ...]
    files: tuple[str, ...]
    seconds: dict[str, float]


def typed_depths(content: OutlinesFile, tools: ToolList | None) -> dict[str, float]:
    """Depth per outline id, from the rows of the tool list that give one."""
    rows = rows_by_outline(content, tools)
    return {i: row.depth_mm for i, row in rows.items() if row.depth_mm is not None}


def cut_job(
    folder: JobFolder,
    options: CutOptions,
    *,
    replacing: bool = False,
    progress: Progress | None = None,
) -> JobCut:
    """Cut a job's panel, or without one every lay as photographed, each on a sheet of its own.

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
        options = replace(options, depths_mm=depths)
        stem = f"{folder.name}-{options.machine.key}"
        if has_panel(folder):
            results = cut_job_panel(folder, options, name=stem, progress=clock)
            stale = _files_before(folder, stem)
        else:
            results, stale = _cut_lays(folder, content, options, stem, clock)
        files = {f"cut/{name}": data for done in results for name, data in done.files.items()}
        source, asked = cut_source(folder), _asked(options)
        files |= {
            name: with_source(data, source, asked)
            for name, data in files.items()
            if name.endswith("-cut.json")
        }
        _refuse_overwriting(folder, files, replacing)
        folder.commit(files, remove=sorted(stale - set(files)))
        clock.stop()
    checks = tuple(check for done in results for check in done.checks)
    checks += left_alone(folder)
    return JobCut(folder, tuple(results), checks, tuple(sorted(files)), clock.seconds)


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


def _cut_lays(
    folder: JobFolder, content: OutlinesFile, options: CutOptions, stem: str, clock: StepClock
) -> tuple[list[CutResult], set[str]]:
    """Results per lay, and the files of an earlier cut of the same name."""
    lays = sorted(set(content.lay_of.values())) or [1]
    results: list[CutResult] = []
    stale: set[str] = set()
    for lay in lays:
        mine = [o for o in content.outlines if content.lay_of[o.outline_id] == lay]
        name = f"{stem}-lay{lay}" if len(lays) > 1 else stem
        results.append(cut_lay(mine, options, name=name, progress=clock))
        stale |= _files_before(folder, name)
    return results, stale


def _opened(folder: JobFolder) -> tuple[OutlinesFile, ToolList | None]:
    """Outlines and tool list of a job; nothing of the photos is needed."""
    if not folder.exists():
        raise UsageError(
            "job-missing",
            f"There is no job {folder.name} here.",
            "Name the photos to make one: tracer trace PHOTO... --job NAME.",
        )
    content = load_outlines(folder.read("outlines.json"), "outlines.json")
    tools = None
    if folder.has("tools.csv"):
        tools = parse_tool_list(folder.read("tools.csv"), "tools.csv")
    return content, tools


def _files_before(folder: JobFolder, stem: str) -> set[str]:
    """Files of an earlier cut of the same name, by its own record."""
    name = f"cut/{stem}-cut.json"
    record = cut_record(folder.read(name)) if folder.has(name) else None
    listed = record.files if record is not None else ()
    return {f"cut/{one}" for one in listed if one and "/" not in one and one != ".."}


def machines_cut_for(folder: JobFolder) -> list[str]:
    """Machines that the folder ``cut`` holds files for, by the record of each cut."""
    return sorted({record.machine for record in cut_records(folder)})


def _refuse_overwriting(folder: JobFolder, files: dict[str, bytes], replacing: bool) -> None:
    changed = [n for n, data in files.items() if folder.has(n) and folder.read(n) != data]
    if changed and not replacing:
        raise TracerError(
            "cut-exists",
            f"The job {folder.name} holds other cutting files for this machine ({changed[0]}).",
            "Write over them with --replace, or keep them by copying the folder cut.",
        )
