"""How many, how long, how large; and an option held against its range."""

from __future__ import annotations

from tracer.errors import UsageError
from tracer.ranges.span import Range
from tracer.ranges.typed import OPTIONS
from tracer.spelling import shown

__all__ = ["COUNTS", "LONGEST_TEXT", "MOST_BYTES", "checked_option"]

#: how many of a kind are taken, and what they are
COUNTS: dict[str, Range] = {
    "photos of one lay, solved together": Range(1, 8, whole=True),
    "photos given for one lay, the best of them solved": Range(1, 40, whole=True),
    "rows of a tool list": Range(0, 5000, whole=True),
    "columns of a tool list": Range(2, 200, whole=True),
    "points typed for one photo, of each kind": Range(0, 1000, whole=True),
    "entries of one list in a plan": Range(0, 1000, whole=True),
    "sheets of a stack (plies)": Range(0, 20, whole=True),
    "foams of a shop": Range(0, 200, whole=True),
    "cautions of a machine profile": Range(0, 50, whole=True),
    "curves of a drawing": Range(1, 20_000, whole=True),
    "corners of a drawing, all curves together": Range(1, 1_000_000, whole=True),
    "corners of one curve of a drawing": Range(1, 50_000, whole=True),
    "objects of a drawing, blocks opened up": Range(1, 60_000, whole=True),
    "elements of a drawing within one another": Range(0, 100, whole=True),
    "tools in one drawing that is taken for outlines": Range(1, 500, whole=True),
}

#: letters of a name, title, label or other single text
LONGEST_TEXT = 300

#: how large a file of a kind may be
MOST_BYTES: dict[str, int] = {
    "tool list": 5_000_000,
    "panel plan": 1_000_000,
    "machine profile": 200_000,
    "drawing": 10_000_000,
    "file of a job": 64_000_000,
    "printer's settings": 100_000,
    "list of foams": 200_000,
    "phones' settings": 2_000_000,
}


def checked_option(name: str, value: float) -> float:
    """The value of an option, within its range.

    Raises
    ------
    UsageError
        ``number-out-of-range``, naming option, value and range.
    """
    span = OPTIONS[name]
    if value not in span:
        raise UsageError(
            "number-out-of-range",
            f"{name} cannot be {shown(value)}{' ' + span.unit if span.unit else ''}.",
            f"It takes {span.words}.",
        )
    return value
