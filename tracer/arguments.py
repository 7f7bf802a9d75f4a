"""Arguments of the scripting interface: refused in one sentence where they are of no use."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tracer.errors import UsageError
from tracer.ranges import Range
from tracer.spelling import shown

__all__ = ["listed", "pair", "unusable", "within"]


def unusable(name: str, value: object, wanted: str) -> UsageError:
    """The refusal of a value of a wrong kind."""
    kind = type(value).__name__
    return UsageError("argument-unusable", f"{name} cannot be {kind}.", f"Give {wanted}.")


def within(name: str, value: object, span: Range) -> None:
    """Refuse a number outside its range; None is no number and passes."""
    if value is not None and value not in span:
        unit = f" {span.unit}" if span.unit else ""
        raise UsageError(
            "number-out-of-range",
            f"{name} cannot be {shown(value)}{unit}.",
            f"It takes {span.words}.",
        )


def pair(value: object, name: str) -> tuple[float, float]:
    """Two numbers, or a refusal."""
    values = listed(value, name)
    if len(values) != 2:
        raise unusable(name, value, "two numbers")
    return values[0], values[1]


def listed(value: Any, name: str) -> list[Any]:
    """The members of a sequence, or a refusal."""
    if isinstance(value, Mapping | str | bytes):
        raise unusable(name, value, "a sequence")
    try:
        return list(value)
    except TypeError:
        raise unusable(name, value, "a sequence") from None
