"""Readers of single values that come from outside: each returns a clean value or says its want.

A reader raises ValueError whose text completes the sentence "it must be ...".
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tracer.ranges import JOB, Range
from tracer.spelling import one_line

__all__ = ["any_of", "flag", "number", "optional", "pair_mm", "point", "points", "text"]

Reader = Callable[[Any], Any]
MAX_POINTS = 20_000


def optional(reader: Reader) -> Reader:
    """None and an empty text stand for: not typed."""
    return lambda value: None if value is None or value == "" else reader(value)


def number(span: Range) -> Reader:
    """A finite number within its range."""

    def read(value: Any) -> float | int:
        if value not in span:
            raise ValueError(span.words)
        return int(value) if span.whole else round(float(value), 3)

    return read


def text(longest: int) -> Reader:
    """One line of text."""

    def read(value: Any) -> str:
        if not isinstance(value, str) or len(value) > longest:
            raise ValueError(f"a text of at most {longest} letters")
        return one_line(value)

    return read


def any_of(*names: str) -> Reader:
    """One of these names."""

    def read(value: Any) -> str:
        if value not in names:
            raise ValueError(f"one of {', '.join(names)}")
        return str(value)

    return read


def flag(value: Any) -> bool:
    """True or false."""
    if not isinstance(value, bool):
        raise ValueError("true or false")
    return value


def point(value: Any) -> tuple[float, float]:
    """Two numbers."""
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise ValueError("a point")
    x, y = (number(JOB["corrections.keep"])(v) for v in value)
    return (round(x, 2), round(y, 2))


def points(least: int, most: int = MAX_POINTS) -> Reader:
    """Several points."""

    def read(value: Any) -> tuple[tuple[float, float], ...]:
        if not isinstance(value, list | tuple) or not least <= len(value) <= most:
            raise ValueError(f"{least} points" if least == most else f"{least} points or more")
        return tuple(point(p) for p in value)

    return read


def pair_mm(span: Range) -> Reader:
    """Two lengths in mm, the longer one first."""

    def read(value: Any) -> tuple[float, float]:
        if not isinstance(value, list | tuple) or len(value) != 2:
            raise ValueError("two lengths")
        a, b = (number(span)(v) for v in value)
        return (max(a, b), min(a, b))

    return read
