"""Length of the cut, plunges, and an estimate of the time, from the feeds of the profile."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tracer.geometry.loops import length, polygon_of
from tracer.model.drawing import Drawing, Operation
from tracer.model.machine import Kerf, Machine

__all__ = ["CutFigures", "cut_figures"]

#: a bit clears a pocket in lanes this share of its width apart (common practice, no source)
_STEPOVER = 0.5


@dataclass(frozen=True)
class CutFigures:
    """What a drawing costs on a machine.

    ``path_mm`` is the length of the drawn lines, ``cut_mm`` what the cutter travels in the foam
    (passes and clearing included), ``rapid_mm`` between cuts; ``plunges`` counts entries.
    """

    path_mm: float
    cut_mm: float
    rapid_mm: float
    plunges: int
    seconds: float


def cut_figures(drawing: Drawing, machine: Machine, thickness_mm: float) -> CutFigures:
    """Figures for a drawing; acceleration is not known and left out, so times are a lower bound."""
    path = travelled = rapid = 0.0
    plunges = 0
    here = (0.0, 0.0)
    for cut in drawing.paths:
        if not cut.layer.operation.is_cut:
            continue
        depth = cut.layer.depth_mm if cut.layer.depth_mm is not None else thickness_mm
        passes = max(math.ceil(depth / machine.pass_depth_mm - 1e-9), 1)
        own = length(cut.loop)
        path += own
        travelled += own * passes
        if _clears(cut.layer.operation, machine) and not cut.island:
            area = polygon_of(cut.loop, 0.05).area
            travelled += passes * area / (_STEPOVER * machine.kerf_mm)
        start = cut.loop.vertices[0, :2]
        rapid += math.dist(here, start)
        here = (float(start[0]), float(start[1]))
        plunges += passes
    seconds = (
        60 * travelled / machine.feed_mm_min
        + 60 * rapid / machine.rapid_mm_min
        + plunges * machine.plunge_s
    )
    return CutFigures(path, travelled, rapid, plunges, seconds)


def _clears(operation: Operation, machine: Machine) -> bool:
    """Whether the cutter takes away the whole area: a bit does in a pocket with a floor."""
    return operation.has_depth and machine.kerf is Kerf.MACHINE and machine.kerf_mm > 1.0
