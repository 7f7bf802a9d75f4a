"""``tracer gaps``: type back what the real tool showed on the paper template."""

from __future__ import annotations

from typing import Annotated

import typer

from tracer.cli.console import Console, quoted
from tracer.cli.options import Json, Quiet
from tracer.errors import UsageError
from tracer.lengths import parse_length_mm
from tracer.ranges import JOB, shown

__all__ = ["gaps"]


def gaps(
    job: Annotated[str, typer.Argument(metavar="JOB", help="Job folder, with or without .job.")],
    tool: Annotated[str, typer.Argument(metavar="TOOL", help="Id or name of the tool.")],
    read: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[MARK=GAP]...",
            help="Gap at a lettered mark, from the tool to the printed wall, for example C=1.5; "
            "negative where the tool covers the line. Marks that you do not name stay as they are.",
        ),
    ] = None,
    everywhere: Annotated[
        str | None,
        typer.Option("--everywhere", metavar="GAP", help="The gap at all other marks."),
    ] = None,
    forget: Annotated[
        bool, typer.Option("--forget", help="Leave out all that was read at this tool.")
    ] = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Lay the tool on its printed template, read the gaps, and have its wall moved by them.

    Print the template at 100 %, lay the tool where it fits best, and measure at the letters round
    it. The job is traced again with what you read; arrange and cut it again after that.
    """
    console = Console(as_json=as_json, quiet=quiet)
    if forget and (read or everywhere):
        raise UsageError("usage", "--forget goes with no gap.", "Leave one of them out.")
    typed = dict(_one(text) for text in read or ())
    common = None if everywhere is None else _gap("--everywhere", everywhere)
    if not forget and not typed and common is None:
        raise UsageError(
            "usage", "No gap was typed.", "Type what you read, for example A=1.5 B=0.5 C=-1."
        )

    from tracer.project.store import JobFolder, job_path
    from tracer.workflows.editing.read_gaps import forget_gaps, read_gaps

    folder = JobFolder(job_path(job))
    if forget:
        done = forget_gaps(folder, tool, progress=console)
    else:
        done = read_gaps(folder, tool, typed, common, progress=console)
    console.finish()
    called = done.outline_id if done.name == done.outline_id else f"{done.outline_id} {done.name}"
    lines = [
        f"{called}: nothing is kept of what was read"
        if not done.readings
        else f"{called}: read at {len(done.readings)} "
        f"mark{'s' * (len(done.readings) != 1)}; arrange and cut {quoted(job)} again"
    ]
    lines += [
        f"  {letter}  the edge lies {abs(move):.1f} mm {'outside' if move > 0 else 'inside'} of"
        " where it was traced"
        for letter, move in sorted(done.moves_mm.items())
    ]
    record = {
        "job": job,
        "tool": done.outline_id,
        "readings": [
            {"mark": r.mark, "gap_mm": r.gap_mm, "x_mm": r.x_mm, "y_mm": r.y_mm}
            for r in done.readings
        ],
        "moves_mm": done.moves_mm,
    }
    console.result(record, "\n".join(lines))


def _one(text: str) -> tuple[str, float]:
    mark, sign, value = text.partition("=")
    if not sign or not mark.strip() or not value.strip():
        raise UsageError(
            "usage",
            f"{shown(text)} is no mark with its gap.",
            "Write the letter, an equals sign and the gap, for example C=1.5.",
        )
    return mark.strip().upper(), _gap(mark.strip().upper(), value)


def _gap(what: str, text: str) -> float:
    value, span = parse_length_mm(text.strip()), JOB["reading.gap_mm"]
    if value not in span:
        raise UsageError(
            "number-out-of-range",
            f"The gap at {shown(what)} cannot be {shown(value)} mm.",
            f"It takes {span.words}.",
        )
    return value
