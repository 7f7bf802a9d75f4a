"""``panel.json``: what was asked of the panel, and what came of it.

Coordinates are written to a micrometre and one pocket a line, so that a pocket that did not change
keeps its very bytes.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Any

from pydantic import TypeAdapter
from shapely.geometry import MultiPolygon, Polygon, mapping, shape
from shapely.geometry.base import BaseGeometry

from tracer.errors import TracerError
from tracer.model.panel import (
    BackCavity,
    Bay,
    Dimension,
    Fixing,
    FloorInsert,
    Inlay,
    KeepOut,
    Label,
    Notch,
    Panel,
    PanelPocket,
    Placement,
    Ply,
    Stock,
    Tile,
    Well,
)
from tracer.model.panel_plan import PanelPlan
from tracer.model.report import Check
from tracer.project.outlines_file import ring_out
from tracer.project.plan_file import plan_from_record, plan_record
from tracer.project.schema import read_versioned

__all__ = ["PanelFile", "dump_panel", "load_panel"]

FORMAT, VERSION, DECIMALS = "tracer-panel", 1, 3

_CHECKS = TypeAdapter(tuple[Check, ...])
_PLIES = TypeAdapter(tuple[Ply, ...])
_STOCK = TypeAdapter(Stock | None)
_BAY = TypeAdapter(Bay)
_PLACEMENT = TypeAdapter(Placement)
_LABEL = TypeAdapter(Label | None)
_FIXINGS = TypeAdapter(tuple[Fixing, ...])
_DIMENSIONS = TypeAdapter(tuple[Dimension, ...])


@dataclass(frozen=True)
class PanelFile:
    """Content of ``panel.json``."""

    plan: PanelPlan
    panel: Panel


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
        "fixings": _FIXINGS.dump_python(panel.fixings, mode="json"),
        "dimensions": _DIMENSIONS.dump_python(panel.dimensions, mode="json"),
        "inlays": [
            {
                "inlay_id": i.inlay_id,
                "region": _out(i.region),
                "stock": _STOCK.dump_python(i.stock, mode="json"),
            }
            for i in panel.inlays
        ],
        "back_cavities": [
            {
                "cavity_id": c.cavity_id,
                "skin_mm": c.skin_mm,
                "region": _out(c.region),
                "exit": _out(c.exit),
            }
            for c in panel.back_cavities
        ],
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
    body = read_versioned(data, name, FORMAT, VERSION, {})
    try:
        return PanelFile(plan_from_record(body["plan"]), _panel_in(body))
    except (KeyError, TypeError, ValueError, IndexError, AttributeError) as error:
        why = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise TracerError(
            "job-damaged",
            f"{name} cannot be read: {type(error).__name__} at {why}.",
            "Restore it from a copy, or arrange the panel again.",
        ) from error


def _panel_in(body: dict[str, Any]) -> Panel:
    return Panel(
        title=body["title"],
        revision=int(body["revision"]),
        bay=_BAY.validate_python(body["bay"]),
        shape=Polygon(body["shape"]),
        plies=_PLIES.validate_python(body["plies"]),
        insert=_STOCK.validate_python(body["insert"]),
        pockets=tuple(_pocket_in(p) for p in body["pockets"]),
        tiles=tuple(
            Tile(t["slab"], t["number"], _polygon(t["region"]), t["turned"]) for t in body["tiles"]
        ),
        keep_outs=tuple(
            KeepOut(k["name"], _polygon(k["region"]), k["hole"]) for k in body["keep_outs"]
        ),
        fixings=_FIXINGS.validate_python(body["fixings"]),
        dimensions=_DIMENSIONS.validate_python(body["dimensions"]),
        inlays=tuple(
            Inlay(i["inlay_id"], _region(i["region"]), _known_stock(i["stock"]))
            for i in body["inlays"]
        ),
        back_cavities=tuple(
            BackCavity(
                c["cavity_id"],
                _polygon(c["region"]),
                c["skin_mm"],
                None if c["exit"] is None else _polygon(c["exit"]),
            )
            for c in body["back_cavities"]
        ),
        checks=_CHECKS.validate_python(body["checks"]),
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
        "margin_mm": p.margin_mm,
        "fit_mm": p.fit_mm,
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
        "label": _LABEL.dump_python(p.label, mode="json"),
        "region": _out(p.region),
        "outline": _out(p.outline),
    }


def _pocket_in(p: dict[str, Any]) -> PanelPocket:
    insert = p["insert"]
    return PanelPocket(
        pocket_id=p["id"],
        number=int(p["number"]),
        name=p["name"],
        kind=p["kind"],
        outline_id=p["outline_id"],
        outline_revision=int(p["outline_revision"]),
        placement=_PLACEMENT.validate_python(p["placement"]),
        outline=_polygon(p["outline"]),
        region=_polygon(p["region"]),
        margin_mm=float(p["margin_mm"]),
        fit_mm=float(p["fit_mm"]),
        height_mm=float(p["height_mm"]),
        depth_mm=float(p["depth_mm"]),
        through=bool(p["through"]),
        mass_kg=p["mass_kg"],
        floor_insert=None
        if insert is None
        else FloorInsert(_polygon(insert["region"]), _known_stock(insert["stock"])),
        wells=tuple(Well(w["name"], _polygon(w["region"]), w["depth_mm"]) for w in p["wells"]),
        notches=tuple(
            Notch(_polygon(n["region"]), n["depth_mm"], n["sides"], tuple(n["shared_with"]))
            for n in p["notches"]
        ),
        label=_LABEL.validate_python(p["label"]),
    )


def _known_stock(value: Any) -> Stock:
    stock = _STOCK.validate_python(value)
    if stock is None:
        raise ValueError("a piece without stock")
    return stock


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


def _polygon(value: Any) -> Polygon:
    found = shape(value)
    if not isinstance(found, Polygon):
        raise ValueError("a region that is not one polygon")
    return found


def _region(value: Any) -> Polygon | MultiPolygon:
    found = shape(value)
    if not isinstance(found, Polygon | MultiPolygon):
        raise ValueError("a region that is not an area")
    return found


def _number(value: float) -> float | None:
    return round(float(value), DECIMALS) if math.isfinite(value) else None


def _compact(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(", ", ": "))
