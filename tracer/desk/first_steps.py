"""For who comes for the first time: cards to print, a job to play with, jobs to go on with."""

from __future__ import annotations

import hashlib
from importlib import resources
from io import BytesIO
from typing import Any

from PIL import Image, ImageOps

from tracer.desk.drafts import DraftPhoto
from tracer.desk.jobs import Desk, DeskJob
from tracer.export.paper.cards import cards_pdf
from tracer.model.card import BOARD_MM, CardSizes
from tracer.model.lay_settings import LaySettings
from tracer.workflows.job.trace_job import Mode

__all__ = ["cards_to_print", "demo_job", "job_list", "thumbnail"]

DEMO = "demo drawer"
THUMB_PX = 320
FACES = ("pictures/panel.png", "pictures/lay1-photo1.jpg")


def cards_to_print(paper: str) -> bytes:
    """The usual set of scale cards as a PDF."""
    return cards_pdf(numbers=range(6), paper=paper)


def demo_job(desk: Desk) -> DeskJob:
    """The job to play with: a bench drawer of a bicycle workshop, traced when it is first asked."""
    job = desk.named(DEMO)
    if job.folder.exists() or job.state.phase in {"waiting", "running"}:
        return job
    home = resources.files("tracer") / "assets" / "demo"
    data = (home / "lay.jpg").read_bytes()
    draft = desk.new_draft()
    part = draft.part_file()
    part.write_bytes(data)
    draft.keep(0, DraftPhoto("lay.jpg", len(data), hashlib.sha256(data).hexdigest()), part)
    job.trace_new(
        draft,
        LaySettings(card_sizes=CardSizes(BOARD_MM)),
        Mode(),
        lambda: desk.forget(draft),
        {"name": DEMO, "card_size_mm": list(BOARD_MM)},
        (home / "tools.csv").read_bytes(),
    )
    return job


def job_list(desk: Desk) -> list[dict[str, Any]]:
    """Jobs of the desk, the one changed last first."""
    jobs = []
    for job in desk.jobs():
        try:
            changed = (job.folder.path / "job.json").stat().st_mtime
        except OSError:  # taken away this very moment, or in the midst of a change
            changed = 0.0
        face = next((name for name in FACES if job.folder.has(name)), None)
        jobs.append(
            {
                "job": job.job_id,
                "name": job.folder.name,
                "changed": round(changed),
                "picture": face is not None,
            }
        )
    return sorted(jobs, key=lambda j: (-j["changed"], j["name"].lower()))


def thumbnail(job: DeskJob) -> bytes:
    """A small picture of the job: its panel, else its first photo with what was found.

    Raises
    ------
    KeyError
        Where there is none yet, or it is no picture any more.
    """
    face = next((name for name in FACES if job.folder.has(name)), None)
    if face is None:
        raise KeyError(job.job_id)
    data = job.folder.read(face)
    try:
        with Image.open(BytesIO(data), formats=["JPEG", "PNG"]) as picture:
            picture.draft("RGB", (THUMB_PX, THUMB_PX))
            small = ImageOps.contain(picture.convert("RGB"), (THUMB_PX, THUMB_PX))
    except (OSError, ValueError, Image.DecompressionBombError) as error:
        raise KeyError(job.job_id) from error
    out = BytesIO()
    small.save(out, "JPEG", quality=80)
    return out.getvalue()
