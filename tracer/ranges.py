"""Every number that a person or a file may give, with its range and unit: one table.

The readers of options, panel plans, machine profiles, tool lists and job files refuse what lies
outside; ``docs/reference/ranges.md`` is made from this table. A range is where a value makes sense
at all on a workshop's bench: what is unwise within it is a finding, not a refusal.
Work is bounded by these ranges: nothing is computed, drawn or allocated before they are held.
"""

from __future__ import annotations

from dataclasses import dataclass

from tracer.errors import UsageError
from tracer.spelling import plain, shown

__all__ = [
    "COUNTS",
    "JOB",
    "LONGEST_TEXT",
    "MOST_BYTES",
    "OPTIONS",
    "PLAN",
    "PROFILE",
    "RULES",
    "TOOL_LIST",
    "Range",
    "checked_option",
    "shown",
]


@dataclass(frozen=True)
class Range:
    """Least and greatest value, both allowed, and their unit (empty: a plain number).

    Examples
    --------
    >>> 0.0 in Range(0, 500, "mm"), float("inf") in Range(0, 500, "mm")
    (True, False)
    >>> Range(1, 1000, whole=True).words
    'a whole number from 1 to 1000'
    """

    low: float
    high: float
    unit: str = ""
    whole: bool = False

    def __contains__(self, value: object) -> bool:
        if not isinstance(value, int | float) or isinstance(value, bool):
            return False
        # compared before anything is turned into a float: a whole number may be too long for one
        return self.low <= value <= self.high and (not self.whole or value == int(value))

    @property
    def span(self) -> str:
        """``0 to 500 mm``."""
        return f"{plain(self.low)} to {plain(self.high)} {self.unit}".strip()

    @property
    def words(self) -> str:
        """``a number from 0 to 500 mm``."""
        return f"a {'whole ' if self.whole else ''}number from {self.span}"


#: ten times around a workshop's wall: farther away nothing of a job can lie
_PLACE = Range(-20_000, 20_000, "mm")
_TURN = Range(-360, 360, "deg")
_PIXEL = Range(-200_000, 200_000, "px")
_SIDE = Range(1, 6000, "mm")
_HEIGHT = Range(0, 500, "mm")
_ANYWHERE = Range(-1e6, 1e6, "mm")
_MASS = Range(0, 1000, "kg")
_CARD = Range(50, 1000, "mm")
_CAMERA = Range(50, 20_000, "mm")

#: options of the command line
OPTIONS: dict[str, Range] = {
    "--numbers": Range(0, 47, whole=True),
    "--per-page": Range(1, 2, whole=True),
    "--mat": Range(100, 5000, "mm"),
    "--card-size": _CARD,
    "--camera-height": _CAMERA,
    "--card-thickness": Range(0, 30, "mm"),
    "--height": _HEIGHT,
    "--keep": _PIXEL,
    "--drop": _PIXEL,
    "--split": _PIXEL,
    "--within": _PIXEL,
    "--point": _PIXEL,
    "--bay": Range(20, 6000, "mm"),
    "--clear-depth": Range(1, 1000, "mm"),
    "--diagonals": Range(20, 9000, "mm"),
    "--squeeze": Range(-50, 50, "mm"),
    "--above-floor": Range(0, 5000, "mm"),
    "--max-shift": Range(0, 1000, "mm"),
    "--edge": Range(0, 1000, "mm"),
    "--turn": _TURN,
    "--choice": Range(1, 3, whole=True),
    "--gap": Range(0, 500, "mm"),
    "--seed": Range(0, 1_000_000, whole=True),
    "--thickness": Range(0.1, 500, "mm"),
    "--depth": Range(0.1, 500, "mm"),
    "--fit-mm": Range(-5, 20, "mm"),
    "--fit-probability": Range(0.001, 0.9999),
    "--loosest": Range(0.1, 50, "mm"),
    "--margin": Range(0.1, 1000, "mm"),
    "--printed": Range(98, 102, "mm"),
    "--square": Range(1, 5000, "mm"),
    "--diameter": Range(5, 60, "mm"),
    "--strips": Range(50, 105, "mm"),
    "--strips-below": Range(50, 105, "mm"),
    "--hole": Range(1, 10, whole=True),
    "--copies": Range(1, 200, whole=True),
    "--lay": Range(1, 1000, whole=True),
    "--shift": _PLACE,
    "--at": _PLACE,
    "--back-to": Range(1, 1_000_000, whole=True),
    "--port": Range(0, 65_535, whole=True),
    "--workers": Range(1, 1024, whole=True),
    "--memory": Range(200, 1_000_000, "MB"),
    "--at-most": Range(1, 86_400, "s"),
}

