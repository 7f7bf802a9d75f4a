"""A new pocket that does not fit among the others: said, with the least change that makes room."""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from tracer.geometry.rings import largest_polygon
from tracer.model.panel import Panel, PanelPocket
from tracer.model.report import Check, Severity
from tracer.panel.fittings.openings import beside_pockets, opening
from tracer.panel.rules import Rules
from tracer.panel.swap.make_room import LEAST_MM, make_room

__all__ = ["room_checks"]

#: gaps that are the same
_SAME_MM = 0.05


def room_checks(
    panel: Panel, old: PanelPocket | None, new: PanelPocket, rules: Rules
) -> list[Check]:
    """A finding where a new pocket lies nearer to others or the rim than foam holds.

    What lay that near before, seen from the old pocket, is not the new tool's fault.

    Parameters
    ----------
    panel
        With the new pocket in its place.
    old, new
        The pocket before (None: there was none), and as it stands in the panel.
    """
    index = [p.pocket_id for p in panel.pockets].index(new.pocket_id)
    openings = [largest_polygon(opening(p)) for p in panel.pockets]
    before = None if old is None else opening(old)

    def was(shape: BaseGeometry) -> float:
        return math.inf if before is None else float(shape.distance(before))

    near: list[tuple[float, str]] = []
    for k, (pocket, other) in enumerate(zip(panel.pockets, openings, strict=True)):
        gap = float(openings[index].distance(other))
        if k != index and gap < min(rules.web_least_mm, was(other)) - _SAME_MM:
            near.append((gap, f"{pocket.pocket_id} {pocket.name}"))
    rim = panel.shape.exterior
    within = panel.shape.contains(openings[index])
    gap = float(rim.distance(openings[index])) if within else 0.0
    if gap < min(rules.web_least_mm, was(rim)) - _SAME_MM:
        near.append((gap, "the panel's edge"))
    if old is None:
        there = [float(openings[index].distance(shape)) for shape in beside_pockets(panel)]
        near += [(g, "what else the panel has") for g in there if g < rules.web_least_mm - _SAME_MM]
    if not near:
        return []
    gap, whom = min(near)
    remedy = "Move it to where there is room."
    if old is not None:
        fixed = [*beside_pockets(panel), *(shapely.Point(f.x_mm, f.y_mm) for f in panel.fixings)]
        shifts = make_room(openings, panel.shape, rules.web_least_mm, rules.web_least_mm, fixed)
        remedy = _remedy(panel, shifts)
    return [
        Check(
            "swap-needs-room",
            Severity.WARN,
            f"The new pocket of {new.pocket_id} {new.name} lies {gap:.0f} mm from {whom}, less "
            f"than the {rules.web_least_mm:g} mm of foam that hold.",
            remedy,
            subject_id=new.pocket_id,
            value=round(gap, 1),
            limit=rules.web_least_mm,
            unit="mm",
        )
    ]


def _remedy(panel: Panel, shifts: np.ndarray[tuple[int, int], np.dtype[np.float64]] | None) -> str:
    """The moves that make room, as words and as lines of the plan."""
    if shifts is None:
        return (
            "The others cannot give way far enough: lay the panel out afresh, or take a larger bay."
        )
    words, lines = [], []
    for pocket, (x, y) in zip(panel.pockets, shifts.tolist(), strict=True):
        if np.hypot(x, y) <= LEAST_MM:
            continue
        ways = [
            f"{abs(v):.1f} mm {positive if v > 0 else negative}"
            for v, positive, negative in ((x, "right", "left"), (y, "up", "down"))
            if abs(v) >= _SAME_MM
        ]
        words.append(f"{pocket.pocket_id} {' and '.join(ways)}")
        x0, y0, x1, y1 = pocket.region.bounds
        lines.append(
            f'{{ pocket_id = "{pocket.pocket_id}", x_mm = {(x0 + x1) / 2 + x:.1f}, '
            f"y_mm = {(y0 + y1) / 2 + y:.1f} }}"
        )
    return (
        f"The least change that makes room: {', '.join(words)}. It takes a new panel: write "
        f"moves = [{', '.join(lines)}] at the top of panel.toml, beside moves that are there, "
        "arrange and cut again."
    )
