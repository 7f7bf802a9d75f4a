"""Lengths as people type and read them; millimetres everywhere inside.

Accepted: ``12``, ``12mm``, ``1.2cm``, ``0.5in``, ``1/2in``, ``1 1/2 in``, ``1/2"``. A decimal
comma is refused on the command line, since ``1,5`` cannot be told from a list.
"""

from __future__ import annotations

import re
from fractions import Fraction

from tracer.errors import UsageError
from tracer.ranges import shown

__all__ = ["MM_PER_INCH", "format_length", "parse_length_mm", "parse_size_mm"]

MOST_LETTERS = 40  # of one length; longer numerals would overflow
MM_PER_INCH = 25.4  # exact: international yard and pound agreement, 1959

_UNITS_MM = {"": 1.0, "mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH, '"': MM_PER_INCH}
_LENGTH = re.compile(
    r"""^\s*(?P<sign>[-+]?)\s*
        (?: (?P<whole>\d+)\s+(?P<num1>\d+)/(?P<den1>\d+)
          | (?P<num2>\d+)/(?P<den2>\d+)
          | (?P<decimal>\d+(?:\.\d*)?|\.\d+) )
        \s*(?P<unit>mm|cm|m|in|")?\s*$""",
    re.VERBOSE | re.IGNORECASE,
)


def parse_length_mm(text: str) -> float:
    """Length in mm from what a person typed.

    Raises
    ------
    UsageError
        When the text is not a length.

    Examples
    --------
    >>> parse_length_mm("1/2in"), parse_length_mm("1.2 cm"), parse_length_mm("-3")
    (12.7, 12.0, -3.0)
    """
    found = _LENGTH.match(text) if len(text) <= MOST_LETTERS else None
    if found is None:
        hint = (
            "Write the decimal sign as a point, for example 1.5mm."
            if "," in text
            else "Write it like 12, 12mm, 1.2cm or 1/2in."
        )
        raise UsageError("length-unreadable", f"{shown(text)} is not a length.", hint)
    if found["decimal"] is not None:
        value = Fraction(found["decimal"])
    else:
        denominator = int(found["den1"] or found["den2"])
        if denominator == 0:
            raise UsageError("length-unreadable", f"'{text}' divides by zero.")
        value = Fraction(int(found["num1"] or found["num2"]), denominator)
        value += int(found["whole"] or 0)
    sign = -1 if found["sign"] == "-" else 1
    return sign * float(value) * _UNITS_MM[(found["unit"] or "").lower()]


def parse_size_mm(text: str) -> tuple[float, float]:
    """Two lengths joined by ``x``, in mm.

    Raises
    ------
    UsageError
        When the text is not a size, or a side is not positive.

    Examples
    --------
    >>> parse_size_mm("168.0x112.0")
    (168.0, 112.0)
    >>> parse_size_mm("24in x 18in") == parse_size_mm("24x18in")
    True
    """
    sides = [side.strip() for side in re.split("[xX×]", text)] if len(text) <= 100 else []
    if len(sides) != 2:
        raise UsageError(
            "size-unreadable", f"{shown(text)} is not a size.", "Write width x height: 600x400."
        )
    unit = re.search(r"[a-z\"]+$", sides[1], re.IGNORECASE)
    if unit is not None and sides[0][-1:].isdigit():
        sides[0] += unit[0]  # "24x18in" means inches twice
    width, height = (parse_length_mm(side) for side in sides)
    if width <= 0 or height <= 0:
        raise UsageError(
            "size-unreadable",
            f"{shown(text)} has a side that is not positive.",
            "Write both measured sides, for example 168.0x112.0.",
        )
    return width, height


def format_length(length_mm: float, *, inch: bool = False, digits: int = 1) -> str:
    """Length for people, in mm or decimal inches (two digits more).

    Examples
    --------
    >>> format_length(12.34), format_length(12.7, inch=True)
    ('12.3 mm', '0.500 in')
    """
    if inch:
        return f"{length_mm / MM_PER_INCH:.{digits + 2}f} in"
    return f"{length_mm:.{digits}f} mm"