#: keys of a panel's plan, by their table
PLAN: dict[str, Range] = {
    "fit_probability": Range(0.001, 0.9999),
    "loosest_mm": Range(0.1, 50, "mm"),
    "bay.width_mm": Range(20, 6000, "mm"),
    "bay.height_mm": Range(20, 6000, "mm"),
    "bay.clear_depth_mm": Range(1, 1000, "mm"),
    "bay.top_mm": Range(20, 6000, "mm"),
    "bay.right_mm": Range(20, 6000, "mm"),
    "bay.rising_mm": Range(20, 9000, "mm"),
    "bay.falling_mm": Range(20, 9000, "mm"),
    "bay.squeeze_mm": Range(-50, 50, "mm"),
    "bay.above_floor_mm": Range(0, 5000, "mm"),
    "plies.thicknesses_mm": Range(0.1, 500, "mm"),
    "stock.rgb": Range(0, 255, whole=True),
    "stock.thickness_mm": Range(0.1, 500, "mm"),
    "stock.size_mm": Range(20, 10_000, "mm"),
    "stock.density_kg_m3": Range(1, 10_000, "kg/m3"),
    "stock.price": Range(0, 10_000_000),
    "placement.edge_mm": Range(0, 1000, "mm"),
    "placement.turn_deg": _TURN,
    "placement.max_shift_mm": Range(0, 1000, "mm"),
    "placement.max_turn_deg": Range(0, 180, "deg"),
    "placement.choice": Range(1, 3, whole=True),
    "placement.gap_mm": Range(0, 500, "mm"),
    "placement.seed": Range(0, 1_000_000, whole=True),
    "placement.weights": Range(0, 1000),
    "tools.depth_mm": _HEIGHT,
    "tools.mass_kg": _MASS,
    "wells.x_mm": Range(-1000, 6000, "mm"),
    "wells.y_mm": Range(-1000, 6000, "mm"),
    "wells.width_mm": Range(0.5, 2000, "mm"),
    "wells.height_mm": Range(0.5, 2000, "mm"),
    "wells.reach_mm": Range(0, 500, "mm"),
    "notches.x_mm": Range(-1000, 6000, "mm"),
    "notches.y_mm": Range(-1000, 6000, "mm"),
    "moves.x_mm": _PLACE,
    "moves.y_mm": _PLACE,
    "moves.turn_deg": _TURN,
    "places.x_mm": _PLACE,
    "places.y_mm": _PLACE,
    "places.turn_deg": _TURN,
    "copies.x_mm": _PLACE,
    "copies.y_mm": _PLACE,
    "copies.turn_deg": _TURN,
    "plain.width_mm": _SIDE,
    "plain.height_mm": _SIDE,
    "plain.thing_mm": _HEIGHT,
    "plain.x_mm": _PLACE,
    "plain.y_mm": _PLACE,
    "plain.turn_deg": _TURN,
    "plain.depth_mm": _HEIGHT,
    "plain.mass_kg": _MASS,
    "plain.corner_mm": Range(0, 1000, "mm"),
    "keep_outs.x_mm": _PLACE,
    "keep_outs.y_mm": _PLACE,
    "keep_outs.width_mm": Range(0.5, 6000, "mm"),
    "keep_outs.height_mm": Range(0.5, 6000, "mm"),
    "fixings.pitch_mm": Range(20, 2000, "mm"),
}

