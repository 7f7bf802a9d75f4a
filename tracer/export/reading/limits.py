"""What a drawing from outside may hold at most, counted while it is read.

A few bytes of a drawing can stand for any number of curves: blocks within blocks, arrays, circles
of a thousand kilometres. So nothing is opened up or cut into chords without a count.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import islice
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracer.errors import TracerError
from tracer.geometry.sound import FARTHEST_MM, MOST_CORNERS
from tracer.ranges import COUNTS, shown

__all__ = ["Budget", "too_large", "word"]

Array = NDArray[np.float64]

_CURVES = int(COUNTS["curves of a drawing"].high)
_CORNERS = int(COUNTS["corners of a drawing, all curves together"].high)
_OBJECTS = int(COUNTS["objects of a drawing, blocks opened up"].high)


def too_large(what: str) -> TracerError:
    """The refusal of a drawing; ``what`` is a sentence without its stop."""
    return TracerError(
        "drawing-too-large",
        f"{what}.",
        "Check the drawing's unit, delete what lies far outside the sheet or is drawn many times, "
        "or split it into several files.",
    )


def word(name: object) -> str:
    """A name out of the file as a sentence holds it: in quotes, short, and printable.

    Examples
    --------
    >>> word("cut"), word("a\\nb")
    ("'cut'", "'a b'")
    """
    return shown(str(name))


class Budget:
    """What may still be read of one drawing; every count raises ``drawing-too-large`` at its end.

    ``for_any`` is false for drawings of our own that are read back: their number of corners is
    bounded by the panel that they show.
    """

    def __init__(self, *, for_any: bool = True) -> None:
        self._for_any = for_any
        self._objects, self._curves, self._corners = _OBJECTS, _CURVES, _CORNERS

    def object(self, number: int = 1) -> None:
        """So many further objects, of whatever kind, are looked at."""
        self._objects -= number
        if self._for_any and self._objects < 0:
            raise too_large(f"The drawing holds more than {_OBJECTS} objects, blocks opened up")

    def corners(self, number: int) -> None:
        """So many further corners were made."""
        self._corners -= number
        if self._for_any and self._corners < 0:
            raise too_large(f"The curves of the drawing have more than {_CORNERS} corners together")

    def some(self, points: Iterable[Any], what: str) -> list[Any]:
        """Points of one piece of a curve, asked for one by one."""
        found = list(islice(points, MOST_CORNERS + 1))
        if len(found) > MOST_CORNERS:
            raise too_large(f"{what} has more than {MOST_CORNERS} corners")
        self.corners(len(found))
        return found

    def curve(self, points: Array, what: str) -> None:
        """A curve (N, 2), its corners counted already, is taken."""
        self._curves -= 1
        if not self._for_any:
            return
        if self._curves < 0:
            raise too_large(f"The drawing holds more than {_CURVES} curves")
        if len(points) > MOST_CORNERS:
            raise too_large(f"{what} has more than {MOST_CORNERS} corners")
        if len(points) and (far := float(np.abs(points).max())) > FARTHEST_MM:
            raise too_large(f"{what} reaches {far:.3g} units from the drawing's origin")
