"""Things of known size in a lay: what was measured, and whether what is stated covers it.

A maker's own proof: a coin with its legal diameter, a gauge block, a steel ruler lies among the
tools with its size in the tool list. It goes through all that a tool goes through, so its
difference is that of card, print, lens, height and edge together.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tracer.geometry.sizes import diameter_mm, sides_mm
from tracer.model.outline import Outline
from tracer.model.report import Check, Severity
from tracer.model.tool_list import ToolRow

__all__ = ["COVERED", "KnownThing", "known_checks", "known_things", "sizes_text"]

#: stated deviations within which a difference counts as covered: 95 % of them, if they are normal
COVERED = 2.0


@dataclass(frozen=True)
class KnownThing:
    """A thing of known size as it was measured.

    Attributes
    ----------
    known_mm, measured_mm
        One diameter, or long and short side.
    sigma_mm
        Stated standard deviation of the outline's edge; a size has two edges, so a size may be off
        by twice as much.
    """

    outline_id: str
    name: str
    height_mm: float
    known_mm: tuple[float, ...]
    measured_mm: tuple[float, ...]
    sigma_mm: float

    @property
    def off_mm(self) -> tuple[float, ...]:
        """Measured less known size."""
        return tuple(m - k for m, k in zip(self.measured_mm, self.known_mm, strict=True))

    @property
    def edge_mm(self) -> float:
        """Largest displacement of the edge: half of a size's difference; positive: too large."""
        return max(self.off_mm, key=abs) / 2

    @property
    def covered(self) -> bool:
        """Whether the stated deviation covers what was found."""
        return abs(self.edge_mm) <= COVERED * self.sigma_mm


def known_things(pairs: Iterable[tuple[Outline, ToolRow | None]]) -> list[KnownThing]:
    """The things of known size among outlines with their rows.

    Examples
    --------
    >>> known_things([])
    []
    """
    found = []
    for outline, row in pairs:
        if row is None or row.known_mm is None:
            continue
        region = outline.region
        if len(row.known_mm) == 1:
            known: tuple[float, ...] = row.known_mm
            measured: tuple[float, ...] = (diameter_mm(region),)
        else:
            known = tuple(sorted(row.known_mm, reverse=True))
            measured = sides_mm(region)
        found.append(
            KnownThing(
                outline.outline_id,
                outline.name,
                outline.height_mm,
                known,
                measured,
                outline.sigma_mm,
            )
        )
    return found


def known_checks(things: Sequence[KnownThing]) -> list[Check]:
    """A line about each thing; a warning where what is stated does not cover what was found."""
    return [_check(thing) for thing in things]


def sizes_text(sizes_mm: Sequence[float]) -> str:
    """As a person writes a size.

    Examples
    --------
    >>> sizes_text((23.25,)), sizes_text((60.0, 20.04))
    ('23.25', '60.00 x 20.04')
    """
    return " x ".join(f"{size:.2f}" for size in sizes_mm)


def _check(thing: KnownThing) -> Check:
    own = thing.outline_id
    called = own if thing.name == own else f"{own} ({thing.name})"
    covers = "covers" if thing.covered else "does not cover"
    return Check(
        "known-thing" if thing.covered else "known-thing-off",
        Severity.NOTE if thing.covered else Severity.WARN,
        f"{called} is known to measure {sizes_text(thing.known_mm)} mm and was measured as "
        f"{sizes_text(thing.measured_mm)} mm: its edge is off by {thing.edge_mm:+.2f} mm. "
        f"Stated is a deviation of {thing.sigma_mm:.2f} mm, which {covers} it.",
        ""
        if thing.covered
        else "Other outlines of this lay may be off alike. Look at the card's measured size, at"
        " this thing's height_mm, and whether a shadow was taken in.",
        subject_id=own,
        value=thing.edge_mm,
        limit=COVERED * thing.sigma_mm,
        unit="mm",
    )
