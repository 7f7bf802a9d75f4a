"""Layouts made from nothing for a job's tools: the best different ones, each a whole panel."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from tracer.errors import TracerError, UsageError
from tracer.interruption import Interrupted, ending
from tracer.model.panel import Panel
from tracer.model.panel_plan import Arrangement, MovePlan, PanelPlan, Style
from tracer.model.report import Check, Severity
from tracer.panel.build import Made, plies_of
from tracer.panel.fresh.layouts import make_layouts
from tracer.panel.fresh.score import Score
from tracer.panel.fresh.search import Found
from tracer.panel.fresh.setting import chosen_places, sources_of, task_of, wishes_of
from tracer.panel.fresh.task import Task
from tracer.panel.layout.placement import middle
from tracer.panel.layout.places import Tool

__all__ = ["Choice", "fresh_choices", "held", "needs_search", "places_cover"]

#: ways to part a panel that is larger than its sheets
_SEAM_WAYS = 3


@dataclass(frozen=True, eq=False)
class Choice:
    """One of the layouts to choose from: the plan that has it, its figures, its style."""

    plan: PanelPlan
    score: Score
    style: str


def needs_search(plan: PanelPlan, tools: Sequence[Tool]) -> bool:
    """Whether a fresh plan has no places yet, or places for other tools."""
    return plan.placement.arrangement is Arrangement.FRESH and not places_cover(plan, tools)


def places_cover(plan: PanelPlan, tools: Sequence[Tool]) -> bool:
    """Whether every tool has its place in the plan: chosen, or typed by hand."""
    typed = {m.pocket_id for m in plan.moves if m.x_mm is not None and m.y_mm is not None}
    return all(
        t.pocket_id in typed or plan.place(t.pocket_id) is not None
        for t in tools
        if not plan.tool(t.pocket_id).skip
    )


def held(
    plan: PanelPlan, panel: Panel | None, tools: Sequence[Tool], ids: Sequence[str]
) -> PanelPlan:
    """The plan with tools held where the panel has them, as if their places were typed.

    Raises
    ------
    UsageError
        ``layout-stay-unknown`` where a tool has no place yet.
    """
    if not ids:
        return plan
    pockets = {p.pocket_id: p for p in panel.pockets} if panel else {}
    lies = {t.pocket_id: t for t in tools}
    moves = {m.pocket_id: m for m in plan.moves}
    for name in ids:
        if name not in pockets or name not in lies:
            raise UsageError(
                "layout-stay-unknown",
                f"{name} has no place in the panel that it could stay at.",
                "Name tools of the arranged panel by their ids, or type places in [[moves]].",
            )
        pocket, tool = pockets[name], lies[name]
        # the middle of the opening's box at its own turn, wells left aside
        x, y = middle(pocket.placement.apply_polygon(tool.outline.region).bounds)
        turn = math.degrees(pocket.placement.angle_rad - tool.lie.angle_rad)
        moves[name] = MovePlan(name, round(x, 3), round(y, 3), round((turn + 180) % 360 - 180, 3))
    return replace(plan, moves=tuple(moves.values()))


def fresh_choices(
    tools: Sequence[Tool],
    made: Made,
    plan: PanelPlan,
    progress: Callable[[float], None] | None = None,
) -> tuple[list[Choice], list[Check]]:
    """The best different layouts as plans, best first, and what was decided on the way.

    Raises
    ------
    TracerError
        ``panel-no-room`` with what would help, and what `task_of` and `wishes_of` raise.
    """
    wishes = wishes_of(plan)
    sources = sources_of(tools, made[0], plan)
    first: Task | None = None
    for way in range(_SEAM_WAYS):
        task = task_of(sources, plan, plies_of(plan), seam_way=way)
        if first is not None and not _other_seams(first, task):
            break
        first = first or task
        found = make_layouts(task, wishes, progress)
        if found:
            checks = _style_check(found, wishes.style)
            if ending.number:
                checks.append(_ended_early())
            return [_choice(task, f, plan) for f in found], checks
    assert first is not None
    raise _no_room(first, plan)


def _ended_early() -> Check:
    """Ctrl-C ends the search and keeps the best; any other request ends the program."""
    if not ending.answered():
        raise Interrupted
    return Check(
        "layout-search-ended",
        Severity.NOTE,
        "The search for layouts was ended with Ctrl-C; the best so far were kept.",
        "Search again with --place fresh.",
    )


def _other_seams(first: Task, second: Task) -> bool:
    return [b.bounds for b in first.blocked] != [b.bounds for b in second.blocked]


def _choice(task: Task, found: Found, plan: PanelPlan) -> Choice:
    return Choice(replace(plan, places=chosen_places(task, found.spots)), found.score, found.style)


def _style_check(found: Sequence[Found], style: Style) -> list[Check]:
    if any(f.style == style.value for f in found):
        return []
    return [
        Check(
            "layout-other-style",
            Severity.NOTE,
            f"No layout of the style {style.value} was found that fits; {found[0].style} does.",
            "A larger bay or a smaller --gap leaves room for rows.",
        )
    ]


def _no_room(task: Task, plan: PanelPlan) -> TracerError:
    bay = plan.bay
    assert bay is not None
    for n, piece in enumerate(task.pieces):
        if not any(task.fits_alone(n, t) for t in range(len(piece.variants))):
            return TracerError(
                "panel-no-room",
                f"{piece.pocket_id} alone, with its margins, does not fit the bay of"
                f" {bay.width_mm:g} x {bay.height_mm:g} mm at any quarter turn.",
                "Make the bay larger, or leave the tool out (skip in [[tools]]).",
            )
    return TracerError(
        "panel-no-room",
        f"No layout was found that puts all {len(task.pieces)} tools into the bay of"
        f" {bay.width_mm:g} x {bay.height_mm:g} mm with gaps of {task.gap_mm:g} mm.",
        "Make the bay larger, leave tools out, or allow a smaller gap with --gap.",
    )
