"""Tools of known shape for the panel's tests: bars, spanners, a hook, a disc."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.model.panel import Bay, BayKind, Panel, Placement, Ply, PlyRole, Stock
from tracer.model.panel_plan import PanelPlan, PlyPlan
from tracer.panel.build import build_panel
from tracer.panel.layout.places import Tool

FACE = Stock("dark grey", (55, 55, 58), "pe", 30.0, (1000.0, 500.0), 45.0, 20.0)
BASE = Stock("yellow", (240, 210, 20), "pe", 10.0, (1000.0, 500.0), 45.0, 9.0)
THIN = Stock("yellow", (240, 210, 20), "pe", 3.0, (1000.0, 500.0), 45.0, 4.0)
BOARD = Stock("birch", (220, 190, 150), "plywood", 12.0, (2440.0, 1220.0), 680.0)
PLIES = (PlyPlan("face", FACE), PlyPlan("base", BASE))
WALL_PLIES = (*PLIES, PlyPlan("backing", BOARD))


def bar(width: float = 24.0, length: float = 160.0) -> Polygon:
    """Upright bar with round ends, centred on 0, 0."""
    r = width / 2
    body = box(-r, -length / 2 + r, r, length / 2 - r)
    ends = [Point(0, s * (length / 2 - r)).buffer(r, quad_segs=32) for s in (-1, 1)]
    return Polygon(shapely.union_all([body, *ends]).exterior)


def spanner(length: float = 180.0, head: float = 40.0) -> Polygon:
    """Upright: tapered shank, ring head on top with a hole, open jaw below."""
    shank = Polygon(
        [(-9, -length / 2 + 18), (9, -length / 2 + 18), (7, length / 2 - 20), (-7, length / 2 - 20)]
    )
    ring = Point(0, length / 2 - head / 2).buffer(head / 2, quad_segs=32)
    hole = Point(0, length / 2 - head / 2).buffer(head / 4, quad_segs=32)
    jaw = Point(0, -length / 2 + 18).buffer(18, quad_segs=32)
    gap = box(-6, -length / 2 - 1, 6, -length / 2 + 16)
    shape = shapely.union_all([shank, ring, jaw]).difference(shapely.union_all([hole, gap]))
    assert isinstance(shape, Polygon)
    return shape


def outline(
    region: Polygon, number: int = 1, *, height_mm: float = 20.0, revision: int = 1, **more: object
) -> Outline:
    """An outline with small known uncertainty."""
    return Outline(
        outline_id=f"T{number:02d}",
        name=str(more.get("name", f"tool {number}")),
        region=region,
        height_mm=height_mm,
        height_source=HeightSource.TYPED,
        method=EdgeModel.MID,
        sigma_mm=0.2,
        sigma_ring_mm=np.empty(0),
        bias_bound_mm=0.0,
        confidence=0.9,
        photo_ids=("photo",),
        point_px=(100.0 * number, 100.0),
        revision=revision,
    )


def tool(
    region: Polygon,
    number: int,
    x: float,
    y: float,
    *,
    height_mm: float = 20.0,
    mass_kg: float | None = None,
    turn_deg: float = 0.0,
) -> Tool:
    """A tool lying at a place of the photographed sheet."""
    there = affinity.translate(affinity.rotate(region, turn_deg, origin=(0, 0)), x, y)
    assert isinstance(there, Polygon)
    o = outline(there, number, height_mm=height_mm)
    return Tool(o.outline_id, o, Placement(0.0, 0.0), mass_kg=mass_kg)


def row_of_bars(count: int = 4, pitch: float = 80.0, height_mm: float = 20.0) -> list[Tool]:
    """Equal bars side by side."""
    return [tool(bar(), n + 1, n * pitch, 0.0, height_mm=height_mm) for n in range(count)]


def drawer(width: float = 420.0, height: float = 260.0, clear: float | None = None) -> Bay:
    return Bay(BayKind.DRAWER, width, height, clear)


def wall(width: float = 420.0, height: float = 300.0, above: float | None = None) -> Bay:
    return Bay(BayKind.WALL, width, height, above_floor_mm=above)


def plan(at: Bay | None = None, **changes: object) -> PanelPlan:
    """A plan with the stack of these tests."""
    stack = WALL_PLIES if at is not None and at.kind is BayKind.WALL else PLIES
    values: dict[str, object] = {"bay": at, "plies": stack, "insert": THIN, "title": "Bench"}
    return PanelPlan(**(values | changes))  # type: ignore[arg-type]


def panel_of(tools: Sequence[Tool], wanted: PanelPlan) -> Panel:
    return build_panel(list(tools), wanted).panel


def stack(*plies: tuple[str, Stock]) -> tuple[Ply, ...]:
    return tuple(Ply(PlyRole(role), stock) for role, stock in plies)


def degrees(angle_rad: float) -> float:
    return math.degrees(angle_rad)
