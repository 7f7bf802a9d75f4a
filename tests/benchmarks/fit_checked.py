"""A maker tries each tool on its printed template: the gaps that would be read, typed back.

The true tool lies on the printed wall where it fits best; at each lettered mark its gap to the line
is read with an error of a third of a millimetre, to half a millimetre. Both are own assumptions.
"""

from __future__ import annotations

import zlib
from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry import Polygon

from tests.benchmarks.fit_lays import TracedLay
from tests.benchmarks.fit_motion import seat
from tests.benchmarks.fit_walls import CutTool
from tracer.model.outline import Outline
from tracer.model.reading import EdgeReading
from tracer.panel.pocket.readings import edge_marks, gap_at, with_readings

__all__ = ["checked"]

EYE_MM, STEP_MM = 0.33, 0.5
#: a gap larger than this is no reading of an edge: the tool has no part there
MOST_MM = 10.0


def checked(lay: TracedLay, cut: list[CutTool]) -> TracedLay:
    """The lay after each of its tools was tried on its wall."""
    walls = {c.outline_id: c.region for c in cut}
    rng = np.random.default_rng(zlib.crc32(lay.lay.name.encode()))
    now: dict[str, Outline] = {}
    for pair in lay.pairs:
        outline = pair.outline
        if outline is not None and (wall := walls.get(outline.outline_id)) is not None:
            tool = seat(pair.true.outline, wall).tool
            now[outline.outline_id] = _read(outline, _whole(wall), _whole(tool), rng)
    return replace(
        lay,
        outlines=tuple(now.get(o.outline_id, o) for o in lay.outlines),
        pairs=tuple(
            replace(p, outline=now.get(p.outline.outline_id, p.outline)) if p.outline else p
            for p in lay.pairs
        ),
    )


def _whole(region: shapely.Geometry) -> Polygon:
    parts = [p for p in shapely.get_parts(region).tolist() if isinstance(p, Polygon)]
    return Polygon(max(parts, key=lambda p: p.area).exterior)


def _read(outline: Outline, wall: Polygon, tool: Polygon, rng: np.random.Generator) -> Outline:
    readings = []
    for mark in edge_marks(outline.region):
        line, edge = gap_at(mark, wall), gap_at(mark, tool)
        eye = EYE_MM * float(rng.standard_normal())
        gap = STEP_MM * round((line - edge + eye) / STEP_MM)
        if abs(gap) > MOST_MM:
            continue
        out = line - gap
        place = mark.x_mm + out * mark.out_x, mark.y_mm + out * mark.out_y
        readings.append(EdgeReading(mark.letter, *place, gap))
    return with_readings(outline, readings)[0]
