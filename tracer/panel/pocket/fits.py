"""What the fit classes mean, by the gap that results, and which one is taken where none is named.

A class says two things of the finished pocket: the gap per side where the edge is sure, and how
far foam and tool may overlap at the tightest place for the tool still to count as in, beyond what
the foam gives way by itself. All figures are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

from tracer.model.panel import BayKind
from tracer.model.panel_plan import FitClass

__all__ = ["FITS", "FIT_PROBABILITY", "LOOSEST_MM", "Fit", "default_fit", "typed_fit"]

#: with which a tool goes in, where nothing else is asked
FIT_PROBABILITY = 0.9
#: a pocket is nowhere looser than this a side, where nothing else is asked: own choice, twice what
#: a tool may rattle before it is felt (common practice, no source)
LOOSEST_MM = 3.0


@dataclass(frozen=True)
class Fit:
    """A fit: gap per side where the edge is sure, and overlap allowed beyond the foam's give."""

    gap_mm: float
    allowed_mm: float


FITS: dict[FitClass, Fit] = {
    # squeezed all along, and to be pushed in by hand
    FitClass.PRESS: Fit(-0.4, 0.4),
    # goes in and stays: the foam may just be touched
    FitClass.SNUG: Fit(0.0, 0.0),
    # two fingers lift it: it touches nowhere
    FitClass.EASY: Fit(0.5, -0.2),
    # gloves: half a millimetre of air at the tightest place
    FitClass.LOOSE: Fit(1.0, -0.7),
}


def typed_fit(gap_mm: float) -> Fit:
    """A fit by its gap alone, negative to press."""
    return Fit(gap_mm, max(-gap_mm, 0.0))


def default_fit(kind: BayKind | None) -> FitClass:
    """Tools on a wall are held by their pockets; in a drawer, or loose, they only lie in them."""
    return FitClass.SNUG if kind is BayKind.WALL else FitClass.EASY
