"""The hard rules between placed shapes, for benchmarks that lay out thousands: shapely's distances
between openings, cuts and labels, none of the search's own tests or grown shapes.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import NamedTuple

from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.panel.rules import Rules

TENTH_MM = 0.1
AIR_MM, LETTER_RIM_MM = 2.0, 5.0


class Placed(NamedTuple):
    """A tool in the bay: its opening, all that is cut for it, and the room of its label."""

    name: str
    opening: BaseGeometry
    cuts: BaseGeometry
    label: BaseGeometry


def broken(
    placed: Sequence[Placed], bay: Polygon, rules: Rules, gap_mm: float, edge_mm: float
) -> list[str]:
    """Broken rules in words."""
    found = []

    def less(what: str, value: float, limit: float) -> None:
        if value < limit - TENTH_MM:
            found.append(f"{what}: {value:.2f} < {limit:g}")

    for a, b in combinations(placed, 2):
        pair = f"{a.name}-{b.name}"
        less(f"gap {pair}", a.opening.distance(b.opening), gap_mm)
        less(f"web {pair}", a.cuts.distance(b.cuts), rules.web_mm)
        for one, other in ((a, b), (b, a)):
            if not one.label.is_empty:
                less(f"label {one.name}-{other.name}", one.label.distance(other.cuts), AIR_MM)
        if not a.label.is_empty and not b.label.is_empty:
            less(f"labels {pair}", a.label.distance(b.label), AIR_MM)
    for p in placed:
        for what, shape, limit in (
            ("edge", p.opening, edge_mm),
            ("rim", p.cuts, rules.web_least_mm),
            ("label rim", p.label, LETTER_RIM_MM),
        ):
            if shape.is_empty:
                continue
            if not bay.contains(shape):
                found.append(f"{what} {p.name}: outside")
            else:
                less(f"{what} {p.name}", bay.exterior.distance(shape), limit)
    return found
