"""A set spread over several bays: tools and a plan in, a plan for each bay out."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tracer.errors import TracerError, UsageError
from tracer.model.panel import Bay, PlyRole
from tracer.model.panel_plan import Arrangement, PanelPlan
from tracer.panel.build import above_foam_mm, make_pockets, plies_of, rules_of, wanted_tools
from tracer.panel.fittings.additions import without_fittings
from tracer.panel.fresh.division import Division, Reason, Room, Thing, divided
from tracer.panel.fresh.layouts import EFFORTS, make_layouts
from tracer.panel.fresh.score import weights_for
from tracer.panel.fresh.setting import sources_of, task_of, wishes_of
from tracer.panel.fresh.shortfall import least_bay, without
from tracer.panel.layout.places import Tool
from tracer.panel.packing.task import Task
from tracer.panel.pocket.depth import least_clear_depth_mm
from tracer.panel.rules import Rules
from tracer.ranges import shown

__all__ = ["BayOrder", "Placed", "Spread", "no_room", "refuse_bays", "spread_over"]

_MOST_BAYS = 20
_NAME = re.compile(r"\w[\w -]{0,40}(?<! )")


@dataclass(frozen=True)
class BayOrder:
    """A bay as it was asked for, in the order from the one nearest to hand to the lowest."""

    name: str
    bay: Bay


@dataclass(frozen=True)
class Placed:
    """Where a tool goes: number of its bay from 0 (None: left out), and why."""

    pocket_id: str
    name: str
    bay: int | None
    why: str


@dataclass(frozen=True, eq=False)
class Spread:
    """A plan for each bay, None where nothing goes in; every tool; what would help those left out.

    ``lost`` names what the plan has that belongs to one bay and is in none of these plans.
    """

    plans: tuple[PanelPlan | None, ...]
    tools: tuple[Placed, ...]
    advice: str = ""
    lost: tuple[str, ...] = ()

    @property
    def out(self) -> tuple[Placed, ...]:
        """Tools that no bay holds."""
        return tuple(t for t in self.tools if t.bay is None)


def spread_over(
    tools: Sequence[Tool],
    plan: PanelPlan,
    bays: Sequence[BayOrder],
    put: Mapping[str, str],
    progress: Callable[[float], None] | None = None,
) -> Spread:
    """Spread a plan's tools over bays.

    Parameters
    ----------
    put
        Name of the bay by tool id, where a person chose one.

    Raises
    ------
    UsageError
        ``bay-unknown``, ``panel-unknown-tool``, and as `refuse_bays`.
    TracerError
        What `task_of` and `make_pockets` raise.
    """
    refuse_bays(bays)
    bare, lost = _for_any_bay(plan)
    wanted = wanted_tools(tools, bare)
    names = {b.name: n for n, b in enumerate(bays)}
    for tool, bay in put.items():
        _refuse_unknown(tool, bay, wanted, names)
    plans = [replace(bare, bay=b.bay) for b in bays]
    ids = [t.pocket_id for t in wanted]
    tasks = [_task(wanted, p, ids) for p in plans]
    things = _things(wanted, tasks, plans, {t: names[b] for t, b in put.items()})
    count = 0

    def tick(_: float = 0.0) -> None:
        nonlocal count
        count += 1
        if progress:
            progress(count / (count + 10.0 * len(bays)))

    def holds(bay: int, chosen: tuple[int, ...]) -> bool:
        tick()
        mine = [i for k in chosen for i in things[k].ids]
        task = _task(wanted, plans[bay], mine)
        wishes = replace(wishes_of(plans[bay]), effort=EFFORTS["quick"], count=1, first=True)
        return bool(make_layouts(task, wishes, tick if progress else None))

    rooms = [Room(b.name, _usable_mm2(t)) for b, t in zip(bays, tasks, strict=True)]
    weights = weights_for(bays[0].bay.kind, bare.placement.weights)
    division = divided(things, rooms, holds, weights)
    placed = _placed(wanted, things, division, plans)
    finished = tuple(_plan_of(n, bare, bays, placed) for n in range(len(bays)))
    advice = _advice(things, division, tasks, bays) if division.out else ""
    return Spread(finished, placed, advice, lost)


def refuse_bays(bays: Sequence[BayOrder]) -> None:
    """Refuse too few or too many bays, and names that cannot tell them apart or name a folder.

    Raises
    ------
    UsageError
        ``bays-too-few``, ``bays-too-many``, ``bay-name-unusable``, ``bay-named-twice``.
    """
    if len(bays) < 2:
        raise UsageError(
            "bays-too-few",
            "A set is spread over two bays or more.",
            "Name two bays or more; a single one is arranged as a panel.",
        )
    if len(bays) > _MOST_BAYS:
        raise UsageError(
            "bays-too-many",
            f"{len(bays)} bays were given; at most {_MOST_BAYS} are filled at once.",
            "Divide the tools over several jobs first.",
        )
    seen: set[str] = set()
    for one in bays:
        if not _NAME.fullmatch(one.name):
            raise UsageError(
                "bay-name-unusable",
                f"{shown(one.name)} cannot be the name of a bay: its job is a folder of that name.",
                "Use letters, digits, hyphens and underscores.",
            )
        if one.name.lower() in seen:  # folders of these names are one on some systems
            raise UsageError(
                "bay-named-twice",
                f"Two bays are called {one.name}.",
                "Name each bay differently, such as top=560x400 and low=560x400.",
            )
        seen.add(one.name.lower())


def _refuse_unknown(tool: str, bay: str, wanted: Sequence[Tool], names: Mapping[str, int]) -> None:
    if tool not in {t.pocket_id for t in wanted}:
        raise UsageError(
            "panel-unknown-tool",
            f"There is no tool {tool} to put into the bay {bay}.",
            "The overlay picture and tools.csv show the tools' ids.",
        )
    if bay not in names:
        raise UsageError(
            "bay-unknown",
            f"There is no bay {bay} to put {tool} into.",
            f"The bays are called {', '.join(names)}.",
        )


def _for_any_bay(plan: PanelPlan) -> tuple[PanelPlan, tuple[str, ...]]:
    """The plan without what stands at a place in one bay; and what that was."""
    parts = {
        "emblems": plan.emblems,
        "cable rooms": plan.cavities,
        "mounts": plan.mounts,
        "ledges": plan.ledges,
        "rest rail": plan.rail,
        "keep-outs": plan.keep_outs,
    }
    # an outline that is an emblem's is no tool for that
    drawn = {e.outline_id for e in plan.emblems if e.outline_id}
    typed = {t.pocket_id for t in plan.tools}
    skipped = [replace(t, skip=True) if t.pocket_id in drawn else t for t in plan.tools]
    skipped += [replace(plan.tool(i), pocket_id=i, skip=True) for i in sorted(drawn - typed)]
    bare = replace(
        without_fittings(plan),
        keep_outs=(),
        moves=(),
        places=(),
        tools=tuple(skipped),
        placement=replace(plan.placement, arrangement=Arrangement.FRESH, choice=1),
    )
    return bare, tuple(name for name, there in parts.items() if there)


def _task(wanted: Sequence[Tool], plan: PanelPlan, ids: Sequence[str]) -> Task:
    """The task of some of the tools in the plan's bay, numbered as their panel will number them."""
    there = set(ids)
    mine = [t for t in wanted if t.pocket_id in there]
    here = replace(plan, slots=tuple(s for s in plan.slots if set(s.pocket_ids) <= there))
    return task_of(sources_of(mine, make_pockets(mine, here)[0], here), here, plies_of(here))


