"""Tiles larger than the machine's bed: cut part by part, registered again by two pins.

After one part is cut, the sheet is pushed along the fence until its two pin holes stand over the
bed's pins again. Both positions must reach both holes, so they lie where the two positions of the
bed overlap: in waste where there is some, else in the rim.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import shapely
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

from tracer.panel.rules import Rules
from tracer.panel.stock.seams import split_slab

__all__ = ["Section", "bed_sections"]

Box = tuple[float, float, float, float]
Pin = tuple[float, float]

#: a pin of 6 mm and foam around it
_PIN_ROOM_MM = 8.0
_RIM_MM = 12.0
#: foam that is left between two pin holes, and the least base by which two pins steer a sheet
_PINS_APART_MM = 40.0


@dataclass(frozen=True, eq=False)
class Section:
    """What is cut with the sheet in one position.

    Attributes
    ----------
    cell
        Its features lie in here.
    window_mm
        What lies on the bed, at least the cell; panel frame.
    pins_mm
        Centres of the holes it shares with its neighbours.
    """

    number: int
    cell: Polygon
    window_mm: Box
    pins_mm: tuple[Pin, ...]


def bed_sections(
    tile: Polygon,
    bed_mm: tuple[float, float],
    openings: Sequence[BaseGeometry],
    rules: Rules,
) -> list[Section]:
    """Sections of a tile; one for a tile that fits, none where no free line parts it.

    The dividing lines are not cut; openings keep clear of them by the rule for seams.
    """
    x0, y0, x1, y1 = tile.bounds
    parts = split_slab(tile, bed_mm, openings, rules=rules)
    if parts is None:
        return []
    if len(parts) == 1:
        return [Section(1, tile, tile.bounds, ())]
    # two positions of the bed must overlap by so much that the same pins stand in both
    width, height = (side - 3 * _PIN_ROOM_MM for side in bed_mm)
    parts = split_slab(tile, (width, height), openings, rules=rules)
    if parts is None:
        return []
    lines = [p.bounds for p, _ in parts]
    if any(_crossed(o, lines) for o in openings):
        return []
    sections = []
    for number, (cell, turned) in enumerate(parts, start=1):
        limit = bed_mm[::-1] if turned else bed_mm
        window = _window(cell.bounds, (x0, y0, x1, y1), limit)
        sections.append(Section(number, cell, window, ()))
    pins: dict[int, list[Pin]] = {}
    taken: list[Pin] = []
    for i, a in enumerate(sections):
        for j in range(i + 1, len(sections)):
            b = sections[j]
            if a.cell.intersection(b.cell).length > 1.0:
                shared = _pins(a, b, tile, openings, taken)
                taken += [p for p in shared if p not in taken]
                pins.setdefault(i, []).extend(shared)
                pins.setdefault(j, []).extend(shared)
    return [
        replace(s, pins_mm=tuple(dict.fromkeys(pins.get(i, ())))) for i, s in enumerate(sections)
    ]


def _crossed(opening: BaseGeometry, cells: Sequence[Box]) -> bool:
    return sum(box(*c).intersection(opening).area > 1.0 for c in cells) > 1


def _window(cell: Box, whole: Box, limit: tuple[float, float]) -> Box:
    """The bed around a cell: as much of the sheet as fits, evenly on both sides."""
    out = list(cell)
    for a in (0, 1):
        spare = min(limit[a], whole[a + 2] - whole[a]) - (cell[a + 2] - cell[a])
        before = min(spare / 2, cell[a] - whole[a])
        after = min(spare - before, whole[a + 2] - cell[a + 2])
        before = min(spare - after, cell[a] - whole[a])
        out[a], out[a + 2] = cell[a] - before, cell[a + 2] + after
    return out[0], out[1], out[2], out[3]


def _pins(
    a: Section, b: Section, tile: Polygon, openings: Sequence[BaseGeometry], taken: Sequence[Pin]
) -> list[Pin]:
    """The two places farthest apart that both positions of the bed reach.

    Holes that other positions use already are taken again, and new ones keep well off them: two
    holes side by side would tear into one.
    """
    both = box(*a.window_mm).intersection(box(*b.window_mm))
    waste = [
        p
        for o in openings
        if not (spot := o.buffer(-_PIN_ROOM_MM).intersection(both)).is_empty
        for p in [spot.representative_point()]
    ]
    rim = tile.buffer(-_RIM_MM).intersection(both.buffer(-_PIN_ROOM_MM))
    rx0, ry0, rx1, ry1 = rim.bounds
    at = [] if rim.is_empty else [(rx0, ry0), (rx1, ry0), (rx1, ry1), (rx0, ry1)]
    opened = shapely.union_all(list(openings))
    corners = [p for c in at if not opened.dwithin(p := shapely.Point(c), _PIN_ROOM_MM)]
    used = [p for t in taken if both.buffer(-_PIN_ROOM_MM).covers(p := shapely.Point(t))]
    spots = waste if len(waste) >= 2 else [*waste, *corners]
    spots = [s for s in spots if all(s.distance(shapely.Point(t)) >= _PINS_APART_MM for t in taken)]
    spots = [*used, *spots]
    pairs = [
        (p.distance(q), i, j) for i, p in enumerate(spots) for j, q in enumerate(spots) if i < j
    ]
    pairs = [pair for pair in pairs if pair[0] >= _PINS_APART_MM]
    if not pairs:
        return []
    _, i, j = max(pairs, key=lambda t: (round(t[0], 6), -t[1], -t[2]))
    return [(round(spots[k].x, 2), round(spots[k].y, 2)) for k in (i, j)]
