"""Numbers of what a panel has beside pockets, in plans and in the files that keep it."""

from __future__ import annotations

from tracer.ranges.span import ANYWHERE, MASS, PLACE, SIDE, TURN, Range

__all__ = ["FITTINGS", "FITTING_RULES", "KEPT_FITTINGS"]

_KEPT = Range(0, 20_000, "mm")
#: from a needle to a pipe
_DRILL = Range(0.3, 200, "mm")

#: keys of a panel's plan, by their table
FITTINGS: dict[str, Range] = {
    **{
        f"{table}.{axis}_mm": PLACE
        for table in ("emblems", "cavities", "mounts", "ledges")
        for axis in "xy"
    },
    **dict.fromkeys(("emblems.within_mm", "cavities.path_mm", "cavities.exit_mm"), PLACE),
    **dict.fromkeys(("emblems.turn_deg", "cavities.start_deg", "mounts.turn_deg"), TURN),
    **{
        f"{table}.{side}_mm": SIDE
        for table in ("emblems", "mounts", "ledges")
        for side in ("width", "height")
    },
    **{f"steps.{axis}_mm": Range(-1000, 6000, "mm") for axis in "xy"},
    **{f"steps.{side}_mm": Range(0.5, 2000, "mm") for side in ("width", "height")},
    "steps.under_mm": Range(0.5, 200, "mm"),
    "emblems.depth_mm": Range(0.5, 500, "mm"),
    "emblems.press_mm": Range(-1, 2, "mm"),
    "cavities.cable_mm": Range(0.5, 60, "mm"),
    "cavities.length_mm": Range(0, 20_000, "mm"),
    "cavities.radius_mm": Range(1, 3000, "mm"),
    "cavities.sweep_deg": Range(1, 360, "deg"),
    "cavities.width_mm": Range(1, 1000, "mm"),
    "cavities.skin_mm": Range(1, 500, "mm"),
    "holes.x_mm": Range(-3000, 3000, "mm"),
    "holes.y_mm": Range(-3000, 3000, "mm"),
    "holes.diameter_mm": _DRILL,
    "mounts.air_mm": Range(0, 500, "mm"),
    "mounts.count": Range(1, 100, whole=True),
    "mounts.pitch_mm": Range(1, 6000, "mm"),
    "mounts.mass_kg": MASS,
    "mounts.pilot_mm": _DRILL,
    "mounts.cable_mm": Range(0.5, 60, "mm"),
    "ledges.out_mm": Range(1, 2000, "mm"),
    "ledges.mass_kg": MASS,
    "ledges.lift_mm": Range(0, 2000, "mm"),
    "ledges.swing_mm": Range(0, 2000, "mm"),
    "rail.thickness_mm": Range(3, 300, "mm"),
    "rail.height_mm": Range(5, 500, "mm"),
    "rail.length_mm": Range(20, 12_000, "mm"),
    "rail.pitch_mm": Range(20, 2000, "mm"),
    "rail.hole_mm": _DRILL,
}

#: the same in ``panel.json``
KEPT_FITTINGS: dict[str, Range] = {
    "inlay.depth_mm": _KEPT,
    "inlay.press_mm": Range(-10, 10, "mm"),
    "cavity.cable_mm": _KEPT,
    "cavity.length_mm": Range(0, 1e6, "mm"),
    "cavity.bend_mm": Range(0, 1e6, "mm"),
    **dict.fromkeys(("drill.x_mm", "drill.y_mm", "kept_rail.x_mm"), ANYWHERE),
    **dict.fromkeys(("drill.diameter_mm", "drill.pilot_mm"), _KEPT),
    "mount.air_mm": _KEPT,
    "ledge.out_mm": _KEPT,
    **dict.fromkeys(("mount.mass_kg", "ledge.mass_kg"), MASS),
    "kept_rail.load_kg": Range(0, 1e6, "kg"),
    **dict.fromkeys(
        ("kept_rail.length_mm", "kept_rail.thickness_mm", "kept_rail.height_mm"), _KEPT
    ),
}

#: single figures of a plan's table ``rules``
FITTING_RULES: dict[str, Range] = {
    "island_mm": Range(0, 500, "mm"),
    "bridge_mm": Range(1, 100, "mm"),
    "emblem_fixing_mm": Range(0, 500, "mm"),
    "skin_mm": Range(1, 200, "mm"),
    "bend_diameters": Range(1, 50),
    "cable_clear_mm": Range(0, 50, "mm"),
    "coil_share": Range(0.05, 1),
    "air_mm": Range(0, 500, "mm"),
    "pilot_share": Range(0.3, 1),
    "rail_end_mm": Range(5, 500, "mm"),
}