#: single figures of a plan's table ``rules``
RULES: dict[str, Range] = {
    "gap_mm": Range(0, 500, "mm"),
    "edge_mm": Range(0, 1000, "mm"),
    "web_mm": Range(0, 200, "mm"),
    "web_least_mm": Range(0, 200, "mm"),
    "depth_share": Range(0.05, 1),
    "depth_share_least": Range(0, 1),
    "depth_least_mm": Range(0, 200, "mm"),
    "through_share": Range(0, 10),
    "floor_mm": Range(0, 200, "mm"),
    "closing_mm": Range(0, 200, "mm"),
    "lean_deg": Range(-45, 45, "deg"),
    "bearing_kpa": Range(0.1, 10_000, "kPa"),
    "grip_mm": Range(0, 500, "mm"),
    "notch_bare_mm": Range(5, 200, "mm"),
    "notch_gloved_mm": Range(5, 200, "mm"),
    "finger_mm": Range(5, 100, "mm"),
    "tilt_end_mm": Range(0, 1000, "mm"),
    "well_clear_mm": Range(0, 50, "mm"),
    "ledge_mm": Range(0, 50, "mm"),
    "corner_mm": Range(0, 50, "mm"),
    "feature_mm": Range(0, 100, "mm"),
    "insert_press_mm": Range(-2, 5, "mm"),
    "lrv_points": Range(0, 100, "points"),
    "lrv_points_bright": Range(0, 100, "points"),
    "contrast_ratio": Range(1, 21, ": 1"),
    "cap_height_mm": Range(1, 100, "mm"),
    "fixing_clear_mm": Range(0, 500, "mm"),
    "heavy_kg": Range(0, 1000, "kg"),
    "heavy_near_mm": Range(1, 1000, "mm"),
    "seam_clear_mm": Range(0, 500, "mm"),
    "seam_stagger_mm": Range(0, 1000, "mm"),
    "sheet_rim_mm": Range(0, 500, "mm"),
    "nest_gap_mm": Range(0, 200, "mm"),
    "reach_low_mm": Range(0, 3000, "mm"),
    "reach_high_mm": Range(0, 3000, "mm"),
    "reach_top_mm": Range(0, 3000, "mm"),
}

#: fields of a machine profile
PROFILE: dict[str, Range] = {
    "bed_mm": Range(10, 20_000, "mm"),
    "max_depth_mm": Range(0.1, 1000, "mm"),
    "kerf_mm": Range(0, 50, "mm"),
    "inside_radius_mm": Range(0, 100, "mm"),
    "cut_sigma_mm": Range(0, 10, "mm"),
    "feed_mm_min": Range(1, 1_000_000, "mm/min"),
    "rapid_mm_min": Range(1, 1_000_000, "mm/min"),
    "pass_depth_mm": Range(0.01, 10_000, "mm"),
    "plunge_s": Range(0, 600, "s"),
    "fit.offset_mm": Range(-5, 5, "mm"),
    "taper.mm_per_10mm": Range(-2, 2, "mm"),
    "lead.length_mm": Range(0, 50, "mm"),
    "tab.width_mm": Range(0, 50, "mm"),
    "tab.count": Range(0, 20, whole=True),
    "blade.width_mm": Range(0, 20, "mm"),
    "blade.length_mm": Range(0, 300, "mm"),
    "blade.offset_mm": Range(0, 5, "mm"),
    "blade.lift_deg": Range(0, 180, "deg"),
    "hand.peel_mm": Range(0, 50, "mm"),
    "pause.seconds": Range(0, 600, "s"),
    "dxf.straight_tolerance_mm": Range(0.001, 1, "mm"),
}

