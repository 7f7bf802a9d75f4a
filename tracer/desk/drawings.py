"""Drawings that come in for emblems: looked at before they count, each kept under its own name."""

from __future__ import annotations

import re
from pathlib import PurePosixPath
from typing import Any

from starlette.requests import Request

from tracer.desk.jobs import DeskJob
from tracer.export.reading.limits import too_large
from tracer.project.store import JobFolder
from tracer.ranges import MOST_BYTES
from tracer.workflows.arranging.drawn_shapes import DRAWINGS, emblem_of_drawing

__all__ = ["drawing_body", "keep_drawing"]

_UNUSABLE = re.compile(r"[^\w. -]+")
LONGEST_NAME = 80


async def drawing_body(request: Request) -> bytes:
    """The bytes of a drawing.

    Raises
    ------
    TracerError
        ``drawing-too-large`` as soon as there are more than are read.
    """
    most = MOST_BYTES["drawing"]
    data = b""
    async for chunk in request.stream():
        data += chunk
        if len(data) > most:
            raise too_large(f"The drawing holds more than {most / 1e6:.0f} MB")
    return data


def keep_drawing(job: DeskJob, given: str, data: bytes) -> dict[str, Any]:
    """Keep a drawing in the job, once an emblem can be made of it; its name there and its size.

    Raises
    ------
    TracerError
        As `emblem_of_drawing`; ``job-locked``, ``job-gone``.
    """
    name = _plain(given)
    x0, y0, x1, y1 = emblem_of_drawing(name, data).bounds

    def keep() -> str:
        with job.folder.locked():
            kept = _free_name(job.folder, name, data)
            if not job.folder.has(f"{DRAWINGS}/{kept}"):
                job.folder.commit({f"{DRAWINGS}/{kept}": data})
        return kept

    with job.lock:
        job.refuse_gone()
        kept = job.unhindered(keep)
    return {"name": kept, "size_mm": [round(x1 - x0, 2), round(y1 - y0, 2)]}


def _plain(given: str) -> str:
    """A name for a file of any system, with the letters of the one that was given."""
    name = _UNUSABLE.sub("-", PurePosixPath(given.replace("\\", "/")).name).strip(" .-")
    stem, dot, ending = name.rpartition(".")
    stem, ending = (stem, f".{ending[:8]}") if dot else (name, "")
    return (stem[:LONGEST_NAME] or "drawing") + ending


def _free_name(folder: JobFolder, name: str, data: bytes) -> str:
    """The name, or the next one with a number: a drawing that a plan names is never overwritten."""
    stem, dot, ending = name.rpartition(".")
    if not dot:
        stem, ending = name, ""
    number, found = 1, name
    while folder.has(f"{DRAWINGS}/{found}") and folder.read(f"{DRAWINGS}/{found}") != data:
        number += 1
        found = f"{stem}-{number}{dot}{ending}"
    return found
