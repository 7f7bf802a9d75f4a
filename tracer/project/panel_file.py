"""``panel.json``: what was asked of the panel, and what came of it.

Coordinates are written to a micrometre and one pocket a line, so that a pocket that did not change
keeps its very bytes.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from pydantic import TypeAdapter
from shapely.geometry import MultiPolygon, Polygon, mapping
from shapely.geometry.base import BaseGeometry

from tracer.errors import TracerError
from tracer.geometry.offset import grown
from tracer.geometry.rings import largest_polygon
from tracer.geometry.sound import UnsoundShape, sound_area, sound_polygon
from tracer.model.panel import (
    Bay,
    Dimension,
    Fixing,
    FloorInsert,
    KeepOut,
    Label,
    Notch,
    Panel,
    PanelPocket,
    Ply,
    Stock,
    Tile,
    Well,
)
from tracer.model.panel_plan import PanelPlan
from tracer.model.report import Check
from tracer.project.fitting_rows import (
    cavity_in,
    cavity_out,
    inlay_in,
    inlay_out,
    ledge_in,
    ledge_out,
    mount_in,
    mount_out,
    rail_out,
)
from tracer.project.outlines_file import ring_out
from tracer.project.panel_rows import PanelRows, PocketRow, Shape, panel_rows
from tracer.project.plan_file import plan_from_record, plan_record
from tracer.project.refusals import Wrong
from tracer.project.schema import read_versioned

__all__ = ["PanelFile", "dump_panel", "load_panel"]

FORMAT, VERSION, DECIMALS = "tracer-panel", 3, 3
#: probability that pockets were made for by default before version 2
_BEFORE_2 = 0.95

_CHECKS = TypeAdapter(tuple[Check, ...])
_PLIES = TypeAdapter(tuple[Ply, ...])
_STOCK = TypeAdapter(Stock | None)
_BAY = TypeAdapter(Bay)
_LABEL = TypeAdapter(Label | None)
_FIXINGS = TypeAdapter(tuple[Fixing, ...])
_DIMENSIONS = TypeAdapter(tuple[Dimension, ...])


@dataclass(frozen=True)
class PanelFile:
    """Content of ``panel.json``.

    ``tools`` gives by pocket id a digest of the tool that the panel was arranged for: another one
    means that the tool has changed since. It is empty in files of earlier versions.
    """

    plan: PanelPlan
    panel: Panel
    tools: Mapping[str, str] = field(default_factory=dict)


def dump_panel(content: PanelFile) -> bytes:
    """JSON bytes; the same content always gives the same bytes."""
    panel = content.panel
    plan = plan_record(content.plan)
    head = {
        "title": panel.title,
        "revision": panel.revision,
        "bay": _BAY.dump_python(panel.bay, mode="json"),
        "shape": ring_out(panel.shape.exterior.coords),
        "plies": _PLIES.dump_python(panel.plies, mode="json"),
        "insert": _STOCK.dump_python(panel.insert, mode="json"),
        "tools": dict(content.tools),
        "rail": rail_out(panel.rail),
    }
    lists: dict[str, list[Any]] = {
        "pockets": [_pocket_out(p) for p in panel.pockets],
        "tiles": [
            {"slab": t.slab, "number": t.number, "turned": t.turned, "region": _out(t.region)}
            for t in panel.tiles
        ],
        "keep_outs": [
            {"name": k.name, "hole": k.hole, "region": _out(k.region)} for k in panel.keep_outs
        ],
        "fixings": _plain(_FIXINGS, panel.fixings),
        "dimensions": _plain(_DIMENSIONS, panel.dimensions),
        "inlays": [inlay_out(i, _out) for i in panel.inlays],
        "back_cavities": [cavity_out(c, _out) for c in panel.back_cavities],
        "mounts": [mount_out(m, _out) for m in panel.mounts],
        "ledges": [ledge_out(one, _out) for one in panel.ledges],
        "checks": _CHECKS.dump_python(panel.checks, mode="json"),
    }
    parts = [
        f' "format": "{FORMAT}",\n "version": {VERSION},\n "units": "mm",\n "frame": "panel"',
        f' "plan": {_compact(plan)}',
        *(f' "{key}": {_compact(value)}' for key, value in head.items()),
    ]
    for key, items in lists.items():
        lines = ",\n".join("  " + _compact(item) for item in items)
        parts.append(f' "{key}": [\n{lines}\n ]' if items else f' "{key}": []')
    return ("{\n" + ",\n".join(parts) + "\n}\n").encode("utf-8")


def load_panel(data: bytes, name: str) -> PanelFile:
    """Read ``panel.json``.

    Raises
    ------
    TracerError
        ``job-damaged``, ``job-newer``.
    """
    body = read_versioned(data, name, FORMAT, VERSION, {1: dict, 2: dict})
    try:
        plan = plan_from_record(body.pop("plan", None))
        rows = panel_rows(body)
        return PanelFile(plan, _panel_in(rows), rows.tools)
    except (Wrong, UnsoundShape) as wrong:
        raise TracerError(
            "job-damaged",
            f"{name} cannot be read: {wrong}.",
            "Restore it from a copy, or arrange the panel again.",
        ) from None


def _panel_in(rows: PanelRows) -> Panel:
    slabs = len(rows.plies)
    if beyond := next((t for t in rows.tiles if t.slab >= slabs), None):
        raise Wrong("tiles", f"piece {beyond.slab + 1} of {slabs} is named")
    return Panel(
        title=rows.title,
        revision=rows.revision,
        bay=rows.bay,
        shape=sound_polygon(rows.shape),
        plies=rows.plies,
        insert=rows.insert,
        pockets=tuple(_pocket_in(p) for p in rows.pockets),
        tiles=tuple(Tile(t.slab, t.number, _polygon(t.region), t.turned) for t in rows.tiles),
        keep_outs=tuple(KeepOut(k.name, _polygon(k.region), k.hole) for k in rows.keep_outs),
        fixings=rows.fixings,
        dimensions=rows.dimensions,
        inlays=tuple(inlay_in(i, _polygon) for i in rows.inlays),
        back_cavities=tuple(cavity_in(c, _polygon) for c in rows.back_cavities),
        mounts=tuple(mount_in(m, _polygon) for m in rows.mounts),
        ledges=tuple(ledge_in(one, _polygon) for one in rows.ledges),
        rail=rows.rail,
        checks=rows.checks,
    )


def _pocket_out(p: PanelPocket) -> dict[str, Any]:
    return {
        "id": p.pocket_id,
        "number": p.number,
        "name": p.name,
        "kind": p.kind,
        "outline_id": p.outline_id,
        "outline_revision": p.outline_revision,
        "placement": {
            "x_mm": round(p.placement.x_mm, 6),
            "y_mm": round(p.placement.y_mm, 6),
            "angle_rad": round(p.placement.angle_rad, 12),
            "mirrored": p.placement.mirrored,
        },
        "fit_mm": p.fit_mm,
        "fit_probability": p.fit_probability,
        "widths_mm": [round(w, DECIMALS) for w in p.widths_mm],
        "wall": _out(p.wall),
        "height_mm": _number(p.height_mm),
        "depth_mm": p.depth_mm,
        "through": p.through,
        "mass_kg": p.mass_kg,
        "insert": None
        if p.floor_insert is None
        else {
            "region": _out(p.floor_insert.region),
            "stock": _STOCK.dump_python(p.floor_insert.stock, mode="json"),
        },
        "wells": [
            {"name": w.name, "depth_mm": w.depth_mm, "region": _out(w.region)} for w in p.wells
        ],
        "notches": [
            {
                "depth_mm": n.depth_mm,
                "sides": n.sides,
                "shared_with": list(n.shared_with),
                "region": _out(n.region),
            }
            for n in p.notches
        ],
        "label": _plain(_LABEL, p.label),
        "region": _out(p.region),
        "outline": _out(p.outline),
    }


def _pocket_in(p: PocketRow) -> PanelPocket:
    try:
        return PanelPocket(
            pocket_id=p.id,
            number=p.number,
            name=p.name,
            kind=p.kind,
            outline_id=p.outline_id,
            outline_revision=p.outline_revision,
            placement=p.placement,
            outline=_polygon(p.outline),
            region=_polygon(p.region),
            wall=_wall_of(p),
            fit_mm=p.fit_mm,
            fit_probability=_BEFORE_2 if p.fit_probability is None else p.fit_probability,
            widths_mm=p.widths_mm or (p.fit_mm + (p.margin_mm or 0.0),) * 2,
            height_mm=p.height_mm,
            depth_mm=p.depth_mm,
            through=p.through,
            mass_kg=p.mass_kg,
            floor_insert=None
            if p.insert is None
            else FloorInsert(_polygon(p.insert.region), p.insert.stock),
            wells=tuple(Well(w.name, _polygon(w.region), w.depth_mm) for w in p.wells),
            notches=tuple(
                Notch(_polygon(n.region), n.depth_mm, n.sides, n.shared_with) for n in p.notches
            ),
            label=p.label,
        )
    except UnsoundShape as wrong:
        raise Wrong(f"pocket {p.id}", f"a shape of it {wrong}") from None


def _wall_of(p: PocketRow) -> Polygon:
    """The wall asked for; before version 2 the outline moved evenly by fit and margin."""
    if p.wall is not None:
        return _polygon(p.wall)
    return largest_polygon(grown(_polygon(p.outline), p.fit_mm + (p.margin_mm or 0.0)))


def _out(geometry: BaseGeometry | None) -> dict[str, Any] | None:
    """GeoJSON-like object, holes kept, rounded, rings in their own order."""
    if geometry is None or geometry.is_empty:
        return None
    pieces = geometry.geoms if isinstance(geometry, MultiPolygon) else [geometry]
    rounded = [
        Polygon(ring_out(p.exterior.coords), [ring_out(h.coords) for h in p.interiors])
        for p in pieces
        if isinstance(p, Polygon)
    ]
    return mapping(rounded[0] if len(rounded) == 1 else MultiPolygon(rounded))


def _polygon(value: Shape) -> Polygon:
    found = sound_area(value)
    if not isinstance(found, Polygon):
        raise UnsoundShape("has several pieces")
    return found


def _plain(of: TypeAdapter[Any], value: Any) -> Any:
    """As JSON has it, to a nanometre: the same panel arranged again gives the same bytes."""
    return _to_a_nanometre(of.dump_python(value, mode="json"))


def _to_a_nanometre(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 6)
    if isinstance(value, dict):
        return {key: _to_a_nanometre(v) for key, v in value.items()}
    return [_to_a_nanometre(v) for v in value] if isinstance(value, list) else value


def _number(value: float) -> float | None:
    return round(float(value), DECIMALS) if math.isfinite(value) else None


def _compact(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(", ", ": "))
