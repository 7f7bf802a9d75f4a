"""Every tool to its place: lays set into the bay, tidied on request, moved by hand, and what was
not photographed put where it was asked for or where it fits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.errors import TracerError
from tracer.model.outline import Outline
from tracer.model.panel import Bay, BayKind, KeepOut, PanelPocket, Placement
from tracer.model.panel_plan import Arrangement, PanelPlan
from tracer.model.report import Check, Severity
from tracer.panel.layout.bay import keep_outs, panel_shape
from tracer.panel.layout.placement import (
    Item,
    beside,
    free_place,
    joint_box,
    middle,
    moved_by_hand,
    set_into,
)
from tracer.panel.layout.rows import Change, tidy
from tracer.panel.rules import Rules

__all__ = ["Laid", "Tool", "lay_out", "put"]


@dataclass(frozen=True, eq=False)
class Tool:
    """A tool to be given a pocket: its outline, how it lay, and what was typed about it.

    Attributes
    ----------
    pocket_id
        Id of its pocket.
    lie
        From the outline's frame to the upright photo.
    lay
        Number of the lay it was photographed in; 0 for tools that were not.
    wished
        Place asked for (middle of the box in the panel, and turn); None: nearest free one.
    """

    pocket_id: str
    outline: Outline
    lie: Placement
    lay: int = 1
    mass_kg: float | None = None
    depth_mm: float | None = None
    tilt_deg: float | None = None
    packed: bool = False
    pose: str | None = None
    wished: tuple[float | None, float | None] = (None, None)
    kind: str = "tool"


@dataclass(frozen=True, eq=False)
class Laid:
    """Where everything goes: items in the order of the tools, the panel's rim, what was changed."""

    items: tuple[Item, ...]
    shape: Polygon
    bay: Bay
    keep_outs: tuple[KeepOut, ...]
    changes: tuple[Change, ...]
    checks: tuple[Check, ...]


def lay_out(
    tools: Sequence[Tool],
    pockets: Sequence[PanelPocket],
    plan: PanelPlan,
    bay: Bay,
    rules: Rules,
) -> Laid:
    """Place every tool; a plan without a bay gets one around the lay.

    Raises
    ------
    TracerError
        ``bay-impossible``, ``panel-unknown-tool``, ``panel-no-room``.
    """
    turn = Placement(0.0, 0.0, math.radians(plan.placement.turn_deg or 0.0))
    items = {
        t.pocket_id: Item(t.pocket_id, p.region, t.lie.then(turn))
        for t, p in zip(tools, pockets, strict=True)
    }
    lay_numbers = sorted({t.lay for t in tools if t.lay > 0})
    lays = [[items[t.pocket_id] for t in tools if t.lay == n] for n in lay_numbers]
    width = bay.width_mm if plan.bay else math.inf
    laid = beside(lays, rules.gap_mm, width)
    edge = plan.placement.edge_mm if plan.placement.edge_mm is not None else rules.edge_mm
    if plan.bay is None:
        bay = _bay_around(laid or list(items.values()), edge)
    shape, corner = panel_shape(bay)
    blocked = keep_outs(plan.keep_outs, corner)
    changes: tuple[Change, ...] = ()
    checks: list[Check] = []
    if plan.placement.arrangement is Arrangement.TIDIED and laid:
        w, h = shape.bounds[2] - shape.bounds[0], shape.bounds[3] - shape.bounds[1]
        tidied = tidy(
            laid,
            room_mm=(w - 2 * edge, h - 2 * edge),
            gap_mm=rules.gap_mm,
            max_shift_mm=plan.placement.max_shift_mm,
            max_turn_deg=plan.placement.max_turn_deg,
            pairs=plan.placement.pairs,
        )
        laid, changes = list(tidied.items), tidied.changes
        checks += [
            _refused(ids, shift, plan.placement.max_shift_mm) for ids, shift in tidied.refused
        ]
    laid = set_into(laid, shape, plan.placement.anchor, edge)
    if plan.placement.arrangement is Arrangement.FRESH:
        # a turn of the whole lay means nothing to a layout that does not come from it
        laid = _fresh(tools, pockets, plan)
    known = {item.pocket_id for item in items.values()}
    moves = [m for m in plan.moves if m.pocket_id in {i.pocket_id for i in laid}]
    if plan.placement.arrangement is Arrangement.FRESH:
        moves = [replace(m, turn_deg=None) for m in moves]  # turned already
    strange = [m for m in plan.moves if m.pocket_id not in known]
    laid = moved_by_hand(laid, moves + strange)
    placed = {item.pocket_id: item for item in laid}
    room = shape.buffer(-edge)
    for tool in tools:
        if tool.pocket_id in placed:
            continue
        item = _extra(tool, items[tool.pocket_id], placed, blocked, room, rules)
        placed |= {
            i.pocket_id: i
            for i in moved_by_hand([item], [m for m in plan.moves if m.pocket_id == tool.pocket_id])
        }
    where = tuple(placed[t.pocket_id] for t in tools)
    return Laid(where, shape, bay, blocked, changes, tuple(checks))


