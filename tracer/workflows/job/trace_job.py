"""Tracing into a job folder: new jobs, runs again, further lays.

The job's content after a run: ``job.json``, ``photos/``, ``outlines.json``, ``silhouettes.json``,
``tools.csv``, ``pictures/``, ``outlines.dxf``, ``outlines.svg``; all of it changes in one step or
not at all.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from tracer.errors import TracerError, UsageError
from tracer.export.dxf.write import DxfOptions
from tracer.films import STRETCHES, frames_of, is_film
from tracer.loading import read_file
from tracer.model.corrections import Corrections
from tracer.model.lay_settings import LaySettings
from tracer.model.outline import Outline
from tracer.model.report import Check
from tracer.photos import decode_photo, printable_name, read_photo_bytes
from tracer.progress import Progress, StepClock
from tracer.project.outlines_file import (
    OutlinesFile,
)
from tracer.project.schema import JobRecord, LayRecord, PhotoRecord
from tracer.project.store import JobFolder
from tracer.project.tool_list import ToolList
from tracer.ranges import COUNTS, MOST_BYTES
from tracer.workflows.job.job_files import opened_job, stale_files
from tracer.workflows.job.lay_runs import RETIRED, run_lays
from tracer.workflows.job.list_rows import merged_lists, rows_of_no_lay
from tracer.workflows.job.more_photos import ending, refuse_changed_lay, with_more
from tracer.workflows.job.persons_files import left_alone
from tracer.workflows.job.proved_phone import with_proved_edge
from tracer.workflows.job.same_lay import refuse_known_photos, refuse_same_lay
from tracer.workflows.job.usable_edits import refuse_outside
from tracer.workflows.tracing.cache import StageCache
from tracer.workflows.tracing.trace import Trace

__all__ = [
    "JobTrace",
    "Mode",
    "PhotoFile",
    "read_list",
    "read_photos",
    "trace_job",
]

SEEN = "silhouettes.json"
MOST_GIVEN = int(COUNTS["photos given for one lay, the best of them solved"].high)


@dataclass(frozen=True)
class PhotoFile:
    """A photo's bytes and the name it came with."""

    name: str
    data: bytes

    @property
    def photo_id(self) -> str:
        """Hash of the content, as `tracer.photos` gives it."""
        return hashlib.sha256(self.data).hexdigest()[:16]


@dataclass(frozen=True)
class Mode:
    """What to do with a job that exists already."""

    add: bool = False
    replace: bool = False
    #: the photos show a lay of the job once more: the one of this number, or the only one
    more: bool = False
    lay: int | None = None


@dataclass(frozen=True)
class JobTrace:
    """What a run did: the job, the traces of the lays that were run, all files written."""

    job: JobFolder
    outlines: tuple[Outline, ...]
    traces: tuple[Trace, ...]
    checks: tuple[Check, ...]
    files: tuple[str, ...]
    seconds: dict[str, float]
    again: bool


def read_photos(paths: Sequence[Path], progress: Progress | None = None) -> list[PhotoFile]:
    """Read photo files whole; of a film its sharpest frames.

    Raises
    ------
    TracerError
        ``too-many-photos`` before any is read, and as `tracer.photos.read_photo_bytes` and
        `tracer.films.frames_of`.
    """
    given = sum(STRETCHES if is_film(path) else 1 for path in paths)
    if given > MOST_GIVEN:
        raise TracerError(
            "too-many-photos",
            f"{given} photos were given; the best are chosen from at most {MOST_GIVEN}.",
            f"Give those that show the lay best; a film counts as {STRETCHES}.",
        )
    files: list[PhotoFile] = []
    for path in paths:
        if is_film(path):
            clock = StepClock(progress)
            clock.step("reading the film")
            files += [PhotoFile(name, data) for name, data in frames_of(path, clock.fraction)]
        else:
            files.append(PhotoFile(printable_name(path.name), read_photo_bytes(path)))
    return files


