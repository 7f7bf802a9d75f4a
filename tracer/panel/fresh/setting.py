"""From pockets and a plan to a task, and from a layout back to the plan."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import shapely
from shapely import affinity
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.errors import TracerError
from tracer.model.panel import Bay, BayKind, PanelPocket, Ply, PlyRole
from tracer.model.panel_plan import ChosenPlace, PanelPlan, Spare, Style
from tracer.panel.fresh.layouts import EFFORTS, Wishes
from tracer.panel.fresh.pieces import Source, pieces_of
from tracer.panel.fresh.score import TERMS
from tracer.panel.layout.bay import keep_outs, panel_shape
from tracer.panel.layout.places import Tool
from tracer.panel.packing.task import Piece, Rim, Spot, Task
from tracer.panel.rules import Rules, rules_for
from tracer.panel.stock.seams import split_slab
from tracer.spelling import shown

__all__ = ["chosen_places", "gap_of", "sources_of", "task_of", "wishes_of"]


def gap_of(plan: PanelPlan, rules: Rules) -> float:
    """The gap that is asked for between tools."""
    if plan.placement.gap_mm is not None:
        return plan.placement.gap_mm
    return rules.web_mm if plan.placement.style is Style.DENSE else rules.gap_mm


def wishes_of(plan: PanelPlan) -> Wishes:
    """What the plan asks of the layouts.

    Raises
    ------
    TracerError
        ``layout-weight-unknown``.
    """
    place = plan.placement
    for name in place.weights:
        if name not in TERMS:
            raise TracerError(
                "layout-weight-unknown",
                f"There is no soft rule called {shown(name)}.",
                f"Known are: {', '.join(TERMS)}.",
            )
    kind = plan.bay.kind if plan.bay else BayKind.DRAWER
    # own choice: a wall is looked at, a drawer is filled up later
    spare = place.spare or (Spare.SPREAD if kind is BayKind.WALL else Spare.WHOLE)
    return Wishes(
        style=place.style,
        seed=place.seed,
        effort=EFFORTS[place.effort.value],
        weights=place.weights,
        even=spare is Spare.SPREAD,
    )


def sources_of(
    tools: Sequence[Tool], pockets: Sequence[PanelPocket], plan: PanelPlan
) -> list[Source]:
    """Pockets with how their tools lay."""
    return [
        Source(pocket, tool.lie, tool.outline.region, plan.tool(tool.pocket_id).daily)
        for tool, pocket in zip(tools, pockets, strict=True)
    ]


def task_of(
    sources: Sequence[Source],
    plan: PanelPlan,
    plies: tuple[Ply, ...],
    *,
    bay: Bay | None = None,
    gap_mm: float | None = None,
    seam_way: int = 0,
) -> Task:
    """The task of a plan; ``bay`` and ``gap_mm`` in place of the plan's own.

    ``seam_way``: which of the ways to part a panel larger than its sheets.

    Raises
    ------
    TracerError
        ``layout-needs-bay``, ``bay-impossible``, ``layout-locked-outside``,
        ``layout-locked-overlap``, ``panel-unknown-tool``.
    """
    bay = bay or plan.bay
    if bay is None:
        raise TracerError(
            "layout-needs-bay",
            "A layout made from nothing needs the bay's width and height.",
            "Type its size, for example 560x380.",
        )
    rules = rules_for(bay.kind, plies, plan.rules)
    gap = gap_of(plan, rules) if gap_mm is None else gap_mm
    shape, corner = panel_shape(bay)
    known = {s.pocket.pocket_id for s in sources}
    for move in plan.moves:
        if move.pocket_id not in known:
            raise TracerError(
                "panel-unknown-tool",
                f"The panel has no tool {move.pocket_id} to move.",
                "The overlay picture and tools.csv show the tools' ids.",
            )
    locked = {
        m.pocket_id: m.turn_deg or 0.0
        for m in plan.moves
        if m.x_mm is not None and m.y_mm is not None
    }
    pieces = pieces_of(
        sources, plan, bay, plies, rules, gap_mm=gap, rim=Rim.of(shape), locked=locked
    )
    half_web = rules.web_mm / 2
    blocked: list[BaseGeometry] = [
        k.region.buffer(half_web) for k in keep_outs(plan.keep_outs, corner)
    ]
    blocked += _seams(shape, plies, rules, seam_way)
    stays = _stays(pieces, plan)
    task = Task(shape, bay.kind, pieces, gap, tuple(blocked), stays, _reaches(pieces, bay, rules))
    _refuse_stays(task)
    kept = [task.envelope(s) for s in stays]
    return replace(task, blocked=(*blocked, *kept))


def _stays(pieces: Sequence[Piece], plan: PanelPlan) -> tuple[Spot, ...]:
    moves = {m.pocket_id: m for m in plan.moves}
    found = []
    for n, piece in enumerate(pieces):
        move = moves.get(piece.pocket_id)
        if move is not None and move.x_mm is not None and move.y_mm is not None:
            found.append(Spot(n, 0, move.x_mm, move.y_mm))
    return tuple(found)


def _refuse_stays(task: Task) -> None:
    shapes = [affinity.translate(task.variant(s).cuts, s.x_mm, s.y_mm) for s in task.stays]
    for spot, shape in zip(task.stays, shapes, strict=True):
        if not task.shape.contains(shape):
            name = task.pieces[spot.piece].pocket_id
            raise TracerError(
                "layout-locked-outside",
                f"{name} is locked to a place where it reaches over the edge of the panel.",
                "Type another place for it in [[moves]], or take the entry out.",
            )
    for a, first in enumerate(shapes):
        for b in range(a + 1, len(shapes)):
            if float(shapely.distance(first, shapes[b])) < 1e-6:
                one, two = (task.pieces[task.stays[k].piece].pocket_id for k in (a, b))
                raise TracerError(
                    "layout-locked-overlap",
                    f"{one} and {two} are locked to places where they run into each other.",
                    "Move one of them in [[moves]], or take its entry out.",
                )


def _reaches(
    pieces: Sequence[Piece], bay: Bay, rules: Rules
) -> tuple[tuple[float, float] | None, ...]:
    """Heavy tools hang no higher than a shoulder where the wall's height is known."""
    floor = bay.above_floor_mm
    if bay.kind is not BayKind.WALL or floor is None:
        return (None,) * len(pieces)
    top = rules.reach_high_mm - floor
    return tuple(
        (-math.inf, top) if p.known_mass and p.mass_kg >= rules.heavy_kg else None for p in pieces
    )


