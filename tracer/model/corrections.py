"""What a maker corrects by hand: inputs of segmentation, kept in the job.

All places are pixels of the upright photo, so that a correction means the same whatever a later
run makes of cards and camera. The search for tools follows ``keep``; on what it finds are applied,
in this order, ``split``, ``merge``, ``strokes``, ``edges``, ``cables`` and ``drop``
(`tracer.segmentation.corrected`).
"""

from __future__ import annotations

from dataclasses import dataclass, fields

__all__ = ["Corrections", "Point", "Stroke"]

Point = tuple[float, float]


@dataclass(frozen=True)
class Stroke:
    """What a brush of this width passed over, added to the tool it touches or taken from it.

    A stroke that adds and touches no tool is a tool of its own.
    """

    line: tuple[Point, ...]
    width_px: float
    add: bool = True


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
    merge
        Pairs of points on two regions that are one tool.
    strokes
        Regions added or taken away.
    edges
        Lines that lie on a tool's true edge: each replaces the stretch of edge beside it.
    cables
        Points on what is a loose cable.
    """

    keep: tuple[Point, ...] = ()
    drop: tuple[Point, ...] = ()
    split: tuple[tuple[Point, Point], ...] = ()
    merge: tuple[tuple[Point, Point], ...] = ()
    strokes: tuple[Stroke, ...] = ()
    edges: tuple[tuple[Point, ...], ...] = ()
    cables: tuple[Point, ...] = ()

    def __bool__(self) -> bool:
        return any(getattr(self, f.name) for f in fields(self))

    def joined(self, more: Corrections) -> Corrections:
        """Both together, nothing twice.

        Examples
        --------
        >>> Corrections(keep=((1, 2),)).joined(Corrections(keep=((1, 2), (3, 4)))).keep
        ((1, 2), (3, 4))
        """
        both = {
            f.name: tuple(dict.fromkeys((*getattr(self, f.name), *getattr(more, f.name))))
            for f in fields(self)
        }
        return Corrections(**both)
