"""Holds a finished panel against the hard rules, with shapely's distances and no code of the
layouts' search.

The figures are those of the rules table; the tolerance is the tenth of a millimetre that places
are written to.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import shapely
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

from tracer.model.panel import Panel, PanelPocket, PlyRole
from tracer.panel.rules import Rules

TENTH_MM = 0.1


def cut(pocket: PanelPocket) -> BaseGeometry:
    """Everything that is cut for a pocket."""
    parts = [pocket.region, *(w.region for w in pocket.wells), *(n.region for n in pocket.notches)]
    return shapely.union_all(parts)


def letters(pocket: PanelPocket) -> BaseGeometry | None:
    """Box of a label: 0.86 cap heights a letter, a third below the base line."""
    label = pocket.label
    if label is None:
        return None
    cap = label.cap_height_mm
    width = 0.86 * cap * len(label.text)
    return box(label.x_mm, label.y_mm - 0.35 * cap, label.x_mm + width, label.y_mm + cap)


def violations(
    panel: Panel,
    rules: Rules,
    *,
    gap_mm: float,
    edge_mm: float,
    locked: Mapping[str, tuple[float, float]] | None = None,
) -> list[str]:
    """Broken hard rules in words; an empty list for a sound layout."""
    found: list[str] = []
    slots = [
        {p.pocket_id, *n.shared_with} for p in panel.pockets for n in p.notches if n.shared_with
    ]
    locked = locked or {}

    def less(what: str, value: float, limit: float) -> None:
        if value < limit - TENTH_MM:
            found.append(f"{what}: {value:.2f} < {limit:g}")

    for a, b in combinations(panel.pockets, 2):
        pair = f"{a.pocket_id}-{b.pocket_id}"
        if {a.pocket_id, b.pocket_id} <= set(locked):
            continue  # both were put there by hand
        less(f"gap {pair}", a.region.distance(b.region), gap_mm)
        if not any({a.pocket_id, b.pocket_id} <= s for s in slots):
            less(f"web {pair}", cut(a).distance(cut(b)), rules.web_mm)
        for one, other in ((a, b), (b, a)):
            area = letters(one)
            if area is not None:
                less(f"label {one.pocket_id} to {other.pocket_id}", area.distance(cut(other)), 1.98)
        if a.label and b.label:
            less(f"labels {pair}", letters(a).distance(letters(b)), 1.98)
    rim = panel.shape.exterior
    for p in panel.pockets:
        if not panel.shape.contains(cut(p)):
            found.append(f"{p.pocket_id} leaves the panel")
        if p.pocket_id not in locked:
            less(f"edge {p.pocket_id}", rim.distance(p.region), edge_mm)
            less(f"rim {p.pocket_id}", rim.distance(cut(p)), rules.web_least_mm)
        else:
            x0, y0, x1, y1 = p.region.bounds
            x, y = locked[p.pocket_id]
            if abs((x0 + x1) / 2 - x) > TENTH_MM or abs((y0 + y1) / 2 - y) > TENTH_MM:
                found.append(f"{p.pocket_id} was moved")
        for keep in panel.keep_outs:
            if p.pocket_id not in locked:
                less(f"{keep.name} {p.pocket_id}", keep.region.distance(cut(p)), rules.web_mm)
        floor = panel.bay.above_floor_mm
        if floor is not None and p.mass_kg is not None and p.mass_kg >= rules.heavy_kg:
            middle = (p.region.bounds[1] + p.region.bounds[3]) / 2 + floor
            if middle > rules.reach_high_mm + TENTH_MM and p.pocket_id not in locked:
                found.append(f"heavy {p.pocket_id} hangs {middle:.0f} mm high")
    for slab in panel.slabs:
        if slab.plies[0].role is not PlyRole.FACE:
            continue
        tiles = [t.region for t in panel.tiles if t.slab == slab.index]
        for a, b in combinations(tiles, 2):
            seam = a.intersection(b)
            if seam.length > 1.0:
                for p in panel.pockets:
                    less(f"seam {p.pocket_id}", seam.distance(cut(p)), rules.seam_clear_mm)
    return found
