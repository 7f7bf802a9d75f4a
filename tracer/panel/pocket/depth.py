"""How deep a pocket is: deep enough to hold the tool, shallow enough to take it out.

Statics used here are those of a rigid body standing on an edge: it tips when its centre of
gravity passes over that edge. Without better knowledge the centre of gravity lies at half the
tool's height above its underside and at the centroid of its outline.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from shapely.geometry import Polygon, box

from tracer.model.panel import Bay, PanelPocket, Stock
from tracer.panel.rules import Rules

__all__ = [
    "Depth",
    "Retention",
    "closing_air_mm",
    "least_clear_depth_mm",
    "propose_depth",
    "retention",
]

GRAVITY_M_S2 = 9.81
#: how much foam gives under a tool's lower edge before it carries: sets the width in contact
_GIVE_MM = 3.0
#: depths are typed into machines and read off a rule: whole millimetres
_STEP_MM = 1.0
_SURE_SIGMAS = 2.0  # 95 % of measured heights lie within


@dataclass(frozen=True)
class Depth:
    """A depth, whether it goes through to the base, the insert on its floor, and why."""

    depth_mm: float
    through: bool
    insert: Stock | None
    reason: str


def _up(value_mm: float) -> float:
    return math.ceil(value_mm / _STEP_MM - 1e-9) * _STEP_MM


def propose_depth(
    height_mm: float,
    *,
    bay: Bay,
    face_mm: float,
    stack_mm: float,
    insert: Stock | None,
    rules: Rules,
    typed_mm: float | None = None,
    through: bool | None = None,
    wants_insert: bool | None = None,
    height_sigma_mm: float = 0.0,
) -> Depth:
    """Depth of a tool's pocket, as typed or by rule.

    Parameters
    ----------
    height_mm
        Height of the tool as it lies.
    height_sigma_mm
        Its standard deviation where photos measured it: what closes over the tool closes over one
        that is two of them higher.
    face_mm, stack_mm
        Thickness of the face, and of everything from the face to the bay's floor.
    insert
        The sheet a floor insert would be cut from.
    """
    if through or (through is None and typed_mm is not None and abs(typed_mm - face_mm) < 0.05):
        return Depth(face_mm, True, None, "through, as typed")
    if typed_mm is not None and typed_mm > face_mm:
        return Depth(typed_mm, False, None, "as typed, into the base")
    if typed_mm is not None:
        chosen = insert if wants_insert is not False else None
        return Depth(typed_mm, False, _fits(chosen, typed_mm, face_mm, rules), "as typed")
    wanted = max(rules.depth_share * height_mm, rules.depth_least_mm)
    reason = f"{rules.depth_share:.0%} of the tool's height"
    if wanted == rules.depth_least_mm:
        reason = f"at least {rules.depth_least_mm:g} mm"
    if bay.clear_depth_mm is not None:
        highest = height_mm + _SURE_SIGMAS * height_sigma_mm
        to_close = stack_mm + highest + rules.closing_mm - bay.clear_depth_mm
        if to_close > wanted:
            wanted, reason = to_close, "so that it closes over the tool"
    wanted = _up(wanted)
    if through is None and wanted >= rules.through_share * face_mm:
        return Depth(face_mm, True, None, f"{reason}; through to the base")
    if wanted >= face_mm:
        return Depth(face_mm, True, None, f"{reason}; no deeper than the face")
    chosen = _fits(insert if wants_insert is not False else None, wanted, face_mm, rules)
    return Depth(wanted, False, chosen, reason)


def _fits(insert: Stock | None, depth_mm: float, face_mm: float, rules: Rules) -> Stock | None:
    """The insert where it leaves a floor of face foam under it."""
    if insert is None or depth_mm + insert.thickness_mm > face_mm - rules.floor_mm:
        return None
    return insert


def least_clear_depth_mm(
    height_mm: float, *, face_mm: float, stack_mm: float, rules: Rules
) -> float:
    """Clear depth that a tool needs to close over it: right through the face, on the base."""
    return stack_mm - face_mm + height_mm + rules.closing_mm


def closing_air_mm(pocket: PanelPocket, bay: Bay, stack_mm: float) -> float | None:
    """Air between the tool's top and what closes over it; None in an open bay."""
    if bay.clear_depth_mm is None:
        return None
    return bay.clear_depth_mm - (stack_mm + max(pocket.proud_mm, 0.0))


@dataclass(frozen=True)
class Retention:
    """What holds a tool on a wall.

    Attributes
    ----------
    behind_mm
        How far the centre of gravity lies behind the lip of the pocket; negative: it falls out.
    lever_mm
        Height of the centre of gravity above the lip that carries it.
    lean_deg
        How far wall and panel may lean forward before the tool tips out.
    bearing_kpa
        Pressure on the foam below the tool; None without a mass.
    """

    behind_mm: float
    lever_mm: float
    lean_deg: float
    bearing_kpa: float | None


def retention(pocket: PanelPocket) -> Retention:
    """Statics of a tool standing in its pocket on a wall.

    Examples
    --------
    >>> from tracer.model.panel import Placement
    >>> bar = box(0, 0, 20, 200)
    >>> p = PanelPocket("T01", 1, "bar", "T01", 1, Placement(0, 0), bar, bar, bar, 0, 1, (0, 0),
    ...                 20, 15, False, mass_kg=0.6)
    >>> r = retention(p)
    >>> r.behind_mm, r.lever_mm, round(r.lean_deg, 2), round(r.bearing_kpa, 1)
    (5.0, 100.0, 2.86, 19.6)
    """
    outline: Polygon = pocket.outline
    x0, y0, x1, _ = outline.bounds
    lever = float(outline.centroid.y - y0)
    behind = pocket.depth_mm - pocket.height_mm / 2
    bearing = None
    if pocket.mass_kg is not None:
        foot = outline.intersection(box(x0, y0, x1, y0 + _GIVE_MM)).bounds
        width = foot[2] - foot[0]
        carried = min(pocket.depth_mm, pocket.height_mm)
        # N / mm^2 is MPa
        bearing = 1000 * pocket.mass_kg * GRAVITY_M_S2 / max(width * carried, 1e-9)
    return Retention(behind, lever, math.degrees(math.atan2(behind, lever)), bearing)
