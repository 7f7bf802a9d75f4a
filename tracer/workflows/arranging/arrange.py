"""Outlines of a job to its panel: ``panel.json``, ``panel.toml`` and pictures."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

from tracer.errors import TracerError, UsageError
from tracer.export.machine.checks import material_named
from tracer.model.fittings import Drawn
from tracer.model.outline import Outline
from tracer.model.panel import Bay, BayKind, Panel, PlyRole
from tracer.model.panel_plan import Arrangement, MovePlan, PanelPlan
from tracer.model.report import Check, Severity
from tracer.panel.build import (
    Made,
    build_panel,
    make_pockets,
    plies_of,
    wanted_tools,
    with_room_kept,
)
from tracer.panel.checks.report import check_panel, sorted_checks
from tracer.panel.fittings.additions import without_fittings
from tracer.panel.layout.placement import middle
from tracer.panel.layout.places import Tool
from tracer.panel.layout.rows import Change
from tracer.panel.rules import rules_for
from tracer.panel.stock.layers import layered
from tracer.panel.stock.seams import retiled
from tracer.pictures.panel import panel_png
from tracer.progress import Progress, StepClock
from tracer.project.former import FORMER
from tracer.project.outlines_file import load_outlines
from tracer.project.panel_file import PanelFile, dump_panel, load_panel
from tracer.project.plan_file import plan_from_toml, plan_toml
from tracer.project.schema import load_job
from tracer.project.store import JobFolder
from tracer.project.tool_list import parse_tool_list
from tracer.workflows.arranging.drawn_shapes import DRAWINGS, beside_job, drawn_shapes
from tracer.workflows.arranging.fresh_layouts import Choice, fresh_choices, held, needs_search
from tracer.workflows.arranging.panel_tools import job_tools, tool_digests
from tracer.workflows.job.persons_files import left_alone

__all__ = [
    "Arranged",
    "arrange_job",
    "arrange_tools",
    "panel_pictures",
    "plan_in_force",
    "titled",
    "tools_of_job",
]

PANEL_JSON, PANEL_TOML, IMPORTED = "panel.json", "panel.toml", "guests.json"
FRONT, CHECKED = "pictures/panel.png", "pictures/panel-checks.png"
CHOICE = "pictures/layout-{}.png"

Edit = Callable[[PanelPlan], PanelPlan]


@dataclass(frozen=True, eq=False)
class Arranged:
    """What a run did: the panel with its checks, what tidying changed, files written."""

    job: JobFolder
    panel: Panel
    plan: PanelPlan
    changes: tuple[Change, ...]
    checks: tuple[Check, ...]
    files: tuple[str, ...]
    seconds: dict[str, float]
    choices: tuple[Choice, ...] = ()


def arrange_tools(
    tools: list[Tool],
    plan: PanelPlan,
    *,
    revision: int = 1,
    progress: Callable[[float], None] | None = None,
    made: Made | None = None,
    drawn: Drawn | None = None,
    keep_places: bool = False,
) -> tuple[Panel, tuple[Change, ...]]:
    """The checked panel for these tools, in layers where the machine only cuts through.

    ``made`` are the tools' pockets where they were made before, ``drawn`` the shapes of the plan's
    emblems, cable rooms and mounts. A plan of a fresh layout without places gets the best one;
    ``keep_places`` as in `arrange_job`.
    """
    drawn = drawn or Drawn()
    if _searched(plan, tools, keep_places):
        wanted = wanted_tools(tools, plan)
        made = made or make_pockets(wanted, plan)
        found, _ = fresh_choices(wanted, made, with_room_kept(plan, drawn))
        plan = replace(found[0].plan, bay=plan.bay, keep_outs=plan.keep_outs)
    built = build_panel(tools, plan, revision=revision, progress=progress, made=made, drawn=drawn)
    panel, checks = built.panel, list(built.checks)
    if plan.through_only:
        panel, more = layered(panel, plan)
        panel = retiled(panel, rules_for(panel.bay.kind, panel.plies, plan.rules))
        checks += more
    checks += check_panel(panel, plan, tools)
    return replace(panel, checks=sorted_checks(panel, checks)), built.changes


def _searched(plan: PanelPlan, tools: Sequence[Tool], keep_places: bool) -> bool:
    """Whether a layout is to be searched for."""
    return needs_search(plan, tools) and not (keep_places and plan.places)


def _bay_round(tools: list[Tool], plan: PanelPlan, known: Mapping[str, Any]) -> Bay:
    """A bay that fits round the tools, of the kind and the measures that are known."""
    kind = known.get("kind", BayKind.DRAWER)
    rules = rules_for(kind, plies_of(plan), plan.rules)
    edge = plan.placement.edge_mm if plan.placement.edge_mm is not None else rules.edge_mm
    as_photographed = replace(plan.placement, edge_mm=edge, arrangement=Arrangement.PHOTOGRAPHED)
    round_it = build_panel(
        tools,
        replace(without_fittings(plan), bay=None, placement=as_photographed, places=()),
    ).panel.bay
    return replace(round_it, **known)


def tools_of_job(folder: JobFolder, plan: PanelPlan) -> tuple[list[Tool], list[Check]]:
    """Tools that a job offers to a plan."""
    content = load_outlines(folder.read("outlines.json"), "outlines.json")
    tools = None
    if folder.has("tools.csv"):
        tools = parse_tool_list(folder.read("tools.csv"), "tools.csv")
    imported: tuple[Outline, ...] = ()
    if folder.has(IMPORTED):
        imported = load_outlines(folder.read(IMPORTED), IMPORTED).outlines
    return job_tools(content, tools, plan, imported)


def arrange_job(
    folder: JobFolder,
    edit: Edit | None = None,
    *,
    plan_file: tuple[str, bytes] | None = None,
    stay: Sequence[str] = (),
    keep_places: bool = False,
    bay: Mapping[str, Any] | None = None,
    drawings: Mapping[str, bytes] | None = None,
    progress: Progress | None = None,
) -> Arranged:
    """Arrange a job's outlines.

    Parameters
    ----------
    edit
        Change to the plan (what was typed on the command line), applied last.
    plan_file
        Name and bytes of a plan that replaces the job's own.
    stay
        Ids of tools that keep the places they have now while the rest is laid out afresh.
    keep_places
        A layout that was chosen is kept for all tools that are in it; one that came since goes to
        the nearest free place. Otherwise all are laid out again.
    bay
        What is known of the bay but its size (fields of `Bay`): it is made to fit round the tools.
    drawings
        Drawings that the plan names, by their names: they are kept in the job.

    Raises
    ------
    TracerError
        ``job-missing``, ``panel-plan-unreadable`` and what the panel stage raises.
    """
    clock = StepClock(progress)
    with folder.locked():
        if not folder.exists():
            raise UsageError(
                "job-missing",
                f"There is no job {folder.name} here.",
                "Trace the photos of a lay to make one.",
            )
        before = load_panel(folder.read(PANEL_JSON), PANEL_JSON) if folder.has(PANEL_JSON) else None
        plan = plan_from_toml(plan_file[1], plan_file[0]) if plan_file else None
        plan = plan or plan_in_force(folder, before)
        plan = edit(plan) if edit else plan
        if before and plan.bay != before.plan.bay and plan.places == before.plan.places:
            plan = replace(plan, places=())  # they were chosen for the bay as it was
        plan = titled(plan, folder)
        for ply in plan.plies:
            if ply.role != PlyRole.BACKING:  # boards are not cut on the foam machine
                material_named(ply.stock.material)
        clock.step("panel")
        tools, left_out = tools_of_job(folder, plan)
        if bay and plan.bay is None:
            plan = replace(plan, bay=_bay_round(tools, plan, bay))
        revision = before.panel.revision if before else 1
        files = {f"{DRAWINGS}/{name}": data for name, data in (drawings or {}).items()}
        drawn = drawn_shapes(plan, [t.outline for t in tools], beside_job(folder, files))
        choices: list[Choice] = []
        made = None
        placed = _of_swapped(folder, plan, before, tools)
        if stay or _searched(placed, tools, keep_places):
            wanted = wanted_tools(tools, plan)
            made = make_pockets(wanted, plan, clock.fraction)
            plan = _without_moves(plan, _moved(plan) - _moved(placed))
            plan = held(plan, before.panel if before else None, wanted, made, stay)
            clock.step("layouts")
            asked = plan
            choices, noted = fresh_choices(
                wanted, made, with_room_kept(plan, drawn), clock.fraction
            )
            choices = [
                replace(c, plan=replace(c.plan, bay=asked.bay, keep_outs=asked.keep_outs))
                for c in choices
            ]
            left_out = [*left_out, *noted]
            placed = plan = _taken(choices, plan)
            clock.step("panel")
            files |= _choice_pictures(choices, tools, revision, made, drawn)
        panel, changes = arrange_tools(
            tools,
            placed,
            revision=revision,
            progress=clock.fraction,
            made=made,
            drawn=drawn,
            keep_places=keep_places,
        )
        panel = replace(panel, checks=sorted_checks(panel, [*panel.checks, *left_out]))
        digests = tool_digests(tools)
        data = dump_panel(PanelFile(plan, panel, digests))
        if before is not None and folder.read(PANEL_JSON) != data:
            files[f"history/panel-{before.panel.revision}.json"] = folder.read(PANEL_JSON)
            panel = replace(panel, revision=before.panel.revision + 1)
            data = dump_panel(PanelFile(plan, panel, digests))
        planned = _plan_file(folder, plan)
        notes_lost = _notes_lost(folder, planned)
        clock.step("pictures")
        files |= {
            PANEL_JSON: data,
            **planned,
            **panel_pictures(panel),
        }
        folder.commit(files)
        clock.stop()
    checks = (*panel.checks, *notes_lost, *left_alone(folder))
    return Arranged(
        folder, panel, plan, changes, checks, tuple(sorted(files)), clock.seconds, tuple(choices)
    )


def _taken(choices: Sequence[Choice], plan: PanelPlan) -> PanelPlan:
    """The plan of the layout that was chosen by number."""
    number = plan.placement.choice
    if number > len(choices):
        raise UsageError(
            "layout-choice-missing",
            f"There is no layout {number} to choose: {len(choices)} different ones were found.",
            f"Choose one of 1 to {len(choices)}, or search for longer.",
        )
    return choices[number - 1].plan


def _choice_pictures(
    choices: Sequence[Choice], tools: list[Tool], revision: int, made: Made, drawn: Drawn
) -> dict[str, bytes]:
    """A picture of each layout to choose from."""
    return {
        CHOICE.format(n): panel_png(
            arrange_tools(tools, c.plan, revision=revision, made=made, drawn=drawn)[0],
            longest_px=1000,
        )
        for n, c in enumerate(choices, start=1)
    }


def panel_pictures(panel: Panel) -> dict[str, bytes]:
    """The pictures of a panel, by file name."""
    return {FRONT: panel_png(panel), CHECKED: panel_png(panel, panel.checks)}


def _of_swapped(
    folder: JobFolder, plan: PanelPlan, before: PanelFile | None, tools: Sequence[Tool]
) -> PanelPlan:
    """The plan for a job of which a tool was exchanged, added or taken out.

    There may be foam with its pockets, so every pocket that is there is held where it is, and the
    panel keeps its size. Setting a lay into its bay goes by the box round all tools: a new one
    would move all others away from the pockets that are cut. Who asks for another bay or placement
    gets one. Moves of tools that were taken out wait for their return.
    """
    kept = load_job(folder.read("job.json"), "job.json").kept
    if not kept:
        return plan
    plan = _without_moves(plan, {i for i, one in kept.items() if one.removed})
    if before is None or (before.plan.placement, before.plan.bay, before.plan.rules) != (
        plan.placement,
        plan.bay,
        plan.rules,
    ):
        return plan
    typed = _moved(plan)
    wanted = {t.pocket_id for t in tools if t.lay > 0}
    held = []
    for pocket in before.panel.pockets:
        if pocket.pocket_id in wanted - typed:
            x, y = middle(pocket.region.bounds)
            held.append(MovePlan(pocket.pocket_id, x, y))
    return replace(plan, moves=(*plan.moves, *held), bay=plan.bay or before.panel.bay)


def _without_moves(plan: PanelPlan, ids: set[str]) -> PanelPlan:
    return replace(plan, moves=tuple(m for m in plan.moves if m.pocket_id not in ids))


def _moved(plan: PanelPlan) -> set[str]:
    return {m.pocket_id for m in plan.moves}


def _plan_file(folder: JobFolder, plan: PanelPlan) -> dict[str, bytes]:
    """``panel.toml`` for a plan; nothing where the one that is there says the same already."""
    if folder.has(PANEL_TOML):
        with suppress(TracerError):  # one that cannot be read says nothing
            typed = plan_from_toml(folder.read(PANEL_TOML), PANEL_TOML)
            if titled(typed, folder) == plan:
                return {}
    return {PANEL_TOML: plan_toml(plan)}


def _notes_lost(folder: JobFolder, planned: dict[str, bytes]) -> tuple[Check, ...]:
    """Tell where a plan is written anew that held notes of the person's."""
    if PANEL_TOML not in planned or not folder.has(PANEL_TOML):
        return ()
    ours = planned[PANEL_TOML].splitlines()
    lines = [line.strip() for line in folder.read(PANEL_TOML).splitlines()]
    if not any(line.startswith(b"#") and line not in ours for line in lines):
        return ()
    return (
        Check(
            "plan-written-anew",
            Severity.NOTE,
            f"{PANEL_TOML} was written anew with what was typed, without the notes it held; the"
            f" former one is kept in the folder {FORMER} of the job.",
        ),
    )


def titled(plan: PanelPlan, folder: JobFolder) -> PanelPlan:
    """The plan with the job's name where it has no title of its own."""
    return replace(plan, title=folder.name) if plan.title == PanelPlan().title else plan


def plan_in_force(folder: JobFolder, before: PanelFile | None) -> PanelPlan:
    """The job's plan: as it was typed into ``panel.toml``, else as the panel was left."""
    known = before.plan if before else PanelPlan()
    if folder.has(PANEL_TOML):
        typed = folder.read(PANEL_TOML)
        if before is None or typed != plan_toml(known):
            return plan_from_toml(typed, PANEL_TOML)
    return known
