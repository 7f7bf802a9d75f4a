"""``tracer cards``: printable scale cards, or a mat."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Any

import typer

from tracer.atomic import is_there
from tracer.cli.console import Console
from tracer.cli.options import Json, Quiet, Replace, size, whole, with_range
from tracer.errors import TracerError, UsageError
from tracer.ranges import checked_option, shown

__all__ = ["cards"]


def cards(
    output: Annotated[Path, typer.Argument(metavar="FILE.pdf", help="File to write.")] = Path(
        "scale-cards.pdf"
    ),
    numbers: Annotated[
        str,
        typer.Option(metavar="RANGE", help="Card numbers 0 to 47, like 0-5 or 3,7,9."),
    ] = "0-5",
    paper: Annotated[str, typer.Option(metavar="SIZE", help="a4 or letter.")] = "a4",
    per_page: Annotated[
        Any,
        typer.Option(
            parser=whole("--per-page"),
            metavar="N",
            help=with_range("Cards on a page; 1 for printers with wide margins.", "--per-page"),
        ),
    ] = "2",
    mat: Annotated[
        Any,
        typer.Option(
            parser=size("--mat"),
            metavar="WxH",
            help=with_range("One large print with cards at known places instead.", "--mat"),
        ),
    ] = None,
    replace: Replace = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Write a PDF of scale cards. Print it at 100 %, then measure a board with a ruler."""
    from tracer.export.paper.cards import write_cards_pdf

    console = Console(as_json=as_json, quiet=quiet)
    if not output.name:
        raise UsageError(
            "usage", f"{shown(str(output))} is a folder.", "Name the file to write, like cards.pdf."
        )
    if output.suffix.lower() != ".pdf":
        output = output.with_name(output.name + ".pdf")
    if is_there(output) and not replace:
        raise TracerError(
            "file-exists", f"{output} exists already.", "Choose another name, or use --replace."
        )
    chosen = _numbers(numbers)
    write_cards_pdf(
        output,
        replacing=replace,
        numbers=chosen,
        paper=paper.lower(),
        per_page=per_page,
        mat_mm=mat,
    )
    record = {"file": str(output), "cards": [] if mat else chosen, "mat_mm": mat}
    console.result(
        record,
        f"Written to {output}. Print at 100 %, measure a board (168.0 x 112.0 mm if the printer is"
        " true) and give what you read to tracer trace --card-size.",
    )


def _numbers(text: str) -> list[int]:
    """Card numbers of a list of numbers and ranges."""
    found: list[int] = []
    for part in dict.fromkeys(text.replace(" ", "").split(",")):
        match = re.fullmatch(r"([0-9]{1,15})(?:-([0-9]{1,15}))?", part)
        if match is None:
            raise UsageError("usage", f"{shown(text)} are not card numbers.", "Write 0-5 or 3,7,9.")
        ends = (int(match[1]), int(match[2] or match[1]))
        # held before a range of them is counted out
        first, last = (int(checked_option("--numbers", end)) for end in ends)
        found += range(first, last + 1) if last >= first else range(first, last - 1, -1)
    return list(dict.fromkeys(found))
