"""``tracer restore``: bring back a file of the job as it was before a run wrote it anew."""

from __future__ import annotations

from typing import Annotated

import typer

from tracer.cli.console import Console, quoted
from tracer.cli.options import Json, Quiet

__all__ = ["restore"]


def restore(
    job: Annotated[str, typer.Argument(metavar="JOB", help="Job folder, with or without .job.")],
    which: Annotated[
        str | None,
        typer.Argument(
            metavar="[NUMBER|FILE]",
            help="Number from the list, or a file's name for its latest former state.",
        ),
    ] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Bring back tools.csv, panel.toml or a profile as it was before; alone: list what is kept."""
    console = Console(as_json=as_json, quiet=quiet)

    from tracer.project.store import JobFolder, job_path
    from tracer.workflows.job.restore_file import listed_formers, restore_file

    folder = JobFolder(job_path(job))
    if which is None:
        found = listed_formers(folder)
        record = {
            "job": str(folder.path),
            "former": [
                {
                    "number": s.former.number,
                    "file": s.former.name,
                    "until": s.until.isoformat(timespec="seconds"),
                    "lines": s.lines,
                    "first_other_line": s.line,
                    "kept_as": s.former.kept_as,
                }
                for s in found
            ],
        }
        lines = [
            f"{s.former.number:4d}  {s.former.name:<12} until {s.until:%Y-%m-%d %H:%M}"
            f"  {s.lines} lines"
            + (f"; line {s.line} is no longer there: {s.text[:60]}" if s.line else "")
            for s in found
        ]
        lines += [f"Bring one back: tracer restore {quoted(job)} NUMBER"] if found else []
        console.result(record, "\n".join(lines) or "No file of this job was written anew yet.")
        return
    done = restore_file(folder, which)
    name = done.former.name
    text = (
        f"{name} is again as it was in number {done.former.number}; what it was until now is kept."
        if done.changed
        else f"{name} is as it was in number {done.former.number}; nothing was changed."
    )
    if done.changed and name == "tools.csv":
        text += f"\nBring the outlines up to date: tracer trace --job {quoted(job)}"
    console.result(
        {"job": str(folder.path), "file": name, "number": done.former.number,
         "changed": done.changed},
        text,
    )  # fmt: skip
