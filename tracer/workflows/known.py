"""The things of known size of many jobs side by side: how well this phone and printer measure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tracer.atomic import is_folder, is_there
from tracer.errors import TracerError, UsageError
from tracer.photos import camera_of
from tracer.project.store import JobFolder
from tracer.workflows.arranging.panel_tools import rows_by_outline
from tracer.workflows.job.job_files import opened_job
from tracer.workflows.tracing.known_things import KnownThing, known_things

__all__ = ["KnownInJob", "KnownSummary", "known_of_jobs", "summaries"]

MOST_JOBS = 2000


@dataclass(frozen=True)
class KnownInJob:
    """A known thing, the job and lay that hold it, the number of photos, and which camera.

    ``camera`` is a letter given in order of appearance: the phone's own name is nobody's business.
    """

    job: str
    lay: int
    photos: int
    camera: str
    thing: KnownThing


@dataclass(frozen=True)
class KnownSummary:
    """What the known things of one camera say.

    Attributes
    ----------
    mean_mm, rms_mm
        Of the edges' displacement; the mean tells a card measured or printed too large.
    covered
        How many differences the stated deviations cover, of ``things``.
    ratio
        Root mean square of displacement over stated deviation: 1 is honest, more is boastful.
    """

    camera: str
    things: int
    mean_mm: float
    rms_mm: float
    covered: int
    ratio: float


def known_of_jobs(folder: Path) -> tuple[list[KnownInJob], list[str]]:
    """Known things of all jobs in a folder, and a sentence for each job that cannot be read.

    Raises
    ------
    UsageError
        ``known-none`` where there is no job, or none with a thing of known size.
    """
    if is_there(folder / "job.json"):
        paths = [folder]
    elif is_folder(folder):
        paths = sorted(p for p in folder.glob("*.job") if p.is_dir())[:MOST_JOBS]
    else:
        paths = []
    found: list[KnownInJob] = []
    unread: list[str] = []
    letters: dict[str, str] = {}
    for path in paths:
        try:
            found += _of_job(JobFolder(path), letters)
        except TracerError as error:
            unread.append(f"{path.name}: {error.sentence}")
    if not found and not unread:
        what = "no job" if not paths else "no job with a thing of known size"
        raise UsageError(
            "known-none",
            f"There is {what} in {folder}.",
            "Lay a coin or a gauge block among the tools and type its size into the column known_mm"
            " of the job's tools.csv: 23.25, or 60x20.",
        )
    return found, unread


def _of_job(folder: JobFolder, letters: dict[str, str]) -> list[KnownInJob]:
    record, content, tools = opened_job(folder)
    if record is None or tools is None or all(row.known_mm is None for row in tools.rows):
        return []
    rows = rows_by_outline(content, tools)
    things = known_things((o, rows.get(o.outline_id)) for o in content.outlines)
    found = []
    for thing in things:
        lay = content.lay_of.get(thing.outline_id, 1)
        photos = record.lays[lay - 1].photos if lay <= len(record.lays) else ()
        camera = _camera(folder, photos[0].file, photos[0].name) if photos else ""
        letter = letters.setdefault(camera, _letter(len(letters)))
        found.append(KnownInJob(folder.path.name, lay, len(photos), letter, thing))
    return found


def _camera(folder: JobFolder, file: str, name: str) -> str:
    """What tells one camera from another; empty where the photo cannot be read any more."""
    try:
        return camera_of(folder.read(file), name)
    except TracerError:
        return ""


def _letter(number: int) -> str:
    """A, B ... Z, AA, AB ...

    Examples
    --------
    >>> [_letter(n) for n in (0, 25, 26)]
    ['A', 'Z', 'AA']
    """
    text = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def summaries(found: Sequence[KnownInJob]) -> list[KnownSummary]:
    """One line per camera."""
    lines = []
    for camera in sorted({f.camera for f in found}):
        mine = [f.thing for f in found if f.camera == camera]
        edges = np.array([t.edge_mm for t in mine])
        sigmas = np.array([max(t.sigma_mm, 1e-6) for t in mine])
        lines.append(
            KnownSummary(
                camera,
                len(mine),
                float(edges.mean()),
                float(np.sqrt(np.mean(edges**2))),
                sum(t.covered for t in mine),
                float(np.sqrt(np.mean((edges / sigmas) ** 2))),
            )
        )
    return lines
