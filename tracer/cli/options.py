"""Options that several commands share, each defined once.

=========== ====================================== ===================================
option      meaning                                commands
=========== ====================================== ===================================
--json      one JSON object on stdout              all
--quiet     nothing but errors and failed checks   all
--replace   write over what is there               all that write
--card-size the printed boards as measured         bay, holes
--machine   whose test piece is cut                coupon, trial
--material  its foam                               coupon, trial
--thickness how thick that is                      coupon, trial
--gap       between tools of a fresh layout        arrange, divide
--spare     its free room                          arrange, divide
--effort    how long it is looked for              arrange, divide
--seed      where the search begins                arrange, divide
=========== ====================================== ===================================
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import Annotated, Any

import typer

from tracer.errors import UsageError
from tracer.lengths import parse_length_mm, parse_size_mm
from tracer.ranges import LONGEST_TEXT, OPTIONS, checked_option, shown

__all__ = [
    "BoardSizes",
    "FoamThickness",
    "Json",
    "LayoutEffort",
    "LayoutGap",
    "LayoutSeed",
    "LayoutSpare",
    "Quiet",
    "Replace",
    "TestFoam",
    "TestMachine",
    "card_sizes",
    "choice",
    "length",
    "number",
    "pixel_box",
    "pixel_point",
    "points",
    "size",
    "text",
    "whole",
    "with_range",
]


_NUMBER = re.compile(r"[-+]?(?:[0-9]{1,20}(?:\.[0-9]{0,20})?|\.[0-9]{1,20})")


def with_range(text: str, option: str) -> str:
    """A help text that ends with the option's range."""
    return f"{text} {OPTIONS[option].span}."


def length(option: str) -> Callable[[str], float]:
    """Typer parser of an option that takes a length, within its range."""

    def parse(text: str) -> float:
        return checked_option(option, parse_length_mm(text))

    return parse


def size(option: str) -> Callable[[str], tuple[float, float]]:
    """Typer parser of an option that takes two lengths, each within its range."""

    def parse(text: str) -> tuple[float, float]:
        width, height = (checked_option(option, side) for side in parse_size_mm(text))
        return width, height

    return parse


def number(option: str) -> Callable[[str], float]:
    """Typer parser of an option that takes a plain number, within its range."""

    def parse(text: str) -> float:
        if _NUMBER.fullmatch(text.strip()) is None:
            raise UsageError(
                "number-unreadable",
                f"{option} cannot be {shown(text)}.",
                f"It takes {OPTIONS[option].words}.",
            )
        return checked_option(option, float(text))

    return parse


def whole(option: str) -> Callable[[str], int]:
    """Typer parser of an option that takes a whole number, within its range."""
    parse = number(option)
    return lambda text: int(parse(text))


def text(option: str) -> Callable[[str], str]:
    """Typer parser of an option that takes one line of free text."""

    def parse(typed: str) -> str:
        if any(
            "\ud800" <= sign <= "\udfff" for sign in typed
        ):  # bytes that the system left as such
            raise UsageError(
                "text-unreadable",
                f"{option} holds bytes that are no letters.",
                "Type it again in the letters of this terminal.",
            )
        line = " ".join("".join(c if c.isprintable() else " " for c in typed).split())
        if len(line) > LONGEST_TEXT:
            raise UsageError(
                "text-unreadable",
                f"{option} has {len(line)} letters; at most {LONGEST_TEXT} are kept.",
                "Say it in fewer words.",
            )
        return line

    return parse


def points(option: str, values: Sequence[float]) -> list[tuple[float, float]]:
    """Pairs of coordinates that were typed in a row, each within the option's range."""
    held = [checked_option(option, value) for value in values]
    return list(zip(held[::2], held[1::2], strict=True))


def pixel_point(option: str, text: str) -> tuple[float, float]:
    """A point of a photo, each coordinate within the option's range."""
    parts = text.replace(" ", "").split(",")
    if len(parts) != 2 or any(_NUMBER.fullmatch(p) is None for p in parts):
        raise UsageError("point-unreadable", f"{shown(text)} is no point in pixels.", "Write X,Y.")
    return points(option, [float(p) for p in parts])[0]


def pixel_box(option: str) -> Callable[[str], tuple[float, float, float, float]]:
    """Typer parser of an option that takes two opposite corners of a box in a photo."""

    def parse(text: str) -> tuple[float, float, float, float]:
        parts = text.replace(" ", "").split(",")
        if len(parts) != 4 or any(_NUMBER.fullmatch(p) is None for p in parts):
            raise UsageError(
                "point-unreadable", f"{shown(text)} is no box in pixels.", "Write X,Y,X,Y."
            )
        x0, y0, x1, y1 = (checked_option(option, float(p)) for p in parts)
        return min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)

    return parse


Json = Annotated[bool, typer.Option("--json", help="Print one JSON object on standard output.")]
Quiet = Annotated[
    bool, typer.Option("--quiet", "-q", help="Say nothing but errors and failed checks.")
]
Replace = Annotated[bool, typer.Option("--replace", help="Write over what is already there.")]

BoardSizes = Annotated[
    list[str] | None,
    typer.Option(
        "--card-size",
        metavar="[CARD:]LxS",
        help=with_range(
            "Measured long and short side of the printed boards, e.g. 168.0x112.0.", "--card-size"
        ),
    ),
]
TestMachine = Annotated[
    str, typer.Option(metavar="NAME", help="Machine profile, or your own .toml.")
]
TestFoam = Annotated[str, typer.Option(metavar="NAME", help="Foam; decides about heat.")]
FoamThickness = Annotated[
    Any,
    typer.Option(
        parser=length("--thickness"),
        metavar="LENGTH",
        help=with_range("Thickness of the foam.", "--thickness"),
    ),
]

LayoutGap = Annotated[
    Any,
    typer.Option(
        parser=length("--gap"),
        metavar="LENGTH",
        help=with_range("Between tools of a fresh layout.", "--gap"),
    ),
]
LayoutSpare = Annotated[
    str | None,
    typer.Option(metavar="HOW", help="Free room of a fresh layout: whole, or spread."),
]
LayoutEffort = Annotated[
    str | None,
    typer.Option(metavar="HOW", help="Search for fresh layouts: quick, usual, or long."),
]
LayoutSeed = Annotated[
    Any,
    typer.Option(
        parser=number("--seed"),
        metavar="N",
        help=with_range("Start of the search; the same number gives the same.", "--seed"),
    ),
]


def choice(text: str | None, values: dict[str, Any], option: str) -> Any:
    """The value that a person named, in any case; None stays None.

    Raises
    ------
    UsageError
        With all names that would do.
    """
    if text is None:
        return None
    for name, value in values.items():
        if name.lower() == text.lower():
            return value
    raise UsageError(
        "usage", f"{option} cannot be {shown(text)}.", f"It is one of {', '.join(values)}."
    )


def card_sizes(
    texts: Sequence[str],
) -> tuple[tuple[float, float] | None, dict[int, tuple[float, float]]]:
    """Size of all cards and of single ones, long side first."""
    common, own = None, {}
    for text in texts:
        card, colon, rest = text.rpartition(":")
        sides = size("--card-size")(rest)
        pair = (max(sides), min(sides))
        if not colon:
            common = pair
        elif card.isascii() and card.isdigit():
            own[int(checked_option("--numbers", float(card)))] = pair
        else:
            raise UsageError(
                "size-unreadable", f"{shown(text)} is not a card size.", "Write 3:168.2x112.1."
            )
    return common, own
