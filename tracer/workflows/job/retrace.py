"""Bringing a job up to date after edits, without keeping it locked while the stages run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from tracer.errors import UsageError
from tracer.progress import Progress, StepClock
from tracer.project.outlines_file import OutlinesFile
from tracer.project.schema import JobRecord, dump_job
from tracer.project.store import JobFolder
from tracer.project.tool_list import ToolList
from tracer.workflows.job.job_files import inputs_digest, opened_job
from tracer.workflows.job.lay_runs import RETIRED, run_lays
from tracer.workflows.job.trace_job import SEEN
from tracer.workflows.tracing.cache import StageCache

__all__ = ["retrace", "stale_lays"]


def stale_lays(record: JobRecord, tools: ToolList) -> list[int]:
    """Numbers of the lays whose outlines were made from other inputs than the present ones."""
    return [
        number
        for number, lay in enumerate(record.lays, start=1)
        if lay.traced != inputs_digest(lay, number, tools)
    ]


def retrace(
    folder: JobFolder,
    *,
    progress: Progress | None = None,
    cache: StageCache | None = None,
    told: Callable[[], object] = lambda: None,
) -> bool:
    """Run the lays whose inputs have changed.

    The job is locked only while it is read and while the result is written, so that edits can be
    made meanwhile. Where one was, nothing is written. Outlines are written first, and ``told`` is
    called; drawings and pictures, which take longer, follow.

    Returns
    -------
    bool
        True when the outlines are up to date, False when an edit came in between: run again.

    Raises
    ------
    TracerError
        As the stages do; ``job-missing``, ``job-locked``.
    """
    clock = StepClock(progress)
    with folder.locked():
        record, before, tools = _read(folder)
        listed = _list_bytes(folder)
        seen = folder.read(SEEN) if folder.has(SEEN) else None
    due = {n for n, lay in enumerate(record.lays, start=1) if lay.drawings_due}
    numbers = sorted({*stale_lays(record, tools), *due})
    if not numbers:
        return True
    runs = run_lays(
        record,
        numbers,
        before,
        tools,
        lambda photo: folder.read(photo.file),
        clock=clock,
        read=folder.read,
        retired_before=folder.read(RETIRED) if folder.has(RETIRED) else None,
        seen_before=seen,
        cache=cache,
        drawings=False,
    )
    with folder.locked():
        record_now, before_now, _ = _read(folder)
        if (record_now, _list_bytes(folder)) != (record, listed) or len(before_now.outlines) != len(
            before.outlines
        ):
            return False
        folder.commit(runs.files)
    told()
    clock.step("drawing")
    drawings = runs.drawings()
    gone = [n for n in ("outlines.dxf", "outlines.svg") if n not in drawings]
    with folder.locked():
        record_now, _, _ = _read(folder)
        if record_now != runs.record:
            return False
        lays = tuple(replace(lay, drawings_due=False) for lay in record_now.lays)
        record_now = replace(record_now, lays=lays)
        folder.commit({"job.json": dump_job(record_now), **drawings}, remove=gone)
    clock.stop()
    return True


def _list_bytes(folder: JobFolder) -> bytes | None:
    return folder.read("tools.csv") if folder.has("tools.csv") else None


def _read(folder: JobFolder) -> tuple[JobRecord, OutlinesFile, ToolList]:
    record, before, tools = opened_job(folder)
    if record is None:
        raise UsageError("job-missing", f"There is no job {folder.name} here.")
    return record, before, tools or ToolList()
