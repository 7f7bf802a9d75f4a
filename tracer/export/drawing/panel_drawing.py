"""From the work on one piece to its drawings: cut lines, walls without kerf, the reference."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from shapely import affinity
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from tracer.export.drawing.aids import begun_on_a_straight
from tracer.export.drawing.cut_drawing import (
    KERF_TOLERANCE_MM,
    SPECK_MM,
    compensated,
    kerf_note,
)
from tracer.export.drawing.draw import check_shapes, region_loops
from tracer.export.drawing.lettering import lettering
from tracer.export.drawing.order import in_cutting_order
from tracer.geometry.arc_walls import smooth_arcs
from tracer.geometry.arcs import fit_arcs
from tracer.geometry.loops import moved, reversed_loop, signed_area, without_specks
from tracer.model.drawing import CutPath, Drawing, KerfNote, Layer, Loop, Operation
from tracer.model.machine import Kerf, Machine
from tracer.model.report import Check, Severity
from tracer.model.sheet import Feature, SheetWork

__all__ = ["SheetDrawings", "draw_sheet"]

#: notches, wells and inserts are made of arcs and of fitted walls: nothing is lost at this
_TOLERANCE_MM = 0.05
_OUTLINE_MM = 0.02


@dataclass(frozen=True, eq=False)
class SheetDrawings:
    """Drawings of one piece, and what the font lacked."""

    cut: Drawing
    walls: Drawing
    reference: Drawing
    checks: tuple[Check, ...]


def draw_sheet(work: SheetWork, machine: Machine) -> SheetDrawings:
    """Drawings of one piece for a machine; the window's lower left corner becomes (0, 0)."""
    bare = replace(machine, kerf=Kerf.NONE, kerf_mm=0.0)
    cut = _draw(work, machine)
    walls = cut if not kerf_note(machine).compensated_mm else _draw(work, bare)
    reference, checks = _reference(work, cut)
    return SheetDrawings(cut, walls, reference, checks)


def _size(work: SheetWork) -> tuple[float, float]:
    x0, y0, x1, y1 = work.window_mm
    return round(x1 - x0, 3), round(y1 - y0, 3)


def _draw(work: SheetWork, machine: Machine) -> Drawing:
    note = kerf_note(machine)
    x0, y0 = work.window_mm[:2]
    paths = []
    if work.edge is not None:
        ring = np.asarray(orient(work.edge).exterior.coords)[:-1, :2]
        paths.append(CutPath(moved(Loop.polygon(ring), -x0, -y0), Layer(Operation.SHEET_EDGE)))
    for feature in work.features:
        for loop, island in _loops(feature):
            # lines move into the waste: inward where the hole is wanted, outward round what is
            # kept, an island in a hole or a loose piece (whose own hole moves inward again)
            inward = note.compensated_mm * (-1 if island != feature.outward else 1)
            line = reversed_loop(loop) if signed_area(loop) < 0 else loop
            line = compensated(line, inward, feature.tolerance_mm or KERF_TOLERANCE_MM)
            line = without_specks(reversed_loop(line) if island else line, _speck(feature))
            line = begun_on_a_straight(line)
            paths.append(CutPath(moved(line, -x0, -y0), feature.layer, feature.subject_id, island))
    return Drawing(
        title=work.title,
        size_mm=_size(work),
        paths=in_cutting_order(paths),
        kerf=note,
        origin_mm=(x0, y0),
        tolerance_mm=_TOLERANCE_MM,
    )


def _speck(feature: Feature) -> float:
    """Pieces shorter than this are left out; never more than the tolerance asks for."""
    return min(SPECK_MM, feature.tolerance_mm or SPECK_MM)


def _loops(feature: Feature) -> Iterator[tuple[Loop, bool]]:
    """Loops of a feature with whether each is an island; fitted where they are not known."""
    if feature.loops:
        for loop in feature.loops:
            yield loop, signed_area(loop) < 0
        return
    region = orient(feature.region)
    for ring, island in ((region.exterior, False), *((r, True) for r in region.interiors)):
        points = np.asarray(ring.coords)[:-1, :2]
        if feature.tolerance_mm:  # a shape of its own, corners and all
            yield fit_arcs(points, feature.tolerance_mm).loop, island
        else:  # walls that run into one another: without kinks, as each by itself
            yield smooth_arcs(points, _TOLERANCE_MM), island


def _reference(work: SheetWork, cut: Drawing) -> tuple[Drawing, tuple[Check, ...]]:
    x0, y0 = work.window_mm[:2]
    paths: list[CutPath] = []
    if work.edge is None:
        paths.append(CutPath(Loop.rectangle(0, 0, *cut.size_mm), Layer(Operation.SHEET_EDGE)))
    paths += [p for p in cut.paths if p.layer.operation is Operation.SHEET_EDGE]
    for owner, outline in work.outlines:
        shape: Polygon = affinity.translate(outline, -x0, -y0)
        for loop, hole in region_loops(shape, _OUTLINE_MM):
            paths.append(CutPath(loop, Layer(Operation.OUTLINE), owner, hole))
    missing: dict[str, str] = {}
    for text in work.texts:
        letters = lettering(
            text.text, text.x_mm - x0, text.y_mm - y0, text.cap_height_mm, centred=text.centred
        )
        if letters.missing:
            missing[text.subject_id] = letters.missing
        layer = Layer(Operation.LABEL)
        paths += [
            CutPath(loop, layer, text.subject_id, signed_area(loop) < 0) for loop in letters.loops
        ]
    paths += check_shapes(cut.size_mm[0])
    checks = tuple(
        Check(
            slug="letter-missing",
            severity=Severity.WARN,
            sentence=f"{owner}: the font has no letter for '{letters}'; a box stands there.",
            remedy="Use letters of the Latin, Greek or Cyrillic alphabet for labels.",
            subject_id=owner,
        )
        for owner, letters in missing.items()
    )
    title = f"{cut.title} (reference, not to cut)"
    return replace(cut, title=title, paths=tuple(paths), kerf=KerfNote()), checks