def _things(
    wanted: Sequence[Tool],
    tasks: Sequence[Task],
    plans: Sequence[PanelPlan],
    put: Mapping[str, int],
) -> list[Thing]:
    tools = {t.pocket_id: t for t in wanted}
    found = []
    for k, piece in enumerate(tasks[0].pieces):
        ids = tuple(m.pocket_id for m in piece.members)
        bays = tuple(
            b
            for b, (task, plan) in enumerate(zip(tasks, plans, strict=True))
            if any(task.fits_alone(k, t) for t in range(len(task.pieces[k].variants)))
            and all(_deep_enough(tools[i], plan) for i in ids)
        )
        chosen = {put[i] for i in ids if i in put}
        if len(chosen) > 1:
            raise UsageError(
                "bay-unknown",
                f"{' and '.join(ids)} share a finger slot and cannot go into two bays.",
                "Put them into one, or take the slot out of the plan.",
            )
        found.append(
            Thing(
                ids,
                piece.kin,
                float(piece.variants[0].envelope.area),
                piece.mass_kg,
                piece.daily,
                bays,
                next(iter(chosen), None),
            )
        )
    return found


def _depth_needed_mm(tool: Tool, plan: PanelPlan, rules: Rules) -> float:
    plies = plies_of(plan)
    stack = sum(p.stock.thickness_mm for p in plies)
    face = sum(p.stock.thickness_mm for p in plies if p.role is PlyRole.FACE)
    needed = least_clear_depth_mm(
        above_foam_mm(tool, plan), face_mm=face, stack_mm=stack, rules=rules
    )
    return max(needed, stack + rules.closing_mm)  # the foam itself has to go in


