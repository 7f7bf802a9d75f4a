"""What ``tracer arrange`` says of a panel: a record, closing lines, figures of a layout."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tracer.cli.console import check_record
from tracer.lengths import format_length

if TYPE_CHECKING:
    from tracer.workflows.arranging.arrange import Arranged
    from tracer.workflows.arranging.fresh_layouts import Choice

__all__ = ["arranged_record", "figures", "summary"]


def figures(one: Choice, inch: bool) -> str:
    """A line of figures of a layout."""
    width, height = (format_length(v, inch=inch) for v in one.score.spare_mm)
    terms = ", ".join(f"{name} {value:.2f}" for name, value in one.score.terms.items())
    return (
        f"{one.style}, {one.score.total:.2f} of 1 ({terms}); free in one piece {width} x {height}"
    )


def arranged_record(done: Arranged) -> dict[str, Any]:
    """What ``--json`` prints."""
    panel = done.panel
    return {
        "job": str(done.job.path),
        "title": panel.title,
        "revision": panel.revision,
        "size_mm": list(panel.size_mm),
        "thickness_mm": panel.thickness_mm(),
        "pockets": [
            {
                "id": p.pocket_id,
                "number": p.number,
                "name": p.name,
                "depth_mm": p.depth_mm,
                "cut_depth_mm": p.cut_depth_mm,
                "through": p.through,
                "insert": p.floor_insert is not None,
                "notches": len(p.notches),
                "box_mm": [round(v, 2) for v in p.region.bounds],
            }
            for p in panel.pockets
        ],
        "emblems": [i.inlay_id for i in panel.inlays],
        "cable_rooms": [c.cavity_id for c in panel.back_cavities],
        "mounts": [m.mount_id for m in panel.mounts],
        "ledges": [one.ledge_id for one in panel.ledges],
        "rail_screws": len(panel.rail.holes) if panel.rail else 0,
        "tiles": len(panel.tiles),
        "fixings": len(panel.fixings),
        "distances": [{"between": d.name, "mm": round(d.length_mm, 2)} for d in panel.dimensions],
        "tidied": [
            {
                "id": c.pocket_id,
                "dx_mm": round(c.dx_mm, 2),
                "dy_mm": round(c.dy_mm, 2),
                "turn_deg": round(c.turn_deg, 3),
            }
            for c in done.changes
        ],
        "layouts": [
            {
                "number": n,
                "taken": n == done.plan.placement.choice,
                "style": c.style,
                "score": c.score.total,
                "terms": dict(c.score.terms),
                "free_mm": list(c.score.spare_mm),
            }
            for n, c in enumerate(done.choices, start=1)
        ],
        "checks": [check_record(c) for c in done.checks],
        "files": list(done.files),
        "steps": {name: round(s, 4) for name, s in done.seconds.items()},
    }


def summary(done: Arranged, inch: bool) -> str:
    """The closing lines."""
    panel = done.panel
    width, height = (format_length(v, inch=inch) for v in panel.size_mm)
    deep = sum(p.through for p in panel.pockets)
    inserts = sum(p.floor_insert is not None for p in panel.pockets)
    lines = [
        f"{panel.title}, revision {panel.revision}: {len(panel.pockets)} pockets in {width} x "
        f"{height}, {deep} through, {inserts} with a floor insert",
    ]
    lines += [f"  {done.job.path / name}" for name in done.files if not name.startswith("history")]
    return "\n".join(lines)