def trace_job(
    folder: JobFolder,
    photo_files: Sequence[PhotoFile],
    *,
    settings: LaySettings | None = None,
    corrections: Sequence[Corrections] = (),
    tools: ToolList | None = None,
    tools_name: str = "tools.csv",
    encoding: str | None = None,
    mode: Mode | None = None,
    dxf: DxfOptions | None = None,
    progress: Progress | None = None,
    cache: StageCache | None = None,
    said: Sequence[Check] = (),
) -> JobTrace:
    """Trace photos into a job, or the job's own photos again when none are given.

    Parameters
    ----------
    photo_files
        Photos of one lay; empty to trace the job again.
    settings
        As typed. In a run over known photos the job remembers the others.
    corrections
        Corrections by photo, in the photos' order, added to those the job remembers. Without
        photos they count through all of the job's, lay after lay.
    tools
        A tool list to take into the job's own, row by row.
    encoding
        What the job's own list is said to be in.
    mode
        Whether to add a lay or replace the job where it exists.
    cache
        Results of earlier runs, see `tracer.workflows.tracing.trace.trace`.
    said
        What was found about the photos before.

    Raises
    ------
    TracerError
        ``job-exists``, ``job-missing``, ``lay-changed``, ``lay-unknown``,
        ``point-unreadable`` for a correction in a photo that the job does not have,
        ``point-outside-photo``, ``photo-in-job``, ``lay-in-job``, and what the stages raise.
    """
    mode = mode or Mode()
    clock = StepClock(progress)
    originals = {f.photo_id: f.data for f in photo_files}

    def photo_bytes(photo: PhotoRecord) -> bytes:
        return originals.get(photo.photo_id) or folder.read(photo.file)

    with folder.locked():
        record, before, own_tools = opened_job(folder, encoding)
        known = record
        record, run = _planned(
            folder, record, photo_files, settings or LaySettings(), corrections, mode
        )
        _refuse_outside(record, run, corrections, photo_bytes)
        if mode.replace and photo_files:
            before, own_tools = OutlinesFile(()), None
        listed, told = own_tools or ToolList(), own_tools.notes if own_tools else ()
        if tools is not None:
            only = run[0] if len(run) == 1 else None
            listed, told = merged_lists(own_tools, tools, only, tools_name)
            if own_tools is not None:
                tools_name = "tools.csv"
        told += rows_of_no_lay(listed, len(record.lays), tools_name)
        runs = run_lays(
            record,
            run,
            before,
            listed,
            photo_bytes,
            tools_name=tools_name,
            dxf=dxf,
            clock=clock,
            read=folder.read,
            cache=cache,
            retired_before=folder.read(RETIRED)
            if folder.has(RETIRED) and not mode.replace
            else None,
            seen_before=folder.read(SEEN) if folder.has(SEEN) and not mode.replace else None,
            said=dict.fromkeys(run[:1], said),
        )
        if known is not None and mode.add and not mode.replace and photo_files:
            done = runs.traces[run[0]]
            refuse_same_lay(known, before, done, [f.name for f in photo_files])
        if mode.more:
            mine = [o for o in before.outlines if before.lay_of[o.outline_id] == run[0]]
            new = [(f.name, f.photo_id) for f in photo_files]
            refuse_changed_lay(mine, runs.traces[run[0]], new)
        files = dict(runs.files)
        for number in runs.traces:
            for photo in runs.record.lays[number - 1].photos:
                if photo.photo_id in originals:
                    files[photo.file] = originals[photo.photo_id]
        folder.commit(files, remove=stale_files(folder, record, files, replacing=mode.replace))
        clock.stop()
    return JobTrace(
        job=folder,
        outlines=runs.content.outlines,
        traces=tuple(runs.traces.values()),
        checks=(*told, *runs.content.checks, *left_alone(folder)),
        files=tuple(sorted(name for name in files if not name.startswith("photos/"))),
        seconds=clock.seconds,
        again=not photo_files or bool(before.outlines),
    )


