"""What a job folder holds, read at the start of a run and made again at its end.

Pure but for `opened_job`: the other functions turn traces into the files that a run commits.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import fields, replace

from shapely import affinity

from tracer.errors import TracerError
from tracer.export.drawing.draw import draw_outlines
from tracer.export.dxf.write import DxfOptions
from tracer.export.verify import verified_dxf, verified_svg
from tracer.model.lay_calibration import LayCalibration, of_lay
from tracer.model.outline import Outline
from tracer.model.photo import Photo
from tracer.model.report import Check
from tracer.pictures.overlay import overlay_bytes
from tracer.project.outlines_file import OutlinesFile, kept_calibration, load_outlines
from tracer.project.schema import JobRecord, LayRecord, load_job
from tracer.project.store import JobFolder
from tracer.project.tool_list import ToolList, parse_tool_list
from tracer.ranges import shown
from tracer.workflows.tracing.trace import Trace, TraceOptions

__all__ = [
    "common_drawings",
    "inputs_digest",
    "lay_options",
    "lay_pictures",
    "merged_outlines",
    "opened_job",
    "refuse_unknown_lays",
    "stale_files",
]

LAY_GAP_MM = 100.0  # between lays in the common drawing


def opened_job(
    folder: JobFolder, encoding: str | None = None
) -> tuple[JobRecord | None, OutlinesFile, ToolList | None]:
    """What the job holds, or nothing yet. ``encoding`` is what its tool list is said to be in."""
    if not folder.exists():
        return None, OutlinesFile(()), None
    record = load_job(folder.read("job.json"), "job.json")
    outlines = load_outlines(folder.read("outlines.json"), "outlines.json")
    refuse_unknown_lays(record, outlines)
    tools = None
    if folder.has("tools.csv"):
        tools = parse_tool_list(folder.read("tools.csv"), "tools.csv", encoding)
    return record, outlines, tools


def refuse_unknown_lays(record: JobRecord, content: OutlinesFile) -> None:
    """Stop where the two files of a job do not belong together.

    Raises
    ------
    TracerError
        ``job-damaged``, naming an outline of a lay that the job has not.
    """
    known = len(record.lays)
    for outline_id, lay in content.lay_of.items():
        if lay > known:
            raise TracerError(
                "job-damaged",
                f"outlines.json places the outline {shown(outline_id)} on lay {lay}, and job.json"
                f" knows {known} lay{'s' * (known != 1)}.",
                "Restore both files from the same copy, or trace the photos again.",
            )


def inputs_digest(lay: LayRecord, number: int, tools: ToolList) -> str:
    """Digest of all that a lay's outlines depend on: photos, settings, corrections, its rows.

    Rows count in a fixed order, since a spreadsheet may sort them.
    """
    rows = sorted(
        repr(replace(row, line=0, x_px=round(row.x_px, 1), y_px=round(row.y_px, 1)))
        for row in tools.rows
        if row.lay == number
    )
    inputs = [replace(lay, traced=""), rows]
    # inputs that came later count where there are any, so that older jobs keep their digests
    inputs += [
        value
        for value in (
            lay.own_points,
            lay.card_thickness_mm,
            lay.readings,
            lay.edge_shift_mm,
            lay.scan and "scan",
        )
        if value
    ]
    return hashlib.sha256(repr(tuple(inputs)).encode()).hexdigest()[:16]


def lay_options(lay: LayRecord) -> TraceOptions:
    """Settings of a lay as `trace` takes them."""
    settings = lay.settings
    return TraceOptions(
        **{f.name: getattr(settings, f.name) for f in fields(settings)},
        corrections={p.photo_id: p.corrections for p in lay.photos},
        added={p.photo_id: p.added for p in lay.photos if p.added},
        own_points=frozenset(lay.own_points),
        readings=lay.readings,
    )


def merged_outlines(
    record: JobRecord, before: OutlinesFile, traces: dict[int, Trace]
) -> OutlinesFile:
    """Outlines of all lays: new where a lay was run, as they were elsewhere."""
    outlines: list[Outline] = []
    lay_of: dict[str, int] = {}
    calibrations: list[LayCalibration] = []
    checks: list[Check] = []
    for number, lay in enumerate(record.lays, start=1):
        done = traces.get(number)
        if done is not None:
            names = {p.photo_id: p.name for p in lay.photos}
            mine: Sequence[Outline] = done.outlines
            calibrations.append(kept_calibration(done.calibration, names))
            checks += done.checks
        else:
            mine = [o for o in before.outlines if before.lay_of[o.outline_id] == number]
            calibrations.append(of_lay(before.calibration, number))
        outlines += mine
        lay_of |= {o.outline_id: number for o in mine}
    return OutlinesFile(tuple(outlines), tuple(calibrations), tuple(checks), lay_of)


def lay_pictures(number: int, photos: Sequence[Photo], done: Trace) -> dict[str, bytes]:
    """Overlay picture of every photo of a lay."""
    return {
        f"pictures/lay{number}-photo{k}.jpg": overlay_bytes(
            photo,
            done.calibration.views[k - 1],
            done.segmentations[k - 1],
            done.outlines,
            done.calibration,
            done.checks,
        )
        for k, photo in enumerate(photos, start=1)
    }


def common_drawings(
    content: OutlinesFile, dxf: DxfOptions | None, *, like: OutlinesFile | None = None
) -> dict[str, bytes]:
    """The common drawing of all lays, side by side; none where there is nothing to draw.

    ``like`` is an earlier state whose frame is kept as long as everything fits into it, so that
    what did not change is drawn where it was.
    """
    if not content.outlines:
        return {}
    frame = _side_by_side(like) if like is not None else ()
    drawing = draw_outlines(_side_by_side(content), frame_of=frame)
    return {
        "outlines.dxf": verified_dxf(drawing, dxf),
        "outlines.svg": verified_svg(drawing),
    }


def _side_by_side(content: OutlinesFile) -> list[Outline]:
    """Outlines of all lays in one frame."""
    placed: list[Outline] = []
    offset = 0.0
    for number in sorted(set(content.lay_of.values())):
        mine = [o for o in content.outlines if content.lay_of[o.outline_id] == number]
        left = min(o.region.bounds[0] for o in mine)
        right = max(o.region.bounds[2] for o in mine)
        shift = 0.0 if not placed else offset - left
        placed += [replace(o, region=affinity.translate(o.region, shift)) for o in mine]
        offset = right + shift + LAY_GAP_MM
    return placed


def stale_files(
    folder: JobFolder, record: JobRecord, files: dict[str, bytes], *, replacing: bool
) -> list[str]:
    """Files of an earlier state that nothing refers to any more."""
    if not folder.exists():
        return []
    wanted = set(files) | {p.file for lay in record.lays for p in lay.photos}
    wanted |= {p.file for kept in record.kept.values() for p in kept.photos}
    present = [p for room in ("photos", "pictures") for p in (folder.path / room).glob("*")]
    stale = [
        name
        for path in present
        if (name := path.relative_to(folder.path).as_posix()) not in wanted
        and (replacing or name.startswith("photos/"))
    ]
    return stale + [n for n in ("outlines.dxf", "outlines.svg") if n not in files]
