"""Numbers in the files that the program itself writes into a job."""

from __future__ import annotations

from tracer.ranges.span import ANYWHERE, MASS, PIXEL, TURN, Range

__all__ = ["JOB"]

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
    "lay.own_points": PIXEL,
    "lay.edge_shift_mm": Range(-5, 5, "mm"),
    "phone.edge_mm": Range(-5, 5, "mm"),
    "trial.thickness_mm": Range(0.1, 500, "mm"),
    "trial.fit_offset_mm": Range(-20, 20, "mm"),
    "trial.cut_sigma_mm": Range(0, 10, "mm"),
    "trial.card": Range(0, 47, whole=True),
    **dict.fromkeys(
        ("trial.coin_mm", "trial.block_mm", "trial.read_mm", "trial.board_mm"),
        Range(0.1, 1000, "mm"),
    ),
    "photo.added": Range(0, 1000, whole=True),
    "corrections.keep": PIXEL,
    "corrections.drop": PIXEL,
    "corrections.split": PIXEL,
    "corrections.merge": PIXEL,
    "corrections.edges": PIXEL,
    "corrections.cables": PIXEL,
    "stroke.line": PIXEL,
    "reading.x_mm": ANYWHERE,
    "reading.y_mm": ANYWHERE,
    "reading.gap_mm": Range(-50, 50, "mm"),
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
    "outline.point_px": PIXEL,
    "outline.lay": Range(1, 1000, whole=True),
    "outline.revision": Range(1, 1_000_000, whole=True),
    "photo.size_px": Range(1, 100_000, "px", whole=True),
    "scan.size_px": Range(1, 100_000, "px", whole=True),
    "scan.to_px": Range(-1e6, 1e6),
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
    "pocket.mass_kg": MASS,
    "place.angle_rad": Range(-1000, 1000, "rad"),
    "notch.sides": Range(0, 100, whole=True),
    "label.angle_rad": Range(-1000, 1000, "rad"),
    "tile.slab": Range(0, 100, whole=True),
    "tile.number": Range(0, 100_000, whole=True),
    **dict.fromkeys(("check.where_mm", "cut.wall", "sheet.origin_mm"), ANYWHERE),
    "sheet.size_mm": _LENGTH,
    "sheet.thickness_mm": _LENGTH,
    "sheet.turn_deg": TURN,
    "sheet.panel_revision": Range(0, 1_000_000, whole=True),
    "cut.outline_revision": Range(0, 1_000_000, whole=True),
    "cut.fit_probability": Range(0, 1),
    "cut.area_mm2": Range(0, 1e9, "mm2"),
    **dict.fromkeys(("piece.size_mm", "piece.thickness_mm"), _LENGTH),
    "piece.cut_length_mm": Range(0, 1e9, "mm"),
    "piece.plunges": Range(0, 10_000_000, whole=True),
    "piece.seconds_at_least": Range(0, 1e9, "s"),
    **{f"dimension.{end}_mm": ANYWHERE for end in ("start", "end")},
    **{f"{thing}.{axis}_mm": ANYWHERE for thing in ("place", "label", "fixing") for axis in "xy"},
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
