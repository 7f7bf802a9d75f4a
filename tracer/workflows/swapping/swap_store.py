"""The job before and after a swap: what is read, what is kept for later, what is written."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tracer.errors import UsageError
from tracer.model.lay_calibration import LayCalibration, of_lay
from tracer.model.outline import Outline
from tracer.model.tool_list import ToolRow
from tracer.project.outlines_file import OutlinesFile, dump_outlines, load_outlines
from tracer.project.panel_file import PanelFile, dump_panel, load_panel
from tracer.project.schema import JobRecord, KeptOutline, LayRecord, dump_job, load_job
from tracer.project.store import JobFolder
from tracer.project.tool_list import ToolList, format_tool_list, parse_tool_list
from tracer.workflows.arranging.arrange import panel_pictures
from tracer.workflows.job.job_files import common_drawings, inputs_digest, opened_job

__all__ = [
    "OpenJob",
    "change_entry",
    "changed_files",
    "history_name",
    "open_job",
    "photo_ending",
    "restored_files",
    "revision_files",
    "snapshot",
]

PANEL = "panel.json"
SAME_PX = 3.0


@dataclass(frozen=True, eq=False)
class OpenJob:
    """A job as it was found."""

    folder: JobFolder
    record: JobRecord
    content: OutlinesFile
    tools: ToolList
    panel: PanelFile | None

    def lay(self, outline_id: str) -> int:
        """Number of the lay of an outline."""
        return self.content.lay_of[outline_id]

    def calibration(self, lay: int) -> LayCalibration:
        """What the job keeps of a lay's calibration."""
        return of_lay(self.content.calibration, lay)

    def beside(self, outline_id: str, lay: int) -> list[Outline]:
        """The other outlines of a lay."""
        return [
            o
            for o in self.content.outlines
            if o.outline_id != outline_id and self.content.lay_of[o.outline_id] == lay
        ]


def open_job(folder: JobFolder) -> OpenJob:
    """Read a job that must exist.

    Raises
    ------
    TracerError
        ``job-missing``, ``job-damaged``.
    """
    record, content, tools = opened_job(folder)
    if record is None:
        raise UsageError(
            "job-missing",
            f"There is no job {folder.name} here.",
            "Trace the photos of a lay to make one.",
        )
    panel = load_panel(folder.read(PANEL), PANEL) if folder.has(PANEL) else None
    return OpenJob(folder, record, content, tools or ToolList(), panel)


def history_name(record: JobRecord, name: str) -> str:
    """Where a file of the present revision is kept."""
    return f"history/r{record.revision}/{name}"


def snapshot(job: OpenJob) -> dict[str, bytes]:
    """The present state under its revision in ``history/``."""
    names = [n for n in ("job.json", "outlines.json", "tools.csv", PANEL) if job.folder.has(n)]
    return {history_name(job.record, n): job.folder.read(n) for n in names}


def revision_files(folder: JobFolder, base: str) -> dict[str, bytes]:
    """Files of an earlier revision below ``base``, to be put back all or none.

    Raises
    ------
    TracerError
        ``job-incomplete``, ``job-damaged``, ``tool-list-unreadable``: one that could not be read
        once it were back.
    """
    readers: dict[str, Callable[[bytes, str], object]] = {
        "outlines.json": load_outlines,
        "tools.csv": parse_tool_list,
        "panel.json": load_panel,
    }
    files = {}
    for name, load in readers.items():
        if name == "outlines.json" or folder.has(base + name):
            files[name] = folder.read(base + name)
            load(files[name], base + name)
    return files


def restored_files(
    folder: JobFolder, revision: int, reason: str, now: datetime.datetime | None
) -> dict[str, bytes]:
    """Files that bring back an earlier revision as a new one; errors as `restore`."""
    job = open_job(folder)
    base = f"history/r{revision}/"
    if not folder.has(f"{base}job.json"):
        raise UsageError(
            "revision-missing",
            f"The job {folder.name} has no revision {revision} in its history.",
            "The folder history/ in it holds those that can be brought back.",
        )
    old = load_job(folder.read(f"{base}job.json"), f"{base}job.json")
    files = snapshot(job) | revision_files(folder, base)
    new = job.record.revision + 1
    entry = change_entry(new, reason, [f"revision {revision} brought back"], now)
    record = replace(
        job.record,
        lays=old.lays,
        kept=old.kept,
        revision=new,
        changes=(*job.record.changes, entry),
    )
    files["job.json"] = dump_job(record)
    return files | common_drawings(load_outlines(files["outlines.json"], "outlines.json"), None)


