"""What is missing from a job's panel, asked on the page: a draft's photos in, states out.

The draft stays, and with it the phone's link: photos that were looked at go out of it, so that the
next one counts by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tracer.desk.checks import check_record
from tracer.desk.runs import RunState
from tracer.errors import TracerError
from tracer.model.inspection import InspectedPanel
from tracer.photos import decode_photo
from tracer.project.inspections_file import last_lines
from tracer.workflows.editing.input_values import optional, text
from tracer.workflows.inspecting.inspect_job import (
    HISTORY,
    MOST_PICTURES,
    PICTURE,
    inspect_jobs,
    now,
    panel_of_job,
)

if TYPE_CHECKING:
    from tracer.desk.jobs import Desk, DeskJob

__all__ = ["Inspected", "inspect_on_page", "inspection_picture", "inspection_record"]

#: lines of the history that a page shows, the last ones
MOST_LINES = 60


@dataclass(frozen=True, eq=False)
class Inspected:
    """What the latest photos showed, and findings about the photos themselves."""

    found: InspectedPanel
    checks: list[dict[str, Any]]


def inspect_on_page(job: DeskJob, desk: Desk, body: dict[str, Any]) -> None:
    """Look at a draft's photos in the thread for runs; pictures and a line are kept in the job.

    Raises
    ------
    ValueError
        For a request that makes no sense.
    KeyError
        Where the draft with the photos is not there.
    TracerError
        ``panel-missing``, ``photo-missing`` where the draft holds none.
    """
    by = optional(text(80))(body.get("by")) or ""
    draft = desk.drafts[str(body.get("draft", ""))]
    numbers = sorted(draft.photos)
    if not numbers:
        raise TracerError(
            "photo-missing", "There is no photo to look at.", "Take or choose one of the panel."
        )
    panel_of_job(job.folder)  # before anything is waited for
    draft.traced_now = lambda: job.state.phase in {"waiting", "running"}

    def task(state: RunState) -> None:
        state.step("reading photos")
        named = [(draft.photos[n].name, draft.file(n)) for n in numbers]
        photos = [decode_photo(file.read_bytes(), name) for name, file in named]
        with job.lock:
            done = inspect_jobs([job.folder], photos, when=now(), by=by, progress=state)
        found = done.found[job.folder.name]
        job.inspected = Inspected(found, [check_record(c) for c in done.checks])
        for n in numbers:
            draft.remove(n)
        desk.hub.publish("draft", draft=draft.draft_id, photos=draft.records())
        job.tell("inspected")

    job.compute(task)


def inspection_record(job: DeskJob) -> dict[str, Any]:
    """What the latest photo showed, and the lines before it, the newest first."""
    lines = last_lines(job.folder.read(HISTORY), MOST_LINES) if job.folder.has(HISTORY) else []
    pictures = [n for n in range(1, MOST_PICTURES + 1) if job.folder.has(PICTURE.format(n))]
    return {
        "pockets": [] if job.inspected is None else _pockets(job.inspected.found),
        "checks": [] if job.inspected is None else job.inspected.checks,
        "pictures": pictures,
        "lines": lines[::-1],
    }


def _pockets(found: InspectedPanel) -> list[dict[str, Any]]:
    return [
        {
            "id": f.pocket_id,
            "number": f.number,
            "name": f.name,
            "state": f.state.value,
            "probability": round(f.probability, 3),
            "why": f.why,
        }
        for f in found.findings
    ]


def inspection_picture(job: DeskJob, number: int) -> bytes:
    """A photo of the last inspection, with marks at its pockets.

    Raises
    ------
    KeyError
        Where there is none of this number.
    """
    name = PICTURE.format(number)
    if number > MOST_PICTURES or not job.folder.has(name):
        raise KeyError(number)
    return job.folder.read(name)