#: columns of a tool list
TOOL_LIST: dict[str, Range] = {
    "x_px": _PIXEL,
    "y_px": _PIXEL,
    # taller things are not laid into foam; catches a height typed in the wrong unit
    "height_mm": _HEIGHT,
    "edge": Range(0, 1),
    "mass_kg": _MASS,
    "depth_mm": _HEIGHT,
    "quantity": Range(1, 1000, whole=True),
    "tilt_deg": Range(-90, 90, "deg"),
    "known_mm": Range(5, 2000, "mm"),
    "lay": Range(1, 1000, whole=True),
}

_WHOLE = Range(0, 1_000_000_000, whole=True)
_LENGTH = Range(0, 20_000, "mm")
_SHARE = Range(0, 1)
#: files that the program itself writes into a job, by kind of entry
JOB: dict[str, Range] = {
    "job.next_outline": Range(1, 1_000_000, whole=True),
    "job.revision": Range(1, 1_000_000, whole=True),
    # wider than the options: no job that was made once may be refused for a setting
    "lay.card_size_mm": Range(0.001, 20_000, "mm"),
    "lay.card_sizes_mm": Range(0.001, 20_000, "mm"),
    "lay.card_thickness_mm": Range(0, 100, "mm"),
    "lay.mat_mm": Range(0.001, 20_000, "mm"),
    "lay.camera_height_mm": Range(0, 1_000_000, "mm"),
    "lay.default_height_mm": _LENGTH,
    "lay.own_points": _PIXEL,
    "photo.added": Range(0, 1000, whole=True),
    "corrections.keep": _PIXEL,
    "corrections.drop": _PIXEL,
    "corrections.split": _PIXEL,
    "corrections.merge": _PIXEL,
    "corrections.edges": _PIXEL,
    "corrections.cables": _PIXEL,
    "stroke.line": _PIXEL,
    "stroke.width_px": Range(0, 10_000, "px"),
    "edits.done": _WHOLE,
    **{
        f"asked.{name}_mm": Range(0, 20_000, "mm") for name in ("thickness", "depth", "edge", "web")
    },
    "change.was_at": _WHOLE,
    "change.now_at": _WHOLE,
    "outline.height_mm": _LENGTH,
    "outline.height_sigma_mm": _LENGTH,
    "outline.sigma_mm": _LENGTH,
    "outline.budget_mm": _LENGTH,
    "outline.sigma_ring_mm": _LENGTH,
    "outline.bias_bound_mm": _LENGTH,
    "outline.confidence": _SHARE,
    "outline.point_px": _PIXEL,
    "outline.lay": Range(1, 1000, whole=True),
    "outline.revision": Range(1, 1_000_000, whole=True),
    "photo.size_px": Range(1, 100_000, "px", whole=True),
    "photo.K": Range(-1e6, 1e6, "px"),
    "photo.camera_height_mm": Range(-1e6, 1e6, "mm"),
    "lay.leave_one_out_mm": Range(-1e6, 1e6, "mm"),
    **dict.fromkeys(
        ("lay.sigma_px", "lay.rms_px", "lay.max_px", "card.rms_px"), Range(0, 1e6, "px")
    ),
    "lay.scale_sigma": Range(0, 1000),
    "photo.nadir_mm": Range(-1e9, 1e9, "mm"),
    "photo.tilt_deg": Range(-360, 360, "deg"),
    "photo.dist": Range(-1e6, 1e6),
    "photo.R": Range(-1.001, 1.001),
    "photo.t": Range(-1e6, 1e6, "mm"),
    "card.number": Range(0, 10_000, whole=True),
    "card.size_mm": Range(0.001, 20_000, "mm"),
    "card.x_mm": Range(-1e6, 1e6, "mm"),
    "card.y_mm": Range(-1e6, 1e6, "mm"),
    "card.angle_deg": Range(-1e6, 1e6, "deg"),
    "check.value": Range(-1e12, 1e12),
    "check.limit": Range(-1e12, 1e12),
    "edge.confidence": _SHARE,
    "edge.edge_confidence": _SHARE,
    "panel.revision": Range(1, 1_000_000, whole=True),
    "pocket.number": Range(1, 100_000, whole=True),
    "pocket.outline_revision": Range(0, 1_000_000, whole=True),
    "pocket.fit_probability": Range(0, 1),
    "pocket.height_mm": _LENGTH,
    "pocket.mass_kg": _MASS,
    "place.angle_rad": Range(-1000, 1000, "rad"),
    "notch.sides": Range(0, 100, whole=True),
    "label.angle_rad": Range(-1000, 1000, "rad"),
    "tile.slab": Range(0, 100, whole=True),
    "tile.number": Range(0, 100_000, whole=True),
    **dict.fromkeys(("check.where_mm", "cut.wall", "sheet.origin_mm"), _ANYWHERE),
    "sheet.size_mm": _LENGTH,
    "sheet.thickness_mm": _LENGTH,
    "sheet.turn_deg": _TURN,
    "sheet.panel_revision": Range(0, 1_000_000, whole=True),
    "cut.outline_revision": Range(0, 1_000_000, whole=True),
    "cut.fit_probability": Range(0, 1),
    "cut.area_mm2": Range(0, 1e9, "mm2"),
    **dict.fromkeys(("piece.size_mm", "piece.thickness_mm"), _LENGTH),
    "piece.cut_length_mm": Range(0, 1e9, "mm"),
    "piece.plunges": Range(0, 10_000_000, whole=True),
    "piece.seconds_at_least": Range(0, 1e9, "s"),
    **{f"dimension.{end}_mm": _ANYWHERE for end in ("start", "end")},
    **{f"{thing}.{axis}_mm": _ANYWHERE for thing in ("place", "label", "fixing") for axis in "xy"},
    **{f"{thing}.depth_mm": Range(0, 1000, "mm") for thing in ("pocket", "well", "notch", "cut")},
    **{
        f"{key}_mm": Range(-100, 1000, "mm")
        for key in (
            "pocket.margin",
            "pocket.fit",
            "pocket.widths",
            "cut.fit",
            "cut.margin",
            "cut.widths",
        )
    },
    **dict.fromkeys(("label.cap_height_mm", "cavity.skin_mm"), Range(0, 1000, "mm")),
}

