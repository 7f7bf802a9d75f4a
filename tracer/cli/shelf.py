"""``tracer shelf``: outlines used again across jobs, or drawn instead of photographed."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from tracer.cli.console import Console
from tracer.cli.options import Json, Quiet, length, text, with_range
from tracer.errors import UsageError

__all__ = ["shelf"]


class Action(StrEnum):
    """What is done with the shelf."""

    LIST = "list"
    PUT = "put"
    TAKE = "take"
    DRAW = "draw"


def shelf(
    action: Annotated[
        Action,
        typer.Argument(
            help="list; put JOB ID...; take JOB NAME...; draw JOB FILE (a DXF or SVG outline)."
        ),
    ],
    what: Annotated[
        list[str] | None, typer.Argument(metavar="[JOB [ID|NAME|FILE]...]", help="See above.")
    ] = None,
    folder: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="The shelf (default: yours, beside your settings)."),
    ] = None,
    height: Annotated[
        Any,
        typer.Option(
            parser=length("--height"),
            metavar="LENGTH",
            help=with_range("Height of a drawn tool.", "--height"),
        ),
    ] = None,
    name: Annotated[
        str | None,
        typer.Option(parser=text("--name"), metavar="TEXT", help="Name of a drawn tool."),
    ] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Outlines on a shelf across jobs; outlines from drawings into a job."""
    console = Console(as_json=as_json, quiet=quiet)
    words = what or []

    from tracer.project.printer import settings_folder
    from tracer.project.store import JobFolder, job_path
    from tracer.workflows.arranging.shelf import (
        draw_into_job,
        put_on_shelf,
        shelf_names,
        take_from_shelf,
    )

    place = folder or settings_folder() / "shelf"
    try:
        place.exists()
    except OSError as error:
        raise UsageError(
            "usage", f"The shelf cannot be there: {error.strerror}.", "Name another --folder."
        ) from None
    if action is Action.LIST:
        names = shelf_names(place)
        console.result(
            {"shelf": str(place), "outlines": names}, "\n".join(names) or "The shelf is empty."
        )
        return
    if len(words) < 2:
        raise UsageError("usage", f"tracer shelf {action} needs a job and what to {action}.")
    job, rest = JobFolder(job_path(words[0])), words[1:]
    if action is Action.PUT:
        files = put_on_shelf(job, rest, place)
        record: dict[str, Any] = {"shelf": str(place), "files": [str(f) for f in files]}
        told = "\n".join(str(f) for f in files)
    else:
        if action is Action.TAKE:
            ids = take_from_shelf(job, rest, place)
        else:
            if height is None:
                raise UsageError(
                    "usage", "A drawn tool needs its height.", "Add --height, for example 20mm."
                )
            ids = [
                i for f in rest for i in draw_into_job(job, Path(f), height_mm=height, name=name)
            ]
        record = {"job": str(job.path), "guests": ids}
        told = f"{', '.join(ids)} added to {job.name}; run tracer arrange {job.name}"
    console.result(record, told)