def _deep_enough(tool: Tool, plan: PanelPlan) -> bool:
    assert plan.bay is not None
    clear = plan.bay.clear_depth_mm
    return clear is None or _depth_needed_mm(tool, plan, rules_of(plan, plan.bay)) <= clear + 1e-6


def _usable_mm2(task: Task) -> float:
    """Area that envelopes may take: the bay's without margins beyond half a gap."""
    piece = task.pieces[0].variants[0]
    support = (task.rim.normals @ np.asarray(piece.envelope.exterior.coords)[:, :2].T).max(axis=1)
    margin = float((piece.reach_mm - support).mean())
    x0, y0, x1, y1 = task.shape.bounds
    box = max(x1 - x0 - 2 * margin, 1.0) * max(y1 - y0 - 2 * margin, 1.0)
    share = task.shape.area / ((x1 - x0) * (y1 - y0))
    return float(box * share - sum(b.area for b in task.blocked))


def _placed(
    wanted: Sequence[Tool], things: Sequence[Thing], division: Division, plans: Sequence[PanelPlan]
) -> tuple[Placed, ...]:
    at = {i: k for k, t in enumerate(things) for i in t.ids}
    found = []
    for tool in wanted:
        k = at[tool.pocket_id]
        bay, why = division.bay[k], division.why[k]
        if why is None:
            words = _why_out(tool, things[k], plans)
        elif why is Reason.HEAVY:
            known = plans[0].tool(tool.pocket_id).mass_kg or tool.mass_kg
            words = f"{why} ({known:g} kg)" if known else f"{why} (by its size)"
        else:
            words = str(why)
        found.append(Placed(tool.pocket_id, tool.outline.name, bay, words))
    return tuple(found)


def _why_out(tool: Tool, thing: Thing, plans: Sequence[PanelPlan]) -> str:
    if thing.bays and (thing.put is None or thing.put in thing.bays):
        return "no room is left"
    plan = plans[0]
    assert plan.bay is not None
    shallow = [p for p in plans if not _deep_enough(tool, p)]
    if shallow:
        needed = _depth_needed_mm(tool, plan, rules_of(plan, plan.bay))
        return f"too high or too large: it needs a clear depth of {needed:g} mm"
    return "too large for it at any quarter turn, with its margins"


def _plan_of(
    number: int, plan: PanelPlan, bays: Sequence[BayOrder], placed: Sequence[Placed]
) -> PanelPlan | None:
    """The plan of one bay: all other tools are skipped."""
    here = {p.pocket_id for p in placed if p.bay == number}
    if not here:
        return None
    known = {t.pocket_id for t in plan.tools}
    elsewhere = {p.pocket_id for p in placed} - here
    tools = [t for t in plan.tools if t.pocket_id not in here | elsewhere]
    for one in placed:
        own = replace(plan.tool(one.pocket_id), pocket_id=one.pocket_id)
        if one.pocket_id in elsewhere:
            tools.append(replace(own, skip=True))
        elif one.pocket_id in known or one.pocket_id.rsplit("-", 1)[0] in elsewhere:
            tools.append(replace(own, skip=False))  # a copy goes by its original else
    return replace(
        plan,
        title=f"{plan.title} {bays[number].name}",
        bay=bays[number].bay,
        tools=tuple(sorted(tools, key=lambda t: t.pocket_id)),
        slots=tuple(s for s in plan.slots if set(s.pocket_ids) <= here),
    )


def _advice(
    things: Sequence[Thing], division: Division, tasks: Sequence[Task], bays: Sequence[BayOrder]
) -> str:
    """A further bay that was found to hold what is left out."""
    largest = max(range(len(bays)), key=lambda b: tasks[b].shape.area)
    out = set(division.out)
    rest = without(tasks[largest], [k for k in range(len(things)) if k not in out])
    ids = ", ".join(i for k in division.out for i in things[k].ids)
    size = least_bay(rest, 0, lambda: None)
    further = f"a further bay of {size[0]:g} x {size[1]:g} mm holds them" if size else ""
    ways = [further, f"leave out {ids} (skip in [[tools]])", "type a smaller gap"]
    text = "; ".join([w for w in ways if w] + ["make the panels of what fits"])
    return f"{text[0].upper()}{text[1:]}."


def no_room(spread: Spread, count: int) -> TracerError:
    """The refusal where bays do not hold all tools."""
    out = "; ".join(f"{t.pocket_id} ({t.name}): {t.why}" for t in spread.out)
    return TracerError(
        "bays-no-room",
        f"The {count} bays do not hold all {len(spread.tools)} tools. Left out are {out}.",
        spread.advice,
    )
