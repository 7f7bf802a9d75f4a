"""``tracer desk``: the local page to look, correct, arrange and export."""

from __future__ import annotations

import webbrowser
from pathlib import Path
from typing import Annotated, Any

import typer

from tracer.cli.console import Console
from tracer.cli.options import Quiet, whole, with_range
from tracer.errors import UsageError
from tracer.interruption import ending

__all__ = ["desk"]


def desk(
    job: Annotated[
        str | None, typer.Argument(metavar="[JOB]", help="Job to open; none: all of this folder.")
    ] = None,
    port: Annotated[
        Any,
        typer.Option(
            parser=whole("--port"),
            metavar="PORT",
            help=with_range("Port; 0 for any free one.", "--port"),
        ),
    ] = "0",
    lan: Annotated[
        bool,
        typer.Option(
            "--lan",
            help="Let a phone on the same network in by a one-time code, to take the photos."
            " Plain http: use it only on a network you trust.",
        ),
    ] = False,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open the page in the browser.")
    ] = True,
    quiet: Quiet = False,
) -> None:
    """Open the desk: a page on this computer to look, correct, arrange and export."""
    from tracer.desk.jobs import job_id
    from tracer.desk.server import DeskServer
    from tracer.desk.standing import address_of_running, read_standing, standing_file
    from tracer.project.store import JobFolder, job_path

    console = Console(quiet=quiet)
    folder = None
    root = Path.cwd()
    if job is not None:
        folder = JobFolder(job_path(job))
        if not folder.exists():
            raise UsageError(
                "job-missing",
                f"There is no job {folder.name} here.",
                "Name another, or start tracer desk without a job and drop photos on the page.",
            )
        root = folder.path.resolve().parent
    ending.sentence = "the desk is closed; what its page showed as Kept is in the job folder."
    note = standing_file(root)
    running = read_standing(note)
    address = address_of_running(running) if running is not None and not (port or lan) else None
    if address is not None:
        if folder is not None:
            address += f"#{job_id(folder.path)}"
        console.say(f"The desk over this folder is open already; it is reached at {address}")
        if browser:
            webbrowser.open(address)
        return
    server = DeskServer(root, folder, port, lan, note)
    address = server.open()
    console.say(f"The desk is open at {address}")
    if lan:
        console.say("A phone gets a link for photos under 'Phone' on the page.")
    console.say("Stop it with Ctrl-C.")
    server.run(lambda: webbrowser.open(address) if browser else None)
