"""Running lays of a job: traces and every file that follows from them, nothing written yet.

`tracer.workflows.job.trace_job` and `tracer.workflows.job.retrace` commit what is made here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from tracer import __version__
from tracer.calibration.calibrate import refuse_too_many
from tracer.export.dxf.write import DxfOptions
from tracer.model.photo import Photo
from tracer.model.report import Check
from tracer.model.tool_list import ToolRow
from tracer.photos import decode_photo
from tracer.progress import StepClock
from tracer.project.outlines_file import OutlinesFile, dump_outlines, load_outlines
from tracer.project.schema import JobRecord, LayRecord, PhotoRecord, dump_job
from tracer.project.silhouettes_file import dump_silhouettes, load_silhouettes, seen_edges
from tracer.project.tool_list import ToolList, format_tool_list, parse_tool_list
from tracer.workflows.job.job_files import (
    common_drawings,
    inputs_digest,
    lay_options,
    lay_pictures,
    merged_outlines,
)
from tracer.workflows.job.kept_outlines import with_kept
from tracer.workflows.job.list_rows import in_file_order
from tracer.workflows.job.usable_edits import usable_lay
from tracer.workflows.tracing.cache import StageCache
from tracer.workflows.tracing.trace import Trace, trace

__all__ = ["RETIRED", "LayRuns", "run_lays"]

RETIRED = "history/retired.json"
MOST_RETIRED = 400


@dataclass(frozen=True, eq=False)
class LayRuns:
    """What a run made: the record it leaves, outlines, traces by lay, files by name."""

    record: JobRecord
    content: OutlinesFile
    traces: dict[int, Trace]
    files: dict[str, bytes]
    photos: dict[int, list[Photo]]
    dxf: DxfOptions | None = None

    def drawings(self) -> dict[str, bytes]:
        """The common drawing, and overlay pictures of the lays that were run."""
        files = common_drawings(self.content, self.dxf)
        for number, done in self.traces.items():
            files |= lay_pictures(number, self.photos[number], done)
        return files


def run_lays(
    record: JobRecord,
    numbers: Sequence[int],
    before: OutlinesFile,
    given: ToolList,
    photo_bytes: Callable[[PhotoRecord], bytes],
    *,
    tools_name: str = "tools.csv",
    dxf: DxfOptions | None = None,
    clock: StepClock | None = None,
    seen_before: bytes | None = None,
    cache: StageCache | None = None,
    read: Callable[[str], bytes] | None = None,
    retired_before: bytes | None = None,
    said: Mapping[int, Sequence[Check]] | None = None,
    drawings: bool = True,
) -> LayRuns:
    """Trace the lays of these numbers (1, 2 ...) and make the job's files again.

    Parameters
    ----------
    before
        Outlines of the earlier run; tools keep their numbers, other lays their outlines.
    given
        The tool list, all lays.
    photo_bytes
        Gives the bytes of a photo of the job.
    clock
        Receives progress and measures the steps.
    seen_before
        ``silhouettes.json`` of the earlier run, for the lays that are not run.
    cache
        Results of earlier runs, see `trace`.
    read
        Gives the bytes of any file of the job; needed where outlines were swapped.
    retired_before
        `RETIRED` of the earlier run: outlines that a correction made go away. One that comes back
        (the correction was undone) gets its number back, and with it all that hangs on it.
    said
        By lay: what was found before the run, told with what the run finds.
    drawings
        Make drawings and pictures too; else the record says that they are due.

    Raises
    ------
    TracerError
        As the stages do.
    """
    clock = clock or StepClock()
    retired = load_outlines(retired_before, RETIRED) if retired_before else OutlinesFile(())
    traces: dict[int, Trace] = {}
    photos: dict[int, list[Photo]] = {}
    for number in numbers:
        lay = record.lays[number - 1]
        refuse_too_many(len(lay.photos))
        clock.step("reading photos")
        photos[number] = _photos(lay, photo_bytes, cache)
        lay, left_out = usable_lay(lay, photos[number])
        clock.stop()
        rows_before = [row for row in given.rows if row.lay == number]
        done = trace(
            photos[number],
            rows_before,
            options=lay_options(lay),
            list_name=tools_name,
            earlier=[
                o
                for known in (before, retired)
                for o in known.outlines
                if known.lay_of[o.outline_id] == number
            ],
            next_number=record.next_outline,
            progress=clock.receiver,
            cache=cache,
        )
        done = replace(done, checks=(*(said or {}).get(number, ()), *done.checks))
        if record.kept and read is not None:
            done = with_kept(done, record, before, rows_before, number, read)
        done = replace(done, checks=(*left_out, *done.checks))
        traces[number] = done
        own = _own_points(record.lays[number - 1].own_points, rows_before, done.rows)
        lays_now = list(record.lays)
        lays_now[number - 1] = replace(lays_now[number - 1], own_points=own)
        record = replace(record, next_outline=done.next_number, lays=tuple(lays_now))
        for name, seconds in done.seconds.items():
            clock.seconds[name] = clock.seconds.get(name, 0.0) + seconds
    clock.step("drawing and writing")
    content = merged_outlines(record, before, traces)
    rows = [
        replace(row, lay=number)
        for number in range(1, len(record.lays) + 1)
        for row in (
            traces[number].rows if number in traces else [r for r in given.rows if r.lay == number]
        )
    ]
    listed = in_file_order(given, rows, len(record.lays))
    seen = load_silhouettes(seen_before, "silhouettes.json") if seen_before else {}
    for done in traces.values():
        for view, segmentation in zip(done.calibration.views, done.segmentations, strict=True):
            seen[view.photo_id] = seen_edges(segmentation, view, done.outlines)
    # as they will be read back, so that the digest is that of the file
    tools = parse_tool_list(format_tool_list(listed), tools_name)
    lays = tuple(
        replace(lay, traced=inputs_digest(lay, number, tools), drawings_due=not drawings)
        if number in traces
        else lay
        for number, lay in enumerate(record.lays, start=1)
    )
    record = replace(record, lays=lays, tracer_version=__version__)
    files = {
        "job.json": dump_job(record),
        "outlines.json": dump_outlines(content),
        "silhouettes.json": dump_silhouettes(seen),
        "tools.csv": format_tool_list(tools),
    }
    gone = _retired(retired, before, content, record)
    if gone.outlines or retired_before:
        files[RETIRED] = dump_outlines(gone)
    runs = LayRuns(record, content, traces, files, photos, dxf)
    if drawings:
        files |= runs.drawings()
    clock.stop()
    return runs


def _photos(
    lay: LayRecord, photo_bytes: Callable[[PhotoRecord], bytes], cache: StageCache | None
) -> list[Photo]:
    """A lay's photos, remembered as far as they do not fill the memory."""

    def read() -> list[Photo]:
        return [decode_photo(photo_bytes(p), p.name) for p in lay.photos]

    if cache is None:
        return read()
    return cache.get_large(("photos", *(p.photo_id for p in lay.photos)), read, _size)


