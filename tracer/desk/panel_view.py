"""What a page shows of a panel, as JSON: colours, pockets, rules to hold, findings."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from shapely.geometry.base import BaseGeometry

from tracer.desk.checks import check_record
from tracer.desk.jobs import DeskJob
from tracer.desk.rings import rings_of
from tracer.model.panel import Panel, PanelPocket, PlyRole
from tracer.model.panel_plan import Arrangement
from tracer.panel.build import rules_of
from tracer.panel.fittings.notches import grip_axis
from tracer.panel.fittings.wells import in_panel
from tracer.panel.layout.placement import middle
from tracer.panel.layout.places import Tool
from tracer.project.panel_file import load_panel
from tracer.workflows.arranging.arrange import PANEL_JSON, tools_of_job
from tracer.workflows.editing.plan_inputs import plan_value

__all__ = ["panel_record"]


def panel_record(job: DeskJob) -> dict[str, Any]:
    """The panel as it was last made; ``panel`` is None before the first time."""
    if not job.folder.has(PANEL_JSON):
        return {"panel": None}
    content = load_panel(job.folder.read(PANEL_JSON), PANEL_JSON)
    panel = content.panel
    rules = rules_of(content.plan, panel.bay)
    moves = {
        m.pocket_id: plan_value(content.plan, ("moves", m.pocket_id)) for m in content.plan.moves
    }
    tools = {t.pocket_id: t for t in tools_of_job(job.folder, content.plan)[0]}
    fresh = content.plan.placement.arrangement is Arrangement.FRESH
    base = next((p.stock.rgb for p in panel.plies if p.role is not PlyRole.FACE), (60, 60, 60))
    return {
        "panel": {
            "title": panel.title,
            "revision": panel.revision,
            "size_mm": panel.size_mm,
            "shape": rings_of(panel.shape),
            "kind": panel.bay.kind.value,
            "face_rgb": panel.plies[0].stock.rgb,
            "base_rgb": base,
            "face_mm": panel.face_mm,
            "plies": [
                {
                    "role": p.role.value,
                    "colour": p.stock.colour,
                    "rgb": p.stock.rgb,
                    "thickness_mm": p.stock.thickness_mm,
                }
                for p in panel.plies
            ],
            "stack": [
                {
                    "role": p.role.value,
                    "stock": {
                        "colour": p.stock.colour,
                        "rgb": p.stock.rgb,
                        "material": p.stock.material,
                        "thickness_mm": p.stock.thickness_mm,
                        "size_mm": p.stock.size_mm,
                    },
                    **({"bonded": True} if p.bonded else {}),
                }
                for p in panel.plies
            ],
            "rules": {k: getattr(rules, k) for k in ("web_mm", "web_least_mm", "edge_mm")},
            "moves": moves,
            "fresh": fresh,
            "placement": plan_value(content.plan, ("placement",)),
            "bay": plan_value(content.plan, ("bay",)),
            "finger": {"reach_mm": rules.finger_mm, "wide_mm": rules.notch_mm(content.plan.hand)},
            "pockets": [
                _pocket(p)
                | _lying(p, tools.get(p.pocket_id), moves.get(p.pocket_id) or {}, fresh=fresh)
                for p in panel.pockets
            ],
            "keep_outs": [{"name": k.name, "rings": rings_of(k.region)} for k in panel.keep_outs],
            "fittings": _fittings(panel),
            "seams": _seams(panel),
            "dimensions": [
                {"name": d.name, "start": d.start_mm, "end": d.end_mm} for d in panel.dimensions
            ],
            "checks": [check_record(c) for c in panel.checks],
        }
    }


def _lying(
    p: PanelPocket, tool: Tool | None, move: Mapping[str, Any], *, fresh: bool
) -> dict[str, Any]:
    """How a pocket lies, in the terms in which a person's input is kept.

    ``turn_deg`` is its turn as moves count it: by hand, in a fresh layout from the photographed
    lie, which ``lie_turn_deg`` always counts from. ``frame`` takes places that count from the
    tool's box in the photo to the panel: where their zero is, and one mm across and up; None for
    a pocket whose tool is gone meanwhile.
    """
    turn = float(move.get("turn_deg") or 0.0)
    whole, frame = 0.0, None
    if tool is not None:
        whole = math.degrees(p.placement.angle_rad - tool.lie.angle_rad)
        zero, right, up = (
            in_panel(x, y, tool.lie, tool.outline.region, p.placement)
            for x, y in ((0.0, 0.0), (1.0, 0.0), (0.0, 1.0))
        )
        frame = [zero, *((end[0] - zero[0], end[1] - zero[1]) for end in (right, up))]
    return {
        "turn_deg": _half_turn(whole if fresh else turn),
        "lie_turn_deg": _half_turn(whole),
        "middle": middle(p.region.bounds),
        "along": grip_axis(p.region),
        "frame": frame,
    }


def _half_turn(degrees: float) -> float:
    return round((degrees + 180) % 360 - 180, 3)


def _pocket(p: PanelPocket) -> dict[str, Any]:
    return {
        "id": p.pocket_id,
        "number": p.number,
        "name": p.name,
        "traced": p.kind == "tool",
        "rings": rings_of(p.region),
        "tool": rings_of(p.outline),
        "height_mm": p.height_mm,
        "depth_mm": p.depth_mm,
        "cut_depth_mm": p.cut_depth_mm,
        "proud_mm": p.proud_mm,
        "through": p.through,
        "fit_mm": p.fit_mm,
        "fit_probability": p.fit_probability,
        "widths_mm": list(p.widths_mm),
        "floor_rgb": p.floor_insert.stock.rgb if p.floor_insert else None,
        "notches": [rings_of(n.region) for n in p.notches],
        "notch_sides": [n.sides for n in p.notches],
        "shared": any(n.shared_with for n in p.notches),
        "wells": [rings_of(w.region) for w in p.wells],
        "label": None
        if p.label is None
        else {
            "text": p.label.text,
            "x_mm": p.label.x_mm,
            "y_mm": p.label.y_mm,
            "cap_mm": p.label.cap_height_mm,
            "angle_rad": p.label.angle_rad,
        },
    }


def _fittings(panel: Panel) -> list[dict[str, Any]]:
    """What the panel has beside pockets: kind, number, colour where it has one, rings."""
    found: list[tuple[str, str, tuple[int, int, int] | None, BaseGeometry]] = [
        ("emblem", i.inlay_id, i.stock.rgb, i.region) for i in panel.inlays
    ]
    bodies = [(m.mount_id, m.opening or m.body) for m in panel.mounts]
    found += [("mount", name, None, shape) for name, shape in bodies if shape is not None]
    found += [("ledge", one.ledge_id, None, one.region) for one in panel.ledges]
    found += [("room", c.cavity_id, None, c.whole) for c in panel.back_cavities]
    return [
        {"kind": kind, "id": name, "rgb": rgb, "rings": rings_of(shape)}
        for kind, name, rgb, shape in found
    ]


def _seams(panel: Panel) -> list[list[list[float]]]:
    """Rims of the face's tiles, where it comes from several sheets."""
    face = [t.region for t in panel.tiles if t.slab == 0]
    return [ring for region in face for ring in rings_of(region)] if len(face) > 1 else []
