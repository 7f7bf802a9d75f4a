"""Layouts made from nothing for a job's tools: the best different ones, each a whole panel."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

from tracer.errors import TracerError, UsageError
from tracer.interruption import Interrupted, ending
from tracer.model.panel import Panel
from tracer.model.panel_plan import Arrangement, MovePlan, PanelPlan, Style
from tracer.model.report import Check, Severity
from tracer.panel.build import Made, plies_of, rules_of
from tracer.panel.fresh.layouts import make_layouts
from tracer.panel.fresh.pieces import Source
from tracer.panel.fresh.score import Score
from tracer.panel.fresh.search import Found
from tracer.panel.fresh.setting import chosen_places, sources_of, task_of, wishes_of
from tracer.panel.fresh.shortfall import Shortfall, closer, fits, least_sizes, too_many
from tracer.panel.layout.placement import middle
from tracer.panel.layout.places import Tool
from tracer.panel.packing.task import Task

__all__ = ["Choice", "fresh_choices", "held", "needs_search", "places_cover"]

#: what the next closer fit class takes off a pocket on each side, about
_CLOSER_MM = 0.5
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
    plan: PanelPlan,
    panel: Panel | None,
    tools: Sequence[Tool],
    made: Made,
    ids: Sequence[str],
) -> PanelPlan:
    """The plan with tools held where the panel has them, as if their places were typed.

    Raises
    ------
    UsageError
        ``layout-stay-unknown`` where a tool has no place yet.
    """
    pockets = {p.pocket_id: p for p in panel.pockets} if panel else {}
    own = {t.pocket_id: (t, p) for t, p in zip(tools, made[0], strict=True)}
    moves = {m.pocket_id: m for m in plan.moves}
    for name in ids:
        if name not in pockets or name not in own:
            raise UsageError(
                "layout-stay-unknown",
                f"{name} has no place in the panel that it could stay at.",
                "Name tools of the arranged panel by their ids, or type places in [[moves]].",
            )
        place, (tool, pocket) = pockets[name].placement, own[name]
        x, y = middle(place.apply_polygon(pocket.region).bounds)
        turn = math.degrees(place.angle_rad - tool.lie.angle_rad)
        turn = round((turn + 180) % 360 - 180, 3)
        moves[name] = MovePlan(name, round(x, 3), round(y, 3), turn, locked=True)
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
    raise _no_room(first, plan, sources, progress)


def _ended_early() -> Check:
    """Ctrl-C ends the search and keeps the best; any other request ends the program."""
    if not ending.answered():
        raise Interrupted
    return Check(
        "layout-search-ended",
        Severity.NOTE,
        "The search for layouts was ended with Ctrl-C; the best so far were kept.",
        "Lay the tools out afresh to search again.",
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
            "A larger bay or a smaller gap leaves room for rows.",
        )
    ]


def _no_room(
    task: Task,
    plan: PanelPlan,
    sources: Sequence[Source],
    progress: Callable[[float], None] | None,
) -> TracerError:
    """What does not fit, and what was found to help."""
    width, height = task.size_mm
    bay = f"the bay of {width:g} x {height:g} mm"
    alone = [
        p.pocket_id
        for n, p in enumerate(task.pieces)
        if n in task.free and not any(task.fits_alone(n, t) for t in range(len(p.variants)))
    ]
    if alone:
        sentence = f"{alone[0]} alone, with its margins, does not fit {bay} at any quarter turn."
    else:
        sentence = (
            f"No layout was found that puts all {len(task.pieces)} tools into {bay} with gaps of"
            f" {task.gap_mm:g} mm."
        )
    help_found = _shortfall(task, plan, sources, progress)
    return TracerError("panel-no-room", sentence, _advice(help_found))


def _shortfall(
    task: Task,
    plan: PanelPlan,
    sources: Sequence[Source],
    progress: Callable[[float], None] | None,
) -> Shortfall:
    seed, plies = plan.placement.seed, plies_of(plan)
    count = 0

    def tick() -> None:
        nonlocal count
        count += 1
        if progress and count % 8 == 0:
            progress(count / (count + 20 * len(task.pieces)))

    found = Shortfall()
    with suppress(KeyboardInterrupt):  # what was found until then is told
        of_width, of_height, of_shape = least_sizes(task, seed, tick)
        found = Shortfall(of_width, of_height, of_shape)
        found = replace(found, left_out=too_many(task, seed, tick))
        assert plan.bay is not None
        least = rules_of(plan, plan.bay).web_mm
        for share in (0.75, 0.5, 0.0):
            gap = float(math.floor(least + share * (task.gap_mm - least)))
            if gap < task.gap_mm and fits(task_of(sources, plan, plies, gap_mm=gap), seed, tick):
                found = replace(found, gap_mm=gap)
                break
        found = replace(found, closer_fit=fits(closer(task, _CLOSER_MM), seed, tick))
    if ending.number:
        ending.answered()
    return found


def _advice(found: Shortfall) -> str:
    sizes = [
        f"{of} {size[0]:g} x {size[1]:g} mm"
        for of, size in (
            ("of this width", found.of_width),
            ("of this height", found.of_height),
            ("of this shape", found.of_shape),
        )
        if size is not None
    ]
    help_by = [f"the smallest bays found are {', '.join(sizes)}"] if sizes else []
    if found.left_out:
        names = ", ".join(found.left_out)
        help_by.append(f"without {names} the rest fits (skip in [[tools]])")
    if found.gap_mm is not None:
        help_by.append(f"with gaps of {found.gap_mm:g} mm all fit")
    if found.closer_fit:
        help_by.append("with a closer fit class all fit")
    if not help_by:
        return "Make the bay larger, or spread the tools over two."
    text = "; ".join(help_by)
    return f"{text[0].upper()}{text[1:]}."
