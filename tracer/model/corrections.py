"""What a maker corrects by hand: inputs of segmentation, kept in the job."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Corrections"]

Point = tuple[float, float]


@dataclass(frozen=True)
class Corrections:
    """Corrections to one photo, in pixels of the upright photo.

    Attributes
    ----------
    keep
        Points that lie on a tool: the region around each is kept as a tool.
    drop
        Points that do not: the region around each is left out.
    split
        Line segments along which touching tools part.
    """

    keep: tuple[Point, ...] = ()
    drop: tuple[Point, ...] = ()
    split: tuple[tuple[Point, Point], ...] = ()

    def __bool__(self) -> bool:
        return bool(self.keep or self.drop or self.split)
