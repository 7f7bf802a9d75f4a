"""Photos to outlines: the main job, in memory.

`trace` composes the stages for one lay; `tracer.workflows.job.trace_job` keeps the result in a job
folder. Files are touched in neither stage nor here.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

from shapely.geometry import Polygon

from tracer.calibration import calibrate, calibrate_scan, check_outlines
from tracer.errors import TracerError, UsageError
from tracer.model.calibration import Calibration
from tracer.model.corrections import Corrections
from tracer.model.lay_settings import LaySettings
from tracer.model.outline import HeightSource, Outline
from tracer.model.photo import Photo
from tracer.model.reading import EdgeReading
from tracer.model.report import Check, Severity
from tracer.model.silhouette import Segmentation
from tracer.model.tool_list import ToolRow
from tracer.model.view import View
from tracer.panel.pocket.readings import shifted, with_readings
from tracer.parallax.shared.doubt import LOOK_FROM, doubt_check, together_check, unusable
from tracer.parallax.single_view.tall import tall_check
from tracer.progress import Progress, StepClock
from tracer.segmentation import Correction, Frame, Mark, segment
from tracer.segmentation.corrected import corrected
from tracer.workflows.tracing.cache import StageCache
from tracer.workflows.tracing.known_things import known_checks, known_things
from tracer.workflows.tracing.lay_tools import Defaults, LayTool, find_tools, outline_of
from tracer.workflows.tracing.naming import keep_numbers, unlikely_heights
from tracer.workflows.tracing.tool_findings import (
    about_tool,
    edges_moved,
    label,
    lay_findings,
    photo_findings,
    readings_ignored,
    refuse_above_camera,
    typed_height,
)
from tracer.workflows.tracing.witnesses import Witnesses

__all__ = ["Trace", "TraceOptions", "refuse_several", "trace"]


LOOK_FIRST = "something-left-out"  # a pocket that is missing stops a maker more than a poor one


@dataclass(frozen=True, kw_only=True)
class TraceOptions(LaySettings):
    """A lay's settings, and what a person or an earlier run said of its photos.

    Attributes
    ----------
    corrections
        Per photo id.
    added
        Per photo id how often photos had been added to the lay before it came; 0 where it is not
        named. No tool gets less sure by what came later.
    own_points
        Points of the list that a run wrote for tools it had found without them: they are no marks
        for the search.
    readings
        By outline id: where a tool's true edge was read on the paper template.
    height_source
        Where the default height comes from: typed, where it was typed for the very tool.
    """

    corrections: dict[str, Corrections] = field(default_factory=dict)
    added: dict[str, int] = field(default_factory=dict)
    own_points: frozenset[tuple[float, float]] = frozenset()
    readings: Mapping[str, tuple[EdgeReading, ...]] = field(default_factory=dict)
    height_source: HeightSource = HeightSource.DEFAULT


@dataclass(frozen=True, eq=False)
class Trace:
    """What was found in one lay.

    Attributes
    ----------
    outlines
        In reading order of the first photo.
    segmentations
        One per photo.
    rows
        The tool list brought up to date: one row per outline, then rows that met no tool.
    seconds
        Wall-clock seconds per step.
    """

    calibration: Calibration
    segmentations: tuple[Segmentation, ...]
    outlines: tuple[Outline, ...]
    rows: tuple[ToolRow, ...]
    checks: tuple[Check, ...]
    next_number: int
    seconds: dict[str, float]


def trace(
    photos: Sequence[Photo],
    rows: Sequence[ToolRow] = (),
    *,
    options: TraceOptions | None = None,
    list_name: str = "tools.csv",
    earlier: Sequence[Outline] = (),
    next_number: int = 1,
    progress: Progress | None = None,
    cache: StageCache | None = None,
) -> Trace:
    """Trace one lay.

    Parameters
    ----------
    photos
        One or several photos of the same lay.
    rows
        The tool list; points are pixels of the first photo.
    options
        Settings of the lay.
    list_name
        Name of the tool list, for messages.
    earlier
        Outlines of an earlier run over the same lay: tools keep their numbers.
    next_number
        First number that was never given in the job.
    progress
        Receiver of progress.
    cache
        Results of earlier runs: stages whose inputs are unchanged are not run again.

    Raises
    ------
    TracerError
        As the stages do: ``no-card``, ``photo-mirrored`` and others of calibration;
        ``photo-twice``.
    """
    options = options or TraceOptions()
    cache = cache or StageCache()
    _refuse_doubles(photos)
    if options.scan:
        refuse_several(len(photos))
    clock = StepClock(progress)
    clock.step("finding cards")
    lay_key = (
        *(photo.photo_id for photo in photos),
        repr((options.card_sizes, options.camera_height_mm, options.mat_mm, options.scan or None)),
    )
    calibration = cache.get(
        ("calibrate", lay_key),
        lambda: _calibrated(photos, options, clock.fraction),
    )
    clock.step("finding tools")
    segmentations, uncorrected = [], []
    witnesses = Witnesses(photos, calibration, options.separation, options.added, clock.fraction)
    for index, photo in enumerate(photos):
        corrections = options.corrections.get(photo.photo_id, Corrections())
        listed = _marks(rows, options.own_points) if index == 0 else ()
        known = (*corrections.keep, *listed)
        found_here = cache.get(
            ("segment", lay_key, photo.photo_id, witnesses.key(index), known),
            partial(_segment, photo, index, calibration, witnesses, known),
        )
        uncorrected.append(found_here)
        segmentations.append(
            cache.get(
                ("corrected", found_here, corrections),
                partial(corrected, found_here, corrections, calibration.views[index]),
            )
        )
    refuse_above_camera(rows, calibration.cameras, options.default_height_mm, list_name)
    clock.step("compensating height" if len(photos) == 1 else "solving heights and edges")
    defaults = Defaults(
        options.default_height_mm, options.edge, bool(options.keep_cables), options.height_source
    )
    found = find_tools(
        photos,
        segmentations,
        calibration,
        rows,
        list_name,
        defaults,
        clock.fraction,
        added=[options.added.get(photo.photo_id, 0) for photo in photos],
        cache=cache,
    )
    seen = [t.silhouette.region if t.solved is None else t.solved.region for t in found.tools]
    points = _points_now(earlier, calibration)
    ids, next_number = keep_numbers(seen, earlier, next_number, points)
    outlines: list[Outline] = []
    checks: list[Check] = []
    for tool, outline_id in zip(found.tools, ids, strict=True):
        outline, more = cache.get(
            ("outline", lay_key, _tool_key(tool, outline_id), defaults),
            partial(outline_of, tool, outline_id, calibration, defaults),
        )
        outline = replace(outline, in_doubt=_doubtful(_looks(tool, outline)))
        outline = shifted(outline, options.edge_shift_mm or 0.0)
        outline, unread = with_readings(outline, options.readings.get(outline_id, ()))
        checks += readings_ignored(unread, outline)
        outlines.append(_with_revision(outline, earlier))
        checks += typed_height(tool, outline, defaults)
        own = tool.silhouette.silhouette_id
        checks += [about_tool(replace(c, subject_id=own), outline_id, outline.name) for c in more]
        checks += _looks(tool, outline)
    checks = [*lay_findings(found, outlines), *checks]
    clock.stop()
    checks = [
        # of a scan, what its file lacks of a lens is no loss
        *(c for photo in photos for c in photo.checks if not options.scan),
        *calibration.checks,
        *photo_findings(uncorrected, segmentations, found.tools, outlines),
        *check_outlines(calibration, [(o.outline_id, o.region) for o in outlines]),
        *checks,
        *unlikely_heights(rows, list_name),
        *edges_moved(options.edge_shift_mm),
        *known_checks(known_things(zip(outlines, (t.row for t in found.tools), strict=True))),
        *_nothing_found(outlines, photos),
    ]
    checks.sort(key=_rank)
    return Trace(
        calibration=calibration,
        segmentations=tuple(segmentations),
        outlines=tuple(outlines),
        rows=_updated_rows(rows, outlines, [t.row for t in found.tools]),
        checks=tuple(checks),
        next_number=next_number,
        seconds=clock.seconds,
    )


def refuse_several(pictures: int) -> None:
    """Stop where a scan comes with other pictures of the lay.

    Raises
    ------
    UsageError
        ``scan-alone``.
    """
    if pictures > 1:
        raise UsageError(
            "scan-alone",
            f"A scan is traced alone; {pictures} pictures were given.",
            "Give each scan as a lay of its own.",
        )


def _calibrated(
    photos: Sequence[Photo], options: TraceOptions, progress: Callable[[float], None]
) -> Calibration:
    if options.scan:
        return calibrate_scan(photos[0], card_sizes=options.card_sizes)
    return calibrate(
        photos,
        card_sizes=options.card_sizes,
        camera_height_mm=options.camera_height_mm,
        mat_mm=options.mat_mm,
        progress=progress,
    )


def _tool_key(tool: LayTool, outline_id: str) -> Hashable:
    """What an outline is made from. The silhouette itself counts: a correction makes another."""
    row = tool.row
    typed = (row.name, row.height_mm, row.edge, row.edge_fraction) if row is not None else None
    return (tool.silhouette, tool.solved, tool.alone, outline_id, typed)


def _marks(
    rows: Sequence[ToolRow], own: frozenset[tuple[float, float]]
) -> tuple[tuple[float, float], ...]:
    """Places at which a person says that there is a tool."""
    points = ((r.x_px, r.y_px) for r in rows if not r.blank)
    return tuple((x, y) for x, y in points if (round(x, 1), round(y, 1)) not in own)


def _refuse_doubles(photos: Sequence[Photo]) -> None:
    seen: dict[str, str] = {}
    for photo in photos:
        if photo.photo_id in seen:
            raise TracerError(
                "photo-twice",
                f"{seen[photo.photo_id]} and {photo.name} are the same photo.",
                "Leave one of them out.",
            )
        seen[photo.photo_id] = photo.name


def _segment(
    photo: Photo,
    index: int,
    calibration: Calibration,
    witnesses: Witnesses,
    known: Sequence[tuple[float, float]],
) -> Segmentation:
    """What is found in one photo, before any correction but the points of ``known`` tools.

    Those are kept however small, and parted from each other where they touch.
    """
    return segment(
        photo,
        calibration.views[index],
        cards=[card.paper_mm for card in calibration.cards],
        hull=calibration.hull_mm,
        options=witnesses.settings,
        corrections=[Correction(Mark.KEEP, (p,), Frame.PHOTO, photo.photo_id) for p in known],
        company=witnesses.company(index),
        progress=witnesses.part(index),
    )


def _rank(check: Check) -> tuple[int, float]:
    """What is missing first, then outlines in doubt, those most likely wrong before the others."""
    if check.slug == LOOK_FIRST:
        return 0, 0.0
    return (1, -(check.value or 0.0)) if check.slug == "outline-doubtful" else (2, 0.0)


def _doubtful(checks: Sequence[Check]) -> bool:
    return any(check.slug == "outline-doubtful" for check in checks)


def _looks(tool: LayTool, outline: Outline) -> list[Check]:
    """Whether the outline wants a look before it is cut, and what would mend it."""
    called = label(outline.outline_id, outline.name)
    if tool.solved is not None:
        found = together_check(outline, called)
        return [] if found is None else [found]
    probability = unusable(outline, tool.silhouette)
    tall = tall_check(outline, tool.view, called) if isinstance(tool.view, View) else None
    if probability is None:
        return [] if tall is None else [tall]
    if probability < LOOK_FROM:
        return []
    both = (tall, doubt_check(outline, tool.silhouette, probability, called))
    return [check for check in both if check is not None]


def _points_now(
    earlier: Sequence[Outline], calibration: Calibration
) -> dict[str, tuple[float, float]]:
    """Where the points of earlier outlines, seen in the same photos, lie on the sheet now."""
    view_of = {view.photo_id: view for view in calibration.views}
    points = {}
    for outline in earlier:
        view = view_of.get(outline.photo_ids[0]) if outline.photo_ids else None
        if view is not None:
            x, y = view.to_sheet([outline.point_px])[0]
            points[outline.outline_id] = (float(x), float(y))
    return points


def _with_revision(outline: Outline, earlier: Sequence[Outline]) -> Outline:
    """Count up where the geometry differs from the earlier run's."""
    for before in earlier:
        if before.outline_id == outline.outline_id:
            same = _rounded(before.region) == _rounded(outline.region)
            return replace(outline, revision=before.revision + (0 if same else 1))
    return outline


def _rounded(region: Polygon) -> list[list[tuple[float, float]]]:
    """Corners of all rings, holes too, as they are written."""
    rings = (region.exterior, *region.interiors)
    return [[(round(x, 3), round(y, 3)) for x, y, *_ in ring.coords] for ring in rings]


def _nothing_found(outlines: Sequence[Outline], photos: Sequence[Photo]) -> tuple[Check, ...]:
    if outlines:
        return ()
    return (
        Check(
            "no-tools",
            Severity.WARN,
            f"No tool was found on the sheet in {photos[0].name}.",
            "Lay tools between the cards; if there are some, mark them to be kept.",
        ),
    )


def _updated_rows(
    rows: Sequence[ToolRow], outlines: Sequence[Outline], row_of: Sequence[ToolRow | None]
) -> tuple[ToolRow, ...]:
    """One row per outline with what was typed, then typed rows that met no tool."""
    listed = []
    for outline, row in zip(outlines, row_of, strict=True):
        if row is None:
            x, y = outline.point_px
            row = ToolRow(name=outline.outline_id, x_px=round(x, 1), y_px=round(y, 1))
        listed.append(row)
    used = {id(row) for row in row_of if row is not None}
    return (*listed, *(row for row in rows if id(row) not in used and not row.blank))