def _seams(shape: Polygon, plies: Sequence[Ply], rules: Rules, way: int) -> list[BaseGeometry]:
    """Strips along the seams of the face: nothing is cut there."""
    x0, y0, x1, y1 = shape.bounds
    size = next(p.stock.size_mm for p in plies if p.role is PlyRole.FACE)
    parts = split_slab(shape, size, [], rules=rules)
    if parts is None or len(parts) < 2:
        return []
    clear = max(rules.seam_clear_mm - rules.web_mm / 2, 0.1)
    lines: list[BaseGeometry] = []
    cuts = [{v for region, _ in parts for v in region.bounds[axis::2]} for axis in (0, 1)]
    for axis, (low, high) in enumerate(((x0, x1), (y0, y1))):
        inner = sorted(v for v in cuts[axis] if low + 1 < v < high - 1)
        if way and inner:
            # whole sheets from one side, what is left on the other
            longest = max(size) if high - low > max(size) else min(size)
            inner = [low + longest * (k + 1) for k in range(len(inner))]
            inner = [low + high - v for v in inner] if way == 2 else inner
        for v in inner:
            ends = [(v, y0), (v, y1)] if axis == 0 else [(x0, v), (x1, v)]
            lines.append(shapely.LineString(ends).buffer(clear, cap_style="flat"))
    return lines


def chosen_places(task: Task, spots: Sequence[Spot]) -> tuple[ChosenPlace, ...]:
    """Places of all tools that are not locked, as the plan keeps them."""
    stay = {s.piece for s in task.stays}
    found = []
    for spot in spots:
        piece = task.pieces[spot.piece]
        if spot.piece in stay:
            continue
        variant = piece.variants[spot.turn]
        for member, (x, y, turn) in zip(piece.members, variant.seats, strict=True):
            found.append(
                ChosenPlace(
                    member.pocket_id,
                    round(spot.x_mm + x, 3),
                    round(spot.y_mm + y, 3),
                    round(turn, 3),
                )
            )
    return tuple(sorted(found, key=lambda p: p.pocket_id))
