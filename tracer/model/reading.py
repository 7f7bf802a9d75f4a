"""What a person reads off the real tool on the paper template, and where."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["EdgeMark", "EdgeReading"]


@dataclass(frozen=True)
class EdgeReading:
    """The tool's true edge passes through a place; kept by the letter it was read at.

    Attributes
    ----------
    mark
        Letter on the template.
    x_mm, y_mm
        Sheet frame of the tool's lay.
    gap_mm
        As typed: from the tool to the printed wall, negative where the tool covers it.
    """

    mark: str
    x_mm: float
    y_mm: float
    gap_mm: float


@dataclass(frozen=True)
class EdgeMark:
    """A lettered place on an outline, and the outward unit normal there."""

    letter: str
    x_mm: float
    y_mm: float
    out_x: float
    out_y: float
