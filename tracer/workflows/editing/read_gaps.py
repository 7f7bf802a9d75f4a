"""Gaps read between a real tool and its wall on the paper template, kept in the job and applied."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from shapely.geometry import Polygon

from tracer.errors import TracerError, UsageError
from tracer.model.outline import Outline
from tracer.model.reading import EdgeMark, EdgeReading
from tracer.panel.pocket.readings import FAR_MM, edge_marks, gap_at
from tracer.progress import Progress
from tracer.project.cut_record import cut_records
from tracer.project.outlines_file import OutlinesFile
from tracer.project.panel_file import load_panel
from tracer.project.schema import JobRecord, dump_job
from tracer.project.store import JobFolder
from tracer.workflows.job.job_files import opened_job
from tracer.workflows.job.retrace import retrace

__all__ = ["GapsRead", "forget_gaps", "read_gaps"]


@dataclass(frozen=True)
class GapsRead:
    """What was read at a tool, and by how much each reading moves its edge (outward positive)."""

    outline_id: str
    name: str
    readings: tuple[EdgeReading, ...]
    moves_mm: dict[str, float]


def read_gaps(
    folder: JobFolder,
    tool: str,
    gaps_mm: Mapping[str, float],
    everywhere_mm: float | None = None,
    *,
    progress: Progress | None = None,
) -> GapsRead:
    """Keep gaps read at the marks of a tool, and bring the job's outlines up to date.

    Parameters
    ----------
    tool
        Id or name.
    gaps_mm
        By letter: from the tool to the printed wall, negative where the tool covers the line.
    everywhere_mm
        The gap at all marks that have no other.

    Raises
    ------
    UsageError
        ``job-missing``; ``gaps-unknown-tool``, ``gaps-unknown-mark``, ``gaps-too-far``.
    TracerError
        ``gaps-no-template`` where the tool has no wall on paper yet, or its outline was made anew
        since; ``gaps-not-traced`` where it does not come from its lay's photos.
    """
    with folder.locked():
        record, content = _job(folder)
        outline, lay = _tool(folder, record, content, tool)
        drawn, wall = _template_wall(folder, outline)
        here, there = edge_marks(outline.region), edge_marks(drawn)
        letters = [mark.letter for mark in here]
        for letter in gaps_mm:
            if letter not in letters:
                raise UsageError(
                    "gaps-unknown-mark",
                    f"{outline.outline_id} has no mark {letter} on the template.",
                    f"Its marks are {letters[0]} to {letters[-1]}, without I and O.",
                )
        typed = {k: everywhere_mm for k in letters if everywhere_mm is not None} | dict(gaps_mm)
        stands = {m.letter: gap_at(m, wall) for m in there}
        moves = {k: round(stands[k] - gap, 3) for k, gap in typed.items()}
        _refuse_far(outline, moves)
        found = [_moved(m, moves[m.letter], typed[m.letter]) for m in here if m.letter in typed]
        kept = [
            r for r in record.lays[lay - 1].readings.get(outline.outline_id, ())
            if r.mark not in typed
        ]  # fmt: skip
        now = tuple(sorted((*kept, *found), key=lambda r: r.mark))
        _keep(folder, record, lay, outline.outline_id, now)
    _up_to_date(folder, progress)
    return GapsRead(outline.outline_id, outline.name, now, moves)


def forget_gaps(folder: JobFolder, tool: str, *, progress: Progress | None = None) -> GapsRead:
    """Leave out all that was read at a tool.

    Raises
    ------
    UsageError, TracerError
        As `read_gaps`.
    """
    with folder.locked():
        record, content = _job(folder)
        outline, lay = _tool(folder, record, content, tool)
        _keep(folder, record, lay, outline.outline_id, ())
    _up_to_date(folder, progress)
    return GapsRead(outline.outline_id, outline.name, (), {})


def _job(folder: JobFolder) -> tuple[JobRecord, OutlinesFile]:
    record, content, _ = opened_job(folder)
    if record is None:
        raise UsageError("job-missing", f"There is no job {folder.name} here.", "Trace first.")
    return record, content


def _tool(
    folder: JobFolder, record: JobRecord, content: OutlinesFile, tool: str
) -> tuple[Outline, int]:
    """The tool of an id or a name, and the number of its lay."""
    named = [o for o in content.outlines if tool in (o.outline_id, o.name)]
    if len(named) != 1:
        few = "has no tool" if not named else f"has {len(named)} tools called"
        raise UsageError(
            "gaps-unknown-tool",
            f"The job {folder.name} {few} {tool}.",
            "Its ids stand in the overlay picture and on the template.",
        )
    outline, lay = named[0], content.lay_of.get(named[0].outline_id, 1)
    if outline.outline_id in record.kept or lay > len(record.lays):
        raise TracerError(
            "gaps-not-traced",
            f"{outline.outline_id} was swapped in or drawn: gaps are kept for tools that a run "
            "over the lay's photos finds.",
            "Trace it in a job of its own, or type another fit for it in panel.toml.",
        )
    return outline, lay


def _template_wall(folder: JobFolder, outline: Outline) -> tuple[Polygon, Polygon]:
    """Outline and wall as they were printed, in one frame: of the panel, else of the last cut."""
    if folder.has("panel.json"):
        panel = load_panel(folder.read("panel.json"), "panel.json").panel
        for pocket in panel.pockets:
            if pocket.pocket_id == outline.outline_id:
                if pocket.outline_revision != outline.revision:
                    raise _stale(outline)
                return pocket.outline, pocket.wall
    for cut in reversed(cut_records(folder)):
        for one in cut.pockets if cut.panel_revision is None else ():
            if one.id == outline.outline_id and one.wall is not None:
                if one.outline_revision != outline.revision:
                    raise _stale(outline)
                return outline.region, Polygon(one.wall)  # kept as the lay lies, not as it was cut
    raise TracerError(
        "gaps-no-template",
        f"There is no printed wall of {outline.outline_id} yet to read gaps at.",
        "Arrange or cut the job first, and print the paper template at 100 %.",
    )


def _stale(outline: Outline) -> TracerError:
    return TracerError(
        "gaps-no-template",
        f"The outline of {outline.outline_id} was made anew after its template was.",
        "Arrange or cut the job again, print the template, and read the gaps there.",
    )


def _refuse_far(outline: Outline, moves_mm: Mapping[str, float]) -> None:
    far = {k: move for k, move in moves_mm.items() if abs(move) > FAR_MM}
    if far:
        letter, move = max(far.items(), key=lambda item: abs(item[1]))
        side = "outside" if move > 0 else "inside"
        raise UsageError(
            "gaps-too-far",
            f"The gap at {letter} would put the edge of {outline.outline_id} {abs(move):.0f} mm "
            f"{side} of where it was traced.",
            f"Up to {FAR_MM:g} mm can be a reading; beyond that part of the tool is missing or "
            "too much: correct the outline, or lay the tool on its own wall.",
        )


def _moved(mark: EdgeMark, outward_mm: float, gap_mm: float) -> EdgeReading:
    return EdgeReading(
        mark.letter,
        round(mark.x_mm + outward_mm * mark.out_x, 3),
        round(mark.y_mm + outward_mm * mark.out_y, 3),
        gap_mm,
    )


def _keep(
    folder: JobFolder, record: JobRecord, lay: int, outline_id: str, now: tuple[EdgeReading, ...]
) -> None:
    lays = list(record.lays)
    readings = {k: v for k, v in lays[lay - 1].readings.items() if k != outline_id}
    if now:
        readings[outline_id] = now
    lays[lay - 1] = replace(lays[lay - 1], readings=dict(sorted(readings.items())))
    folder.commit({"job.json": dump_job(replace(record, lays=tuple(lays)))})


def _up_to_date(folder: JobFolder, progress: Progress | None) -> None:
    while not retrace(folder, progress=progress):
        pass  # somebody edited the job meanwhile: what is there now is traced
