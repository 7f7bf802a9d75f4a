"""Options that several commands share, each defined once.

========== ======================================= ===================================
option     meaning                                 commands
========== ======================================= ===================================
--json     one JSON object on stdout               all
--quiet    nothing but errors and failed checks    all
--replace  write over what is there                trace, cut, cards, coupon
========== ======================================= ===================================
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

import typer

from tracer.errors import UsageError
from tracer.lengths import parse_length_mm, parse_size_mm

__all__ = ["Json", "Quiet", "Replace", "card_sizes", "choice", "length", "not_negative", "size"]


def length(text: str) -> float:
    """Typer parser: a length in mm."""
    return parse_length_mm(text)


def not_negative(text: str) -> float:
    """Typer parser: a length in mm that a thing can have.

    Raises
    ------
    UsageError
        For a negative length, or text that is none.
    """
    value = parse_length_mm(text)
    if value < 0:
        raise UsageError(
            "length-unreadable",
            f"'{text}' is a length below 0.",
            "Type what was measured, for example 12, 12mm or 1/2in.",
        )
    return value


def size(text: str) -> tuple[float, float]:
    """Typer parser: two lengths in mm."""
    return parse_size_mm(text)


Json = Annotated[bool, typer.Option("--json", help="Print one JSON object on standard output.")]
Quiet = Annotated[
    bool, typer.Option("--quiet", "-q", help="Say nothing but errors and failed checks.")
]
Replace = Annotated[bool, typer.Option("--replace", help="Write over what is already there.")]


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
    raise UsageError("usage", f"{option} cannot be '{text}'.", f"It is one of {', '.join(values)}.")


def card_sizes(
    texts: Sequence[str],
) -> tuple[tuple[float, float] | None, dict[int, tuple[float, float]]]:
    """Size of all cards and of single ones, long side first."""
    common, own = None, {}
    for text in texts:
        number, colon, rest = text.rpartition(":")
        sides = parse_size_mm(rest)
        pair = (max(sides), min(sides))
        if not colon:
            common = pair
        elif number.isdigit():
            own[int(number)] = pair
        else:
            raise UsageError(
                "size-unreadable", f"'{text}' is not a card size.", "Write 3:168.2x112.1."
            )
    return common, own
