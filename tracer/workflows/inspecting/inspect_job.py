"""Photos of a job's panel: findings, pictures, and a line in the job's history."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from tracer.atomic import is_folder
from tracer.errors import TracerError, UsageError
from tracer.export.paper.corner_marks import corner_marks_pdf
from tracer.inspection.learned import Learned
from tracer.inspection.marks import MARK_MM, mark_places
from tracer.model.inspection import InspectedPanel, PocketState
from tracer.model.panel import Panel
from tracer.model.photo import Photo
from tracer.model.report import Check, Severity
from tracer.pictures.inspection import inspection_jpeg
from tracer.progress import Progress
from tracer.project.inspections_file import Record, any_missing, with_record
from tracer.project.learned_file import load_learned
from tracer.project.panel_file import load_panel
from tracer.project.store import JobFolder
from tracer.workflows.inspecting.inspect_photos import Inspected, PanelAt, inspect_photos

__all__ = [
    "HISTORY",
    "InspectedJobs",
    "inspect_jobs",
    "jobs_in",
    "now",
    "panel_of_job",
    "write_marks",
]

PANEL_JSON, HISTORY = "panel.json", "inspections.csv"
PICTURE, MARKS = "inspection/photo-{}.jpg", "inspection/corner-marks.pdf"
LEARNED = "inspection/learned.json"
#: pictures kept of the last inspection
MOST_PICTURES = 20


@dataclass(frozen=True, eq=False)
class InspectedJobs:
    """What an inspection found and wrote: by job's name its panel's findings and its files."""

    found: Mapping[str, InspectedPanel]
    files: Mapping[str, tuple[str, ...]]
    checks: tuple[Check, ...]
    seconds: Mapping[str, float]

    @property
    def missing(self) -> bool:
        """Whether anything is missing or wrong."""
        return any(
            f.of_state(s)
            for f in self.found.values()
            for s in (PocketState.MISSING, PocketState.WRONG)
        )


def now() -> str:
    """Local time to the second, ISO 8601 with its offset."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


def panel_of_job(folder: JobFolder) -> Panel:
    """The panel of a job.

    Raises
    ------
    TracerError
        ``job-missing``, ``panel-missing``, ``job-damaged``.
    """
    if not folder.exists():
        raise UsageError(
            "job-missing",
            f"There is no job {folder.name} here.",
            "Check the name, or give the folder that holds it.",
        )
    if not folder.has(PANEL_JSON):
        raise TracerError(
            "panel-missing",
            f"The job {folder.name} was never arranged, so there is no panel to compare with.",
            "Arrange it first.",
        )
    return load_panel(folder.read(PANEL_JSON), PANEL_JSON).panel


def jobs_in(folder: Path) -> list[JobFolder]:
    """Arranged jobs of a folder, by name.

    Raises
    ------
    TracerError
        ``panel-missing`` where there is none.
    """
    jobs = [JobFolder(path) for path in sorted(folder.glob("*.job"))] if is_folder(folder) else []
    arranged = [job for job in jobs if job.exists() and job.has(PANEL_JSON)]
    if not arranged:
        raise TracerError(
            "panel-missing",
            f"The folder {folder} holds no job with a panel.",
            "Name the folder that holds the shop's jobs, and arrange them first.",
        )
    return arranged


def write_marks(folder: JobFolder, paper: str) -> str:
    """Put the page of corner marks into the job; its name there.

    Raises
    ------
    TracerError
        ``marks-no-room`` where fewer than two marks find bare face.
    """
    panel = panel_of_job(folder)
    places = mark_places(panel)
    if len(places) < 2:
        raise TracerError(
            "marks-no-room",
            f"The panel of {folder.name} has no bare face for marks near its corners.",
            "Leave more margin when arranging; the panel is found by its drawing meanwhile.",
        )
    rows = [(p.marker_id, p.corner, p.x_mm, p.y_mm) for p in places]
    data = corner_marks_pdf(panel.title, rows, side_mm=MARK_MM, paper=paper)
    with folder.locked():
        folder.commit({MARKS: data})
    return MARKS


def inspect_jobs(
    jobs: Sequence[JobFolder],
    photos: Sequence[Photo],
    *,
    when: str,
    by: str = "",
    record: bool = True,
    marks: bool = True,
    progress: Progress | None = None,
) -> InspectedJobs:
    """Inspect photos against the panels of jobs.

    Parameters
    ----------
    when, by
        For the history: ISO 8601 local time, and a person where one was typed.
    record
        Whether pictures and a line in the history are kept in the jobs.

    Raises
    ------
    TracerError
        As `panel_of_job` and `inspect_photos`.
    """
    panels = {job.name: panel_of_job(job) for job in jobs}
    done = inspect_photos(
        [PanelAt(job.name, panels[job.name], _learned(job), _confirmed(job)) for job in jobs],
        photos,
        marks=marks,
        progress=progress,
    )
    files: dict[str, tuple[str, ...]] = {}
    for job in jobs:
        if record and job.name in done.panels:
            files[job.name] = _kept(job, panels, done, photos, when, by)
    return InspectedJobs(done.panels, files, _checks(done), done.seconds)


def _confirmed(job: JobFolder) -> bool:
    """Whether a floor was seen as drawn in an earlier inspection: something was missing."""
    return job.has(HISTORY) and any_missing(job.read(HISTORY))


def _learned(job: JobFolder) -> Learned | None:
    """What a photo of the empty panel taught, where there was one."""
    if not job.has(LEARNED):
        return None
    return Learned(load_learned(job.read(LEARNED), LEARNED))


def _kept(
    job: JobFolder,
    panels: Mapping[str, Panel],
    done: Inspected,
    photos: Sequence[Photo],
    when: str,
    by: str,
) -> tuple[str, ...]:
    found = done.panels[job.name]
    ids = {s.view.photo_id for s in found.sightings.values()}
    pictures: dict[str, bytes] = {}
    for photo in [p for p in photos if p.photo_id in ids][:MOST_PICTURES]:
        name = PICTURE.format(len(pictures) + 1)
        pictures[name] = inspection_jpeg(photo, [(panels[job.name], found)])
    with job.locked():
        before = job.read(HISTORY) if job.has(HISTORY) else None
        line = with_record(before, Record(when, by, found))
        numbers = range(len(pictures) + 1, MOST_PICTURES + 1)
        stale = [n for n in map(PICTURE.format, numbers) if job.has(n)]
        job.commit({**pictures, HISTORY: line}, remove=stale)
    return (*pictures, HISTORY)


def _checks(done: Inspected) -> tuple[Check, ...]:
    """Findings about the photos; what stands in the pockets is the result itself."""
    checks = [
        Check(
            "photo-of-no-panel",
            Severity.WARN,
            f"Photo {name} shows none of the panels, or too little of one to be sure; it did not "
            "count.",
            "Take the whole panel, rim included, from the front.",
            subject_id=name,
        )
        for name in done.strangers
    ]
    return tuple(checks)
