"""Tracing into a job folder: new jobs, runs again, further lays.

The job's content after a run: ``job.json``, ``photos/``, ``outlines.json``, ``tools.csv``,
``pictures/``, ``outlines.dxf``, ``outlines.svg``; all of it changes in one step or not at all.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

from shapely import affinity

from tracer import __version__
from tracer.calibration import CardSizes
from tracer.errors import TracerError, UsageError
from tracer.export.draw import draw_outlines
from tracer.export.dxf import DxfOptions
from tracer.export.verify import verified_dxf, verified_svg
from tracer.model.corrections import Corrections
from tracer.model.outline import EdgeModel, Outline
from tracer.model.photo import Photo
from tracer.model.report import Check
from tracer.photos import decode_photo, read_photo_bytes
from tracer.pictures.overlay import overlay_bytes
from tracer.progress import Progress, StepClock
from tracer.project.outlines_file import (
    OutlinesFile,
    calibration_summary,
    dump_outlines,
    load_outlines,
)
from tracer.project.schema import JobRecord, LayRecord, PhotoRecord, dump_job, load_job
from tracer.project.store import JobFolder
from tracer.project.tool_list import ToolList, format_tool_list, parse_tool_list
from tracer.workflows.trace import Separation, Trace, TraceOptions, trace

__all__ = [
    "JobTrace",
    "Mode",
    "PhotoFile",
    "lay_settings",
    "read_list",
    "read_photos",
    "trace_job",
]

T = TypeVar("T")

LAY_GAP_MM = 100.0  # between lays in the common drawing


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


def read_photos(paths: Sequence[Path]) -> list[PhotoFile]:
    """Read photo files whole.

    Raises
    ------
    TracerError
        As `tracer.photos.read_photo_bytes`.
    """
    return [PhotoFile(path.name, read_photo_bytes(path)) for path in paths]


def trace_job(
    folder: JobFolder,
    photo_files: Sequence[PhotoFile],
    *,
    settings: LayRecord | None = None,
    corrections: Sequence[Corrections] = (),
    tools: ToolList | None = None,
    tools_name: str = "tools.csv",
    mode: Mode | None = None,
    dxf: DxfOptions | None = None,
    progress: Progress | None = None,
) -> JobTrace:
    """Trace photos into a job, or the job's own photos again when none are given.

    Parameters
    ----------
    photo_files
        Photos of one lay; empty to trace the job again.
    settings
        Settings of the lay as typed (its ``photos`` are ignored). With a run over known photos,
        None keeps what the job remembers.
    corrections
        Corrections by photo, in the photos' order, added to those the job remembers.
    tools
        A tool list to use instead of the job's own.
    mode
        Whether to add a lay or replace the job where it exists.

    Raises
    ------
    TracerError
        ``job-exists``, ``job-missing`` and what the stages raise.
    """
    mode = mode or Mode()
    clock = StepClock(progress)
    with folder.locked():
        record, before, own_tools = _opened(folder)
        record, run = _planned(folder, record, photo_files, settings, corrections, mode)
        if mode.replace and photo_files:
            before, own_tools = OutlinesFile(()), None
        given = tools or own_tools or ToolList()
        traces: dict[int, Trace] = {}
        photos: dict[int, list[Photo]] = {}
        originals = {f.photo_id: f.data for f in photo_files}
        for number, lay in enumerate(record.lays, start=1):
            if number not in run:
                continue
            clock.step("reading photos")
            photos[number] = [
                decode_photo(originals.get(p.photo_id) or folder.read(p.file), p.name)
                for p in lay.photos
            ]
            clock.stop()
            done = trace(
                photos[number],
                [row for row in given.rows if row.lay == number],
                options=_options(lay),
                list_name=tools_name,
                earlier=[o for o in before.outlines if before.lay_of[o.outline_id] == number],
                next_number=record.next_outline,
                progress=progress,
            )
            traces[number] = done
            record = replace(record, next_outline=done.next_number)
            for name, seconds in done.seconds.items():
                clock.seconds[name] = clock.seconds.get(name, 0.0) + seconds
        clock.step("drawing and writing")
        content = _merged(record, before, traces)
        rows = [
            replace(row, lay=number)
            for number in range(1, len(record.lays) + 1)
            for row in (
                traces[number].rows
                if number in traces
                else [r for r in given.rows if r.lay == number]
            )
        ]
        files = {
            "job.json": dump_job(replace(record, tracer_version=__version__)),
            "outlines.json": dump_outlines(content),
            "tools.csv": format_tool_list(given.with_rows(rows)),
        }
        for number in traces:
            for photo_record, original in zip(
                record.lays[number - 1].photos, photos[number], strict=True
            ):
                if original.photo_id in originals:
                    files[photo_record.file] = originals[original.photo_id]
            files |= _pictures(number, photos[number], traces[number])
        files |= _drawings(content, dxf)
        folder.commit(files, remove=_stale(folder, record, files, mode))
        clock.stop()
    return JobTrace(
        job=folder,
        outlines=content.outlines,
        traces=tuple(traces.values()),
        checks=content.checks,
        files=tuple(sorted(name for name in files if not name.startswith("photos/"))),
        seconds=clock.seconds,
        again=not photo_files or bool(before.outlines),
    )


def lay_settings(
    *,
    card_sizes: CardSizes,
    mat_mm: tuple[float, float] | None,
    camera_height_mm: float | None,
    default_height_mm: float | None,
    edge: EdgeModel | None,
    keep_cables: bool,
    separation: Separation,
) -> LayRecord:
    """Settings of a lay in the form in which the job keeps them."""
    return LayRecord(
        photos=(),
        card_size_mm=card_sizes.common_mm,
        card_sizes_mm=dict(card_sizes.own_mm),
        mat_mm=mat_mm,
        camera_height_mm=camera_height_mm,
        default_height_mm=default_height_mm,
        edge=edge.value if edge else None,
        keep_cables=keep_cables,
        silhouettes=separation.value,
    )


def _options(lay: LayRecord) -> TraceOptions:
    return TraceOptions(
        card_sizes=CardSizes(lay.card_size_mm, lay.card_sizes_mm),
        mat_mm=lay.mat_mm,
        camera_height_mm=lay.camera_height_mm,
        default_height_mm=lay.default_height_mm,
        edge=EdgeModel(lay.edge) if lay.edge else None,
        keep_cables=lay.keep_cables,
        separation=Separation(lay.silhouettes),
        corrections={p.photo_id: p.corrections for p in lay.photos},
    )


def _opened(folder: JobFolder) -> tuple[JobRecord | None, OutlinesFile, ToolList | None]:
    """What the job holds, or nothing yet."""
    if not folder.exists():
        return None, OutlinesFile(()), None
    record = load_job(folder.read("job.json"), "job.json")
    outlines = load_outlines(folder.read("outlines.json"), "outlines.json")
    tools = None
    if folder.has("tools.csv"):
        tools = parse_tool_list(folder.read("tools.csv"), "tools.csv")
    return record, outlines, tools


def _planned(
    folder: JobFolder,
    record: JobRecord | None,
    photo_files: Sequence[PhotoFile],
    settings: LayRecord | None,
    corrections: Sequence[Corrections],
    mode: Mode,
) -> tuple[JobRecord, list[int]]:
    """The record that the run will leave, and the numbers of the lays to run."""
    if not photo_files:
        if record is None:
            raise UsageError(
                "job-missing",
                f"There is no job {folder.name} here.",
                "Name the photos to make one: tracer trace PHOTO... --job NAME.",
            )
        lays = tuple(_resettled(lay, settings, corrections) for lay in record.lays)
        return replace(record, lays=lays), list(range(1, len(lays) + 1))
    ids = [f.photo_id for f in photo_files]
    if record is not None and not mode.replace:
        for index, lay in enumerate(record.lays):
            if [p.photo_id for p in lay.photos] == ids:
                lays = list(record.lays)
                lays[index] = _resettled(lay, settings, corrections)
                return replace(record, lays=tuple(lays)), [index + 1]
        if not mode.add:
            raise TracerError(
                "job-exists",
                f"There is a job {folder.name} with other photos.",
                "Choose another name with --job, add these photos as a further lay with --add,"
                " or write over it with --replace.",
            )
    old_lays = record.lays if record is not None and not mode.replace else ()
    number = len(old_lays) + 1
    new = replace(
        settings or LayRecord(photos=()),
        photos=tuple(
            PhotoRecord(
                file=f"photos/lay{number}-{k}{_ending(f.name)}", name=f.name, photo_id=f.photo_id
            )
            for k, f in enumerate(photo_files, start=1)
        ),
    )
    new = _resettled(new, None, corrections)
    base = record if record is not None and not mode.replace else JobRecord(lays=())
    return replace(base, lays=(*old_lays, new)), [number]


def _ending(name: str) -> str:
    suffix = Path(name).suffix.lower()
    return suffix if suffix.isascii() and suffix[1:].isalnum() and len(suffix) <= 6 else ".img"


def _resettled(
    lay: LayRecord, settings: LayRecord | None, corrections: Sequence[Corrections]
) -> LayRecord:
    """A lay with newly typed settings and further corrections."""
    kept = lay.photos
    if settings is not None:
        lay = replace(settings, photos=kept)
    if corrections:
        photos = list(lay.photos)
        for i, more in enumerate(corrections[: len(photos)]):
            old = photos[i].corrections
            photos[i] = replace(
                photos[i],
                corrections=Corrections(
                    keep=_joined(old.keep, more.keep),
                    drop=_joined(old.drop, more.drop),
                    split=_joined(old.split, more.split),
                ),
            )
        lay = replace(lay, photos=tuple(photos))
    return lay


def _joined(old: tuple[T, ...], more: tuple[T, ...]) -> tuple[T, ...]:
    return (*old, *(item for item in more if item not in old))


def _merged(record: JobRecord, before: OutlinesFile, traces: dict[int, Trace]) -> OutlinesFile:
    """Outlines of all lays: new where a lay was run, as they were elsewhere."""
    outlines: list[Outline] = []
    lay_of: dict[str, int] = {}
    calibrations: list[dict[str, Any]] = []
    checks: list[Check] = []
    first = {k: v for k, v in before.calibration.items() if k != "further_lays"}
    old = [first, *before.calibration.get("further_lays", [])]
    for number, lay in enumerate(record.lays, start=1):
        done = traces.get(number)
        if done is not None:
            names = {p.photo_id: p.name for p in lay.photos}
            mine: Sequence[Outline] = done.outlines
            calibrations.append(calibration_summary(done.calibration, names))
            checks += done.checks
        else:
            mine = [o for o in before.outlines if before.lay_of[o.outline_id] == number]
            calibrations.append(old[number - 1] if number <= len(old) else {})
        outlines += mine
        lay_of |= {o.outline_id: number for o in mine}
    calibration = {**calibrations[0], "further_lays": calibrations[1:]}
    return OutlinesFile(tuple(outlines), calibration, tuple(checks), lay_of)


def _pictures(number: int, photos: Sequence[Photo], done: Trace) -> dict[str, bytes]:
    return {
        f"pictures/lay{number}-photo{k}.jpg": overlay_bytes(
            photo,
            done.calibration.views[k - 1],
            done.segmentations[k - 1],
            done.outlines,
            done.calibration,
        )
        for k, photo in enumerate(photos, start=1)
    }


def _drawings(content: OutlinesFile, dxf: DxfOptions | None) -> dict[str, bytes]:
    """The common drawing of all lays, side by side; none where there is nothing to draw."""
    if not content.outlines:
        return {}
    placed = []
    offset = 0.0
    for number in sorted(set(content.lay_of.values())):
        mine = [o for o in content.outlines if content.lay_of[o.outline_id] == number]
        left = min(o.region.bounds[0] for o in mine)
        right = max(o.region.bounds[2] for o in mine)
        shift = 0.0 if not placed else offset - left
        placed += [replace(o, region=affinity.translate(o.region, shift)) for o in mine]
        offset = right + shift + LAY_GAP_MM
    drawing = draw_outlines(placed)
    return {
        "outlines.dxf": verified_dxf(drawing, dxf),
        "outlines.svg": verified_svg(drawing),
    }


def _stale(folder: JobFolder, record: JobRecord, files: dict[str, bytes], mode: Mode) -> list[str]:
    """Files of an earlier state that nothing refers to any more."""
    if not folder.exists():
        return []
    wanted = set(files) | {p.file for lay in record.lays for p in lay.photos}
    present = [p for room in ("photos", "pictures") for p in (folder.path / room).glob("*")]
    stale = [
        name
        for path in present
        if (name := path.relative_to(folder.path).as_posix()) not in wanted
        and (mode.replace or name.startswith("photos/"))
    ]
    return stale + [n for n in ("outlines.dxf", "outlines.svg") if n not in files]


def read_list(path: Path) -> bytes:
    """Bytes of a tool list.

    Raises
    ------
    TracerError
        ``tool-list-unreadable``.
    """
    try:
        return path.read_bytes()
    except OSError as error:
        raise TracerError(
            "tool-list-unreadable",
            f"The tool list {path} cannot be read: {error.strerror or error}.",
            "Check the name and the folder.",
        ) from error