def _size(photos: Sequence[Photo]) -> int:
    return sum(int(photo.pixels.nbytes) for photo in photos)


def _own_points(
    before: Sequence[tuple[float, float]], given: Sequence[ToolRow], now: Sequence[ToolRow]
) -> tuple[tuple[float, float], ...]:
    """Points of the rows that runs wrote themselves, as far as the rows are still there."""
    known = {id(row) for row in given}
    new = {(round(r.x_px, 1), round(r.y_px, 1)) for r in now if id(r) not in known}
    there = {(round(r.x_px, 1), round(r.y_px, 1)) for r in now}
    return tuple(sorted((set(before) | new) & there))


def _retired(
    retired: OutlinesFile, before: OutlinesFile, now: OutlinesFile, record: JobRecord
) -> OutlinesFile:
    """Outlines that were there once, are not now, and are not the business of a swap."""
    present = {o.outline_id for o in now.outlines} | set(record.kept)
    gone = {
        o.outline_id: (o, known.lay_of[o.outline_id])
        for known in (retired, before)
        for o in known.outlines
        if o.outline_id not in present
    }
    latest = dict(list(gone.items())[-MOST_RETIRED:])
    return OutlinesFile(
        tuple(o for o, _ in latest.values()), lay_of={k: lay for k, (_, lay) in latest.items()}
    )