def _planned(
    folder: JobFolder,
    record: JobRecord | None,
    photo_files: Sequence[PhotoFile],
    settings: LaySettings,
    corrections: Sequence[Corrections],
    mode: Mode,
) -> tuple[JobRecord, list[int]]:
    """The record that the run will leave, and the numbers of the lays to run."""
    if mode.more:
        return _with_more(folder, record, photo_files, settings, corrections, mode.lay)
    if not photo_files:
        if record is None:
            raise UsageError(
                "job-missing",
                f"There is no job {folder.name} here.",
                "Trace the photos of a lay to make one.",
            )
        _refuse_unknown_photos(corrections, sum(len(lay.photos) for lay in record.lays))
        lays, first = [], 0
        for lay in record.lays:
            lays.append(_resettled(lay, settings, corrections[first : first + len(lay.photos)]))
            first += len(lay.photos)
        return replace(record, lays=tuple(lays)), list(range(1, len(lays) + 1))
    _refuse_unknown_photos(corrections, len(photo_files))
    ids = [f.photo_id for f in photo_files]
    if record is not None and not mode.replace:
        if mode.add:
            refuse_known_photos(record, [(f.photo_id, f.name) for f in photo_files], folder.name)
        for index, lay in enumerate(record.lays):
            if [p.photo_id for p in lay.photos] == ids:
                mended = list(record.lays)
                mended[index] = _resettled(lay, settings, corrections)
                return replace(record, lays=tuple(mended)), [index + 1]
        if not mode.add:
            raise TracerError(
                "job-exists",
                f"There is a job {folder.name} with other photos.",
                "Choose another name, add these photos as a further lay, or ask to write over it.",
            )
    old_lays = record.lays if record is not None and not mode.replace else ()
    number = len(old_lays) + 1
    new = LayRecord(
        photos=tuple(
            PhotoRecord(
                file=f"photos/lay{number}-{k}{ending(f.name)}", name=f.name, photo_id=f.photo_id
            )
            for k, f in enumerate(photo_files, start=1)
        ),
    )
    if not settings.scan:  # what trials showed of a phone says nothing about a scanner
        settings = with_proved_edge(settings, [(f.name, f.data) for f in photo_files])
    new = _resettled(new, settings, corrections)
    base = record if record is not None and not mode.replace else JobRecord(lays=())
    return replace(base, lays=(*old_lays, new)), [number]


def _with_more(
    folder: JobFolder,
    record: JobRecord | None,
    photo_files: Sequence[PhotoFile],
    settings: LaySettings,
    corrections: Sequence[Corrections],
    lay: int | None,
) -> tuple[JobRecord, list[int]]:
    """As `_planned` for further photos of a lay; corrections count through all of the lay's."""
    photos = [(f.name, f.photo_id) for f in photo_files]
    record, number = with_more(record, photos, lay, folder.name)
    lays = list(record.lays)
    _refuse_unknown_photos(corrections, len(lays[number - 1].photos))
    lays[number - 1] = _resettled(lays[number - 1], settings, corrections)
    return replace(record, lays=tuple(lays)), [number]


def _resettled(
    lay: LayRecord, settings: LaySettings, corrections: Sequence[Corrections]
) -> LayRecord:
    """A lay with newly typed settings and further corrections."""
    lay = lay.with_settings(settings)
    if corrections:
        photos = list(lay.photos)
        for i, more in enumerate(corrections[: len(photos)]):
            photos[i] = replace(photos[i], corrections=photos[i].corrections.joined(more))
        lay = replace(lay, photos=tuple(photos))
    return lay


def _refuse_unknown_photos(corrections: Sequence[Corrections], photos: int) -> None:
    if len(corrections) > photos:
        raise UsageError(
            "point-unreadable",
            f"A correction names photo {len(corrections)}, but there "
            f"{'is' if photos == 1 else 'are'} only {photos}.",
            "Count the photos in the order in which they were given, 1 first.",
        )


def _refuse_outside(
    record: JobRecord,
    run: Sequence[int],
    corrections: Sequence[Corrections],
    photo_bytes: Callable[[PhotoRecord], bytes],
) -> None:
    """Refuse typed points outside their photo before any work is done."""
    photos = [photo for number in run for photo in record.lays[number - 1].photos]
    for photo, typed in zip(photos, corrections, strict=False):
        if typed:
            size_px = decode_photo(photo_bytes(photo), photo.name).size_px
            refuse_outside(typed, size_px, photo.name)


def read_list(path: Path) -> bytes:
    """Bytes of a tool list.

    Raises
    ------
    TracerError
        ``tool-list-unreadable``.
    """

    def refuse(why: str) -> TracerError:
        return TracerError(
            "tool-list-unreadable",
            f"The tool list {path} cannot be read: {why}.",
            "Check the name and the folder.",
        )

    return read_file(path, MOST_BYTES["tool list"], refuse)
