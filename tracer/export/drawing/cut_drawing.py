"""From pockets to the drawing that is cut, and the reference drawing beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry import LinearRing, Point, Polygon

from tracer.export.drawing.aids import begun_on_a_straight
from tracer.export.drawing.draw import check_shapes, region_loops
from tracer.export.drawing.lettering import lettering, text_width_mm
from tracer.export.drawing.order import in_cutting_order
from tracer.geometry.arcs import fit_arcs
from tracer.geometry.loops import (
    flatten,
    moved,
    parallel,
    polygon_of,
    reversed_loop,
    signed_area,
    without_specks,
)
from tracer.geometry.offset import grown
from tracer.geometry.rings import largest_polygon, polygons_in
from tracer.model.drawing import CutPath, Drawing, KerfNote, Layer, Loop, Operation
from tracer.model.machine import Kerf, Machine
from tracer.model.pocket import Pocket
from tracer.model.report import Check, Severity

__all__ = [
    "KERF_TOLERANCE_MM",
    "SPECK_MM",
    "compensated",
    "draw_cut",
    "draw_reference",
    "kerf_note",
    "pocket_layer",
]

#: distance between a compensated line and the exact parallel of the wall
KERF_TOLERANCE_MM = 0.02
#: pieces shorter than this make machines stutter; nothing is lost by leaving them out
SPECK_MM = 0.03
_CAP_MM = 5.0


def kerf_note(machine: Machine) -> KerfNote:
    """What is done about the machine's kerf in the file."""
    in_file = machine.kerf is Kerf.FILE and machine.kerf_mm > 0
    return KerfNote(machine.kerf_mm, machine.kerf_mm / 2 if in_file else 0.0)


def compensated(loop: Loop, inward_mm: float, tolerance_mm: float = KERF_TOLERANCE_MM) -> Loop:
    """The loop moved inward (outward when negative) so that the finished wall is the loop.

    Piece by piece where that is the parallel line: as many pieces, as smooth as the wall. Where
    pieces would vanish or cross, the parallel is fitted anew; it then errs towards a larger
    opening, by at most twice the tolerance.
    """
    if not inward_mm:
        return loop
    region = polygon_of(loop, 0.002)
    shrunk = largest_polygon(grown(region, -inward_mm + tolerance_mm))
    if shrunk.is_empty:
        return loop
    exact = parallel(loop, inward_mm)
    if exact is not None and _close(
        exact, largest_polygon(grown(region, -inward_mm)), tolerance_mm
    ):
        return exact
    points = np.asarray(shrunk.exterior.coords)[:-1, :2]
    fitted = fit_arcs(points, tolerance_mm).loop
    # the loop's own sign: a polygon made of it would come back turned the usual way round
    return fitted if signed_area(fitted) > 0 else reversed_loop(fitted)


def _close(loop: Loop, region: Polygon, tolerance_mm: float) -> bool:
    """Whether a loop runs along a region's rim to within the tolerance."""
    ring, rim = LinearRing(flatten(loop, 0.002)), LinearRing(region.exterior)
    if not ring.is_simple:
        return False
    there = shapely.distance(shapely.points(shapely.get_coordinates(ring)), rim)
    back = shapely.distance(shapely.points(shapely.get_coordinates(rim)), ring)
    return bool(max(there.max(), back.max()) <= tolerance_mm)


def pocket_layer(pocket: Pocket) -> Layer:
    """Layer of a pocket's wall."""
    if pocket.rule.depth_mm is None:
        return Layer(Operation.THROUGH)
    return Layer(Operation.POCKET, pocket.rule.depth_mm)


def draw_cut(
    pockets: Sequence[Pocket],
    *,
    title: str,
    origin_mm: tuple[float, float],
    size_mm: tuple[float, float],
    machine: Machine,
) -> Drawing:
    """Everything that is cut, and nothing else.

    Parameters
    ----------
    origin_mm
        Lower left corner of the sheet in the pockets' frame; it becomes (0, 0).
    """
    note = kerf_note(machine)
    dx, dy = -origin_mm[0], -origin_mm[1]
    paths = [CutPath(Loop.rectangle(0, 0, *size_mm), Layer(Operation.SHEET_EDGE))]
    for pocket in pockets:
        layer = pocket_layer(pocket)
        wall = compensated(pocket.wall, note.compensated_mm)
        lines = [(wall, False)]
        for island in pocket.islands:
            line = compensated(reversed_loop(island), -note.compensated_mm)
            lines.append((reversed_loop(line), True))
        for line, is_island in lines:
            loop = moved(begun_on_a_straight(without_specks(line, SPECK_MM)), dx, dy)
            paths.append(CutPath(loop, layer, pocket.pocket_id, is_island))
    return Drawing(
        title=title,
        size_mm=size_mm,
        paths=in_cutting_order(paths),
        kerf=note,
        origin_mm=origin_mm,
        tolerance_mm=max([p.rule.tolerance_mm for p in pockets], default=0.0),
    )


def _label_place(pocket: Pocket, width_mm: float) -> tuple[float, float]:
    """Centre of a label inside the outline's thickest part, at base line height."""
    outline = max(polygons_in(pocket.outline), key=lambda p: p.area)
    place = outline.representative_point()
    middle = outline.centroid
    if outline.contains(middle.buffer(max(width_mm / 2, 1.0))):
        place = Point(middle)
    return place.x, place.y - _CAP_MM / 2


def draw_reference(
    pockets: Sequence[Pocket], cut: Drawing, *, numbers: bool = True
) -> tuple[Drawing, tuple[Check, ...]]:
    """True outlines, labels and check shapes on the same sheet: to look at, not to cut."""
    dx, dy = -cut.origin_mm[0], -cut.origin_mm[1]
    paths = [CutPath(Loop.rectangle(0, 0, *cut.size_mm), Layer(Operation.SHEET_EDGE))]
    missing: dict[str, str] = {}
    for pocket in pockets:
        for part in polygons_in(pocket.outline):
            for loop, is_hole in region_loops(part, 0.02):
                outline = Layer(Operation.OUTLINE)
                paths.append(CutPath(moved(loop, dx, dy), outline, pocket.pocket_id, is_hole))
        text = pocket.pocket_id
        if numbers:
            x, y = _label_place(pocket, text_width_mm(text, _CAP_MM))
            letters = lettering(text, x + dx, y + dy, _CAP_MM, centred=True)
            if letters.missing:
                missing[pocket.pocket_id] = letters.missing
            label = Layer(Operation.LABEL)
            paths += [CutPath(loop, label, text, signed_area(loop) < 0) for loop in letters.loops]
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
    drawing = replace(
        cut, title=f"{cut.title} (reference, not to cut)", paths=tuple(paths), kerf=KerfNote()
    )
    return drawing, checks
