"""What a maker asks of a swap, and how it is told."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["AreaChange", "Outcome"]


class Outcome(StrEnum):
    """What became of a pocket."""

    STAYS = "pocket stays"  # the same tool again within its uncertainty
    CHANGED = "pocket changed"
    REMOVED = "tool removed"
    ADDED = "tool added"


@dataclass(frozen=True)
class AreaChange:
    """Area by which an outline or pocket grew and shrank, mm^2, and the largest distance, mm."""

    added_mm2: float
    removed_mm2: float
    largest_mm: float
