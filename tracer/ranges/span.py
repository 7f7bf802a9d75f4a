"""A range of numbers with its unit, and those that several tables share."""

from __future__ import annotations

from dataclasses import dataclass

from tracer.spelling import plain

__all__ = [
    "ANYWHERE",
    "CAMERA",
    "CARD",
    "HEIGHT",
    "MASS",
    "PIXEL",
    "PLACE",
    "SIDE",
    "TURN",
    "Range",
]


@dataclass(frozen=True)
class Range:
    """Least and greatest value, both allowed, and their unit (empty: a plain number).

    Examples
    --------
    >>> 0.0 in Range(0, 500, "mm"), float("inf") in Range(0, 500, "mm")
    (True, False)
    >>> Range(1, 1000, whole=True).words
    'a whole number from 1 to 1000'
    """

    low: float
    high: float
    unit: str = ""
    whole: bool = False

    def __contains__(self, value: object) -> bool:
        if not isinstance(value, int | float) or isinstance(value, bool):
            return False
        # compared before anything is turned into a float: a whole number may be too long for one
        return self.low <= value <= self.high and (not self.whole or value == int(value))

    @property
    def span(self) -> str:
        """``0 to 500 mm``."""
        return f"{plain(self.low)} to {plain(self.high)} {self.unit}".strip()

    @property
    def words(self) -> str:
        """``a number from 0 to 500 mm``."""
        return f"a {'whole ' if self.whole else ''}number from {self.span}"


#: ten times around a workshop's wall: farther away nothing of a job can lie
PLACE = Range(-20_000, 20_000, "mm")
TURN = Range(-360, 360, "deg")
PIXEL = Range(-200_000, 200_000, "px")
SIDE = Range(1, 6000, "mm")
HEIGHT = Range(0, 500, "mm")
ANYWHERE = Range(-1e6, 1e6, "mm")
MASS = Range(0, 1000, "kg")
CARD = Range(50, 1000, "mm")
CAMERA = Range(50, 20_000, "mm")
