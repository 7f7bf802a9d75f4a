"""``tracer check``: what a machine would trip over in a cutting file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from tracer.cli.console import EXIT_CHECK_FAILED, Console, check_record
from tracer.cli.options import Json, Quiet, length, with_range
from tracer.model.report import Severity

__all__ = ["check"]


def check(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A DXF or SVG file, any maker's.")],
    square: Annotated[
        Any,
        typer.Option(
            parser=length("--square"),
            metavar="LENGTH",
            help=with_range("Side of the square that shows the scale.", "--square"),
        ),
    ] = "100",
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Open or doubled curves, crossings, splines, tiny pieces, unit, scale, text, overlaps, rim."""
    console = Console(as_json=as_json, quiet=quiet)

    from tracer.workflows.check import check_file

    done = check_file(file, square_mm=square)
    console.checks(done.checks)
    width, height = done.size_mm
    record = {
        "file": str(file),
        "closed": len(done.closed),
        "open": len(done.open),
        "size_mm": [round(width, 3), round(height, 3)],
        "checks": [check_record(c) for c in done.checks],
    }
    bad = sum(c.severity is not Severity.NOTE for c in done.checks)
    verdict = f"{bad} findings" if bad else "nothing a machine would trip over"
    console.result(
        record,
        f"{file.name}: {len(done.closed)} closed and {len(done.open)} open curves, "
        f"{width:.1f} x {height:.1f} mm: {verdict}",
    )
    if any(c.severity is Severity.FAIL for c in done.checks):
        raise typer.Exit(EXIT_CHECK_FAILED)