#: how many of a kind are taken, and what they are
COUNTS: dict[str, Range] = {
    "photos of one lay": Range(1, 8, whole=True),
    "rows of a tool list": Range(0, 5000, whole=True),
    "columns of a tool list": Range(2, 200, whole=True),
    "points typed for one photo, of each kind": Range(0, 1000, whole=True),
    "entries of one list in a plan": Range(0, 1000, whole=True),
    "sheets of a stack (plies)": Range(0, 20, whole=True),
    "cautions of a machine profile": Range(0, 50, whole=True),
    "curves of a drawing": Range(1, 20_000, whole=True),
    "corners of a drawing, all curves together": Range(1, 1_000_000, whole=True),
    "corners of one curve of a drawing": Range(1, 50_000, whole=True),
    "objects of a drawing, blocks opened up": Range(1, 60_000, whole=True),
    "elements of a drawing within one another": Range(0, 100, whole=True),
    "tools in one drawing that is taken for outlines": Range(1, 500, whole=True),
}

#: letters of a name, title, label or other single text
LONGEST_TEXT = 300

#: how large a file of a kind may be
MOST_BYTES: dict[str, int] = {
    "tool list": 5_000_000,
    "panel plan": 1_000_000,
    "machine profile": 200_000,
    "drawing": 10_000_000,
    "file of a job": 64_000_000,
    "printer's settings": 100_000,
}


def checked_option(name: str, value: float) -> float:
    """The value of an option, within its range.

    Raises
    ------
    UsageError
        ``number-out-of-range``, naming option, value and range.
    """
    span = OPTIONS[name]
    if value not in span:
        raise UsageError(
            "number-out-of-range",
            f"{name} cannot be {shown(value)}{' ' + span.unit if span.unit else ''}.",
            f"It takes {span.words}.",
        )
    return value
