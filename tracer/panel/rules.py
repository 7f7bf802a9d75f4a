"""The figures behind every proposal and every check, each with its basis.

A panel plan may override any of them by name. Bases marked *common practice, no source* are
habits of the trade, to be bent with a reason.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, fields

from tracer.errors import TracerError
from tracer.model.panel import BayKind, Ply, PlyRole
from tracer.model.panel_plan import Hand
from tracer.spelling import shown

__all__ = ["TABLE", "Rule", "Rules", "rules_for"]

_HABIT = "common practice, no source"
#: names that plans of earlier versions may hold and that never had an effect
_RETIRED = frozenset({"label_strip_mm"})


@dataclass(frozen=True)
class Rule:
    """One figure: its value on a wall and in a drawer, its unit, and where it comes from."""

    wall: float
    drawer: float
    unit: str
    basis: str


TABLE: dict[str, Rule] = {
    # placement
    "gap_mm": Rule(35, 20, "mm", f"gap between tools 30-40 wall, 15-30 drawer: {_HABIT}"),
    "edge_mm": Rule(40, 20, "mm", f"tool to sheet edge 40-50 wall, 20-30 drawer: {_HABIT}"),
    "web_mm": Rule(15, 10, "mm", f"least web wanted between openings: {_HABIT}"),
    "web_least_mm": Rule(10, 10, "mm", f"no web thinner than this: {_HABIT}"),
    # depth
    "depth_share": Rule(0.7, 0.625, "", f"60-80 % of the tool wall, 50-75 % drawer: {_HABIT}"),
    "depth_share_least": Rule(0.6, 0.5, "", f"lower end of that range: {_HABIT}"),
    "depth_least_mm": Rule(15, 5, "mm", f"shallowest pocket that holds a tool: {_HABIT}"),
    "through_share": Rule(
        0.8, 0.8, "", "own choice: from this share of the face a pocket goes through to the base"
    ),
    "floor_mm": Rule(5, 3, "mm", f"least foam under a pocket: {_HABIT}"),
    "closing_mm": Rule(4, 4, "mm", f"air between tool and what closes over it, 3-5: {_HABIT}"),
    "lean_deg": Rule(
        1.0, 0.0, "deg", "own choice: walls and boards lean this much, and the tool must stay in"
    ),
    "bearing_kpa": Rule(
        20, 20, "kPa", "half the stress that squashes 33 kg/m3 foam by 25 % (its data sheet: 40)"
    ),
    # fingers
    "grip_mm": Rule(15, 15, "mm", f"a tool standing out this far needs no notch: {_HABIT}"),
    "notch_bare_mm": Rule(28, 28, "mm", f"finger notch 25-30 for bare hands: {_HABIT}"),
    "notch_gloved_mm": Rule(35, 35, "mm", f"finger notch for gloves: {_HABIT}"),
    "finger_mm": Rule(
        20, 20, "mm", "index finger breadth, adults, 16-23 (Pheasant, Bodyspace; from memory)"
    ),
    "tilt_end_mm": Rule(80, 80, "mm", f"shorter tools may be tilted out at one end: {_HABIT}"),
    # wells, inserts, corners
    "well_clear_mm": Rule(2.5, 2.5, "mm", f"wells 2-3 wider and deeper than the part: {_HABIT}"),
    "ledge_mm": Rule(3, 3, "mm", f"thinner walls between steps are cut away: {_HABIT}"),
    "corner_mm": Rule(3, 3, "mm", f"least inside radius: {_HABIT}"),
    "feature_mm": Rule(5, 5, "mm", f"smallest feature: {_HABIT}"),
    "insert_press_mm": Rule(0.2, 0.2, "mm", f"a floor insert is larger than its pocket: {_HABIT}"),
    # seeing
    "lrv_points": Rule(30, 30, "points", "BS 8300-2:2018 Annex B, as quoted by SATRA"),
    "lrv_points_bright": Rule(20, 20, "points", "same, large areas or above 200 lux"),
    "contrast_ratio": Rule(3, 3, ": 1", "WCAG 2.1 SC 1.4.11, graphics"),
    "cap_height_mm": Rule(5, 4, "mm", "letters of 1/200 of the viewing distance (from memory)"),
    # fixing, seams
    "fixing_clear_mm": Rule(25, 25, "mm", f"half the web of 50 wanted at a fixing: {_HABIT}"),
    "heavy_kg": Rule(2, 2, "kg", f"tools above this get fixings beside them: {_HABIT}"),
    "heavy_near_mm": Rule(100, 100, "mm", f"such a fixing lies this near: {_HABIT}"),
    "seam_clear_mm": Rule(10, 10, "mm", f"foam between seam and opening: {_HABIT}"),
    "seam_stagger_mm": Rule(50, 50, "mm", f"seams of neighbouring layers apart: {_HABIT}"),
    "sheet_rim_mm": Rule(5, 5, "mm", f"unused rim of a stock sheet: {_HABIT}"),
    "nest_gap_mm": Rule(8, 8, "mm", f"between inserts on their sheet: {_HABIT}"),
    # emblems, cable rooms, mounts, rest rail
    "island_mm": Rule(10, 10, "mm", f"least piece of foam kept inside an emblem: {_HABIT}"),
    "bridge_mm": Rule(
        8, 8, "mm", "own choice: bridge to a piece inside an emblem, wider than a usual cutter"
    ),
    "emblem_fixing_mm": Rule(40, 40, "mm", f"emblem clear of screws: {_HABIT}"),
    "skin_mm": Rule(10, 10, "mm", f"foam left in front of a cable: {_HABIT}"),
    "bend_diameters": Rule(
        5,
        5,
        "",
        f"least bend of a cable, its radius in diameters: {_HABIT}",
    ),
    "cable_clear_mm": Rule(2.5, 2.5, "mm", f"a cable's way 2-3 wider than the cable: {_HABIT}"),
    "coil_share": Rule(0.5, 0.5, "", f"share of a room that a coiled cable fills: {_HABIT}"),
    "air_mm": Rule(20, 20, "mm", "own choice; what the charger's maker asks for counts"),
    "pilot_share": Rule(0.7, 0.7, "", f"drill for a wood screw, share of its diameter: {_HABIT}"),
    "rail_end_mm": Rule(50, 50, "mm", f"first screw of a rail from its end: {_HABIT}"),
    # reach, shod (25 mm added), standing adults
    "reach_low_mm": Rule(
        1010, 1010, "mm", "hip of a tall man, ANSUR II (US Army 2012) 95th percentile"
    ),
    "reach_high_mm": Rule(1270, 1270, "mm", "shoulder of a short woman, ANSUR II 5th percentile"),
    "reach_top_mm": Rule(1800, 1800, "mm", "raised wrist of a short woman, ANSUR II (rounded)"),
}


@dataclass(frozen=True)
class Rules:
    """The figures in force for one panel; see `TABLE` for units and bases."""

    gap_mm: float
    edge_mm: float
    web_mm: float
    web_least_mm: float
    depth_share: float
    depth_share_least: float
    depth_least_mm: float
    through_share: float
    floor_mm: float
    closing_mm: float
    lean_deg: float
    bearing_kpa: float
    grip_mm: float
    notch_bare_mm: float
    notch_gloved_mm: float
    finger_mm: float
    tilt_end_mm: float
    well_clear_mm: float
    ledge_mm: float
    corner_mm: float
    feature_mm: float
    insert_press_mm: float
    lrv_points: float
    lrv_points_bright: float
    contrast_ratio: float
    cap_height_mm: float
    fixing_clear_mm: float
    heavy_kg: float
    heavy_near_mm: float
    seam_clear_mm: float
    seam_stagger_mm: float
    sheet_rim_mm: float
    nest_gap_mm: float
    island_mm: float
    bridge_mm: float
    emblem_fixing_mm: float
    skin_mm: float
    bend_diameters: float
    cable_clear_mm: float
    coil_share: float
    air_mm: float
    pilot_share: float
    rail_end_mm: float
    reach_low_mm: float
    reach_high_mm: float
    reach_top_mm: float

    def notch_mm(self, hand: Hand) -> float:
        """Width of a finger notch."""
        return self.notch_gloved_mm if hand is Hand.GLOVED else self.notch_bare_mm


def _web_by_thickness(plies: tuple[Ply, ...]) -> float:
    """Web for the face's thickness: a third of it from 45 kg/m3 on, half of it below.

    Common practice, no source. Where the density is not known, the firmer grade is assumed and
    nothing is added for a face up to 30 mm.
    """
    face = [p.stock for p in plies if p.role is PlyRole.FACE]
    thickness = sum(s.thickness_mm for s in face)
    soft = any(s.density_kg_m3 is not None and s.density_kg_m3 < 45 for s in face)
    return thickness / (2 if soft else 3)


def rules_for(
    kind: BayKind, plies: tuple[Ply, ...] = (), overrides: Mapping[str, float] | None = None
) -> Rules:
    """The figures for a bay and a stack, single ones overridden by name.

    Raises
    ------
    TracerError
        ``panel-rule-unknown`` with the nearest name.
    """
    values = {n: r.wall if kind is BayKind.WALL else r.drawer for n, r in TABLE.items()}
    if kind is BayKind.WALL:
        values["web_mm"] = max(values["web_mm"], round(_web_by_thickness(plies), 1))
    for name, value in (overrides or {}).items():
        if name in _RETIRED:
            continue
        if name not in values:
            near = difflib.get_close_matches(name, values, 1)
            hint = f"Did you mean {near[0]}?" if near else f"Known are: {', '.join(values)}."
            raise TracerError("panel-rule-unknown", f"There is no rule called {shown(name)}.", hint)
        values[name] = float(value)
    return Rules(**{f.name: values[f.name] for f in fields(Rules)})