def changed_files(
    job: OpenJob,
    changed: Mapping[str, Outline],
    removed: Sequence[str],
    kept: Mapping[str, KeptOutline],
    panel: PanelFile | None,
    *,
    lay: int,
    reason: str,
    what: Sequence[str],
    now: datetime.datetime | None,
) -> dict[str, bytes]:
    """Files of the job after a change; lines of unchanged outlines are the very bytes they were.

    Raises
    ------
    RuntimeError
        When an outline that should stay would change: a defect of ours, stopped before writing.
    """
    outlines = [
        changed.get(o.outline_id, o) for o in job.content.outlines if o.outline_id not in removed
    ]
    known = {o.outline_id for o in outlines}
    outlines += [o for i, o in changed.items() if i not in known]
    lay_of = {o.outline_id: job.content.lay_of.get(o.outline_id, lay) for o in outlines}
    content = replace(job.content, outlines=tuple(outlines), lay_of=lay_of)
    data = dump_outlines(content)
    _refuse_collateral(job, data, {*changed, *removed})
    revision = job.record.revision + 1
    tools = job.tools.with_rows(_rows(job, changed, removed, lay))
    record = replace(
        job.record,
        lays=_still_traced(job, tools),
        revision=revision,
        kept={**job.record.kept, **kept},
        changes=(*job.record.changes, change_entry(revision, reason, what, now)),
    )
    files = {
        "job.json": dump_job(record),
        "outlines.json": data,
        "tools.csv": format_tool_list(tools),
        **snapshot(job),
        **common_drawings(content, None, like=job.content),
    }
    if panel is not None:
        files[PANEL] = dump_panel(panel)
        _refuse_pockets(job, files[PANEL], {*changed, *removed})
        files |= panel_pictures(panel.panel)
    return files


def _still_traced(job: OpenJob, tools: ToolList) -> tuple[LayRecord, ...]:
    """The lays, those that were up to date still so: a run with the new rows would give the same.

    It leaves swapped tools alone, and rows of the others are as they were.
    """
    written = parse_tool_list(format_tool_list(tools), "tools.csv")  # as a run will read it
    return tuple(
        replace(lay, traced=inputs_digest(lay, number, written))
        if lay.traced == inputs_digest(lay, number, job.tools)
        else lay
        for number, lay in enumerate(job.record.lays, start=1)
    )


def change_entry(
    revision: int, reason: str, what: Sequence[str], now: datetime.datetime | None
) -> dict[str, Any]:
    """A line of the job's history."""
    when = now or datetime.datetime.now(datetime.UTC)
    return {
        "revision": revision,
        "date": when.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "reason": reason,
        "what": list(what),
    }


def _lines(data: bytes) -> dict[str, bytes]:
    """Lines of a file by the id that each starts with."""
    found = {}
    for line in data.splitlines():
        head = line.strip().rstrip(b",")
        for key in (b'{"id": "', b'{"pocket_id": "'):
            if head.startswith(key):
                found[head[len(key) :].split(b'"', 1)[0].decode()] = head
    return found


def _refuse_collateral(job: OpenJob, after: bytes, touched: set[str]) -> None:
    # as this program writes them: another spelling of the same numbers is no change
    before, now = _lines(dump_outlines(job.content)), _lines(after)
    wrong = [i for i, line in before.items() if i not in touched and now.get(i) != line]
    if wrong:
        raise RuntimeError(f"outlines that must stay would change: {', '.join(sorted(wrong))}")


def _refuse_pockets(job: OpenJob, after: bytes, touched: set[str]) -> None:
    kept = dump_panel(load_panel(job.folder.read(PANEL), PANEL))
    before, now = _lines(kept), _lines(after)
    wrong = [i for i, line in before.items() if i not in touched and now.get(i) != line]
    if wrong:
        raise RuntimeError(f"pockets that must stay would change: {', '.join(sorted(wrong))}")


def _rows(
    job: OpenJob, changed: Mapping[str, Outline], removed: Sequence[str], lay: int
) -> list[ToolRow]:
    """The tool list with the rows of changed tools brought up to date."""
    before = {o.outline_id: o for o in job.content.outlines}
    rows: list[ToolRow] = []
    met: set[str] = set()
    for row in job.tools.rows:
        owner = next((o.outline_id for o in before.values() if _owns(o, row, job)), None)
        if owner in removed:
            continue
        if owner is not None and owner in changed:
            met.add(owner)
            rows.append(_row(changed[owner], row))
        else:
            rows.append(row)
    fresh = [o for i, o in changed.items() if i not in met]
    return rows + [
        _row(o, ToolRow(name=None, x_px=0, y_px=0, lay=job.content.lay_of.get(o.outline_id, lay)))
        for o in fresh
    ]


def _owns(outline: Outline, row: ToolRow, job: OpenJob) -> bool:
    x, y = outline.point_px
    near = max(abs(row.x_px - x), abs(row.y_px - y)) <= SAME_PX
    return row.lay == job.lay(outline.outline_id) and (near or row.name == outline.name)


def _row(outline: Outline, row: ToolRow) -> ToolRow:
    x, y = outline.point_px
    typed = outline.height_source.value == "typed"
    return replace(
        row,
        name=outline.name,
        x_px=round(x, 1),
        y_px=round(y, 1),
        height_mm=outline.height_mm if typed else row.height_mm,
    )


def photo_ending(name: str) -> str:
    """Ending of a photo's copy in the job."""
    suffix = Path(name).suffix.lower()
    return suffix if suffix[1:].isalnum() and suffix.isascii() and len(suffix) <= 6 else ".img"