def _fresh(tools: Sequence[Tool], pockets: Sequence[PanelPocket], plan: PanelPlan) -> list[Item]:
    """Tools where the chosen layout has them, those with a whole place typed where they lay.

    Turns count from the photographed lie, the chosen and the typed ones, which win.
    """
    moves = {m.pocket_id: m for m in plan.moves}
    found = []
    for tool, pocket in zip(tools, pockets, strict=True):
        place, move = plan.place(tool.pocket_id), moves.get(tool.pocket_id)
        if place is None and (move is None or None in (move.x_mm, move.y_mm)):
            continue
        turn = move.turn_deg if move else None
        if turn is None:
            turn = place.turn_deg if place else 0.0
        item = Item(tool.pocket_id, pocket.region, tool.lie).turned(math.radians(turn))
        if place is not None:
            x, y = middle(item.placed.bounds)
            item = item.shifted(place.x_mm - x, place.y_mm - y)
        found.append(item)
    return found


def _extra(
    tool: Tool,
    item: Item,
    placed: dict[str, Item],
    blocked: Sequence[KeepOut],
    room: BaseGeometry,
    rules: Rules,
) -> Item:
    """A copy or typed pocket where it was asked for, or at the nearest free place."""
    x0, y0, x1, y1 = item.placed.bounds
    x, y = tool.wished
    if x is not None and y is not None:
        return item.shifted(x - (x0 + x1) / 2, y - (y0 + y1) / 2)
    original = placed.get(tool.pocket_id.rsplit("-", 1)[0])
    cx, cy = (room.centroid.x, room.centroid.y) if not room.is_empty else (0.0, 0.0)
    if original is not None:
        a0, b0, a1, b1 = original.placed.bounds
        cx, cy = (a0 + a1) / 2, (b0 + b1) / 2
    item = item.shifted(cx - (x0 + x1) / 2, cy - (y0 + y1) / 2)
    taken = [*(i.placed for i in placed.values()), *(k.region for k in blocked)]
    found = None
    for gap in (rules.gap_mm, rules.web_mm, rules.web_least_mm):
        found = found or free_place(item, taken, room, gap)
    if found is None:
        raise TracerError(
            "panel-no-room",
            f"The panel has no free place for {tool.pocket_id} ({tool.outline.name}).",
            "Type a place for it, leave it out, or make the bay larger.",
        )
    return found


def _refused(ids: Sequence[str], shift_mm: float, limit_mm: float) -> Check:
    return Check(
        slug="tidy-past-limit",
        severity=Severity.NOTE,
        sentence=f"The row of {', '.join(ids)} was left as photographed: making its gaps equal "
        f"would move a tool by {shift_mm:.0f} mm.",
        remedy="Raise the limit, or move a tool by hand.",
        subject_id=ids[0],
        value=shift_mm,
        limit=limit_mm,
        unit="mm",
    )


def _bay_around(items: Sequence[Item], edge_mm: float) -> Bay:
    x0, y0, x1, y1 = joint_box(items)
    # whole millimetres: sizes that a person can type and measure
    return Bay(
        BayKind.DRAWER,
        float(math.ceil(x1 - x0 + 2 * edge_mm)),
        float(math.ceil(y1 - y0 + 2 * edge_mm)),
    )


def put(pocket: PanelPocket, item: Item) -> PanelPocket:
    """The pocket where its item stands."""
    place = item.placement
    return replace(
        pocket,
        placement=place,
        outline=place.apply_polygon(pocket.outline),
        region=place.apply_polygon(pocket.region),
        wall=place.apply_polygon(pocket.wall),
        floor_insert=None
        if pocket.floor_insert is None
        else replace(pocket.floor_insert, region=place.apply_polygon(pocket.floor_insert.region)),
    )
