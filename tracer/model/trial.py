"""A trial in foam: two things of known size, and three pockets to be cut for one of them."""

from __future__ import annotations

from dataclasses import dataclass, field

from tracer.model.panel_plan import FitClass

__all__ = ["TRIED_FITS", "Trial"]

#: the pockets of a trial, from the widest to the closest
TRIED_FITS = (FitClass.EASY, FitClass.SNUG, FitClass.PRESS)


@dataclass(frozen=True, kw_only=True)
class Trial:
    """What a trial was made for, and what was read since.

    Attributes
    ----------
    machine
        Name or file of the profile that the pockets were drawn for.
    coin_mm, block_mm
        Diameter and thickness of the round thing; long side, short side and height of the other.
    fit_offset_mm, cut_sigma_mm
        Of the profile, as they were then.
    card
        Number of the card on the sheet.
    read_mm
        By fit class: length and width of the pocket, as a calliper read them.
    board_mm
        Long and short side of the printed card's board, as read.
    """

    machine: str
    material: str
    thickness_mm: float
    coin_mm: tuple[float, float]
    block_mm: tuple[float, float, float]
    fit_offset_mm: float = 0.0
    cut_sigma_mm: float = 0.0
    card: int = 0
    read_mm: dict[str, tuple[float, float]] = field(default_factory=dict)
    board_mm: tuple[float, float] | None = None
