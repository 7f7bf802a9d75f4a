"""What a page shows of a panel, as JSON: colours, pockets, rules to hold, findings."""

from __future__ import annotations

from typing import Any

import numpy as np
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.desk.checks import check_record
from tracer.desk.jobs import DeskJob
from tracer.model.panel import Panel, PanelPocket, PlyRole
from tracer.panel.build import rules_of
from tracer.project.panel_file import load_panel
from tracer.workflows.arranging.arrange import PANEL_JSON
from tracer.workflows.editing.plan_inputs import plan_value

__all__ = ["panel_record"]

SHOWN_MM = 0.08  # simplified for the eye by less than anybody sees on a screen


def panel_record(job: DeskJob) -> dict[str, Any]:
    """The panel as it was last made; ``panel`` is None before the first time."""
    if not job.folder.has(PANEL_JSON):
        return {"panel": None}
    content = load_panel(job.folder.read(PANEL_JSON), PANEL_JSON)
    panel = content.panel
    rules = rules_of(content.plan, panel.bay)
    turns = {m.pocket_id: m.turn_deg for m in content.plan.moves}
    moves = {i: plan_value(content.plan, ("moves", i)) for i in turns}
    base = next((p.stock.rgb for p in panel.plies if p.role is not PlyRole.FACE), (60, 60, 60))
    return {
        "panel": {
            "title": panel.title,
            "revision": panel.revision,
            "size_mm": panel.size_mm,
            "shape": _rings(panel.shape),
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
            "rules": {k: getattr(rules, k) for k in ("web_mm", "web_least_mm", "edge_mm")},
            "moves": moves,
            "pockets": [_pocket(p, turns.get(p.pocket_id) or 0.0) for p in panel.pockets],
            "keep_outs": [{"name": k.name, "rings": _rings(k.region)} for k in panel.keep_outs],
            "fittings": _fittings(panel),
            "seams": _seams(panel),
            "dimensions": [
                {"name": d.name, "start": d.start_mm, "end": d.end_mm} for d in panel.dimensions
            ],
            "checks": [check_record(c) for c in panel.checks],
        }
    }


def _pocket(p: PanelPocket, turn_deg: float) -> dict[str, Any]:
    """``turn_deg`` is the turn by hand that the pocket was made with."""
    return {
        "turn_deg": turn_deg,
        "id": p.pocket_id,
        "number": p.number,
        "name": p.name,
        "rings": _rings(p.region),
        "tool": _rings(p.outline),
        "height_mm": p.height_mm,
        "depth_mm": p.depth_mm,
        "cut_depth_mm": p.cut_depth_mm,
        "proud_mm": p.proud_mm,
        "through": p.through,
        "fit_mm": p.fit_mm,
        "fit_probability": p.fit_probability,
        "widths_mm": list(p.widths_mm),
        "floor_rgb": p.floor_insert.stock.rgb if p.floor_insert else None,
        "notches": [_rings(n.region) for n in p.notches],
        "wells": [_rings(w.region) for w in p.wells],
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
        {"kind": kind, "id": name, "rgb": rgb, "rings": _rings(shape)}
        for kind, name, rgb, shape in found
    ]


def _seams(panel: Panel) -> list[list[list[float]]]:
    """Rims of the face's tiles, where it comes from several sheets."""
    face = [t.region for t in panel.tiles if t.slab == 0]
    return [ring for region in face for ring in _rings(region)] if len(face) > 1 else []


def _rings(shape: BaseGeometry) -> list[list[list[float]]]:
    """Rings in panel mm, first point not repeated."""
    parts = [p for p in getattr(shape, "geoms", [shape]) if isinstance(p, Polygon)]
    rings = []
    for part in parts:
        slim = part.simplify(SHOWN_MM)
        assert isinstance(slim, Polygon)  # simplifying keeps the topology
        for ring in [slim.exterior, *slim.interiors]:
            rings.append(np.round(np.asarray(ring.coords)[:-1, :2], 2).tolist())
    return rings
