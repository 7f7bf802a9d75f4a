"""Layouts of a job to choose from: computed, shown, and nothing written until one is taken.

Whoever takes one makes it an edit of the plan like any other, which can be undone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from shapely.geometry import Polygon

from tracer.errors import UsageError
from tracer.model.panel_plan import Arrangement, Effort, PanelPlan, PlacementPlan, Spare, Style
from tracer.model.report import Check
from tracer.panel.build import make_pockets, rules_of, wanted_tools, with_room_kept
from tracer.panel.fresh.score import Score
from tracer.panel.layout.places import lay_out
from tracer.progress import Progress, StepClock
from tracer.project.panel_file import load_panel
from tracer.project.store import JobFolder
from tracer.workflows.arranging.arrange import PANEL_JSON, plan_in_force, tools_of_job
from tracer.workflows.arranging.drawn_shapes import beside_job, drawn_shapes
from tracer.workflows.arranging.fresh_layouts import fresh_choices, held

__all__ = ["LayoutWish", "PlacedPocket", "Proposal", "Proposals", "propose_layouts"]


@dataclass(frozen=True, kw_only=True)
class LayoutWish:
    """What is asked of the layouts; None: as the plan has it."""

    style: Style | None = None
    spare: Spare | None = None
    effort: Effort | None = None
    gap_mm: float | None = None
    seed: int | None = None


@dataclass(frozen=True, eq=False)
class PlacedPocket:
    """A pocket where a layout has it: opening in the panel; ``locked`` ones are where they were."""

    pocket_id: str
    number: int
    region: Polygon
    locked: bool


@dataclass(frozen=True, eq=False)
class Proposal:
    """One layout: the plan that has it, its style and figures, and how it looks."""

    plan: PanelPlan
    style: str
    score: Score
    pockets: tuple[PlacedPocket, ...]


@dataclass(frozen=True, eq=False)
class Proposals:
    """The best different layouts, best first, in a panel of this rim (mm); the plan before."""

    before: PanelPlan
    shape: Polygon
    choices: tuple[Proposal, ...]
    checks: tuple[Check, ...]


def propose_layouts(
    folder: JobFolder, wish: LayoutWish, progress: Progress | None = None
) -> Proposals:
    """Layouts made from nothing for a job that has a panel; locked tools stay where they are.

    Tools that were put by hand and are not locked are laid out with the rest. The bay is the
    plan's, else that of the panel as it is.

    Raises
    ------
    TracerError
        ``layout-needs-panel``, and as `fresh_choices`.
    """
    if not folder.has(PANEL_JSON):
        raise UsageError(
            "layout-needs-panel",
            f"The job {folder.name} has no panel to lay out again.",
            "Make the panel first.",
        )
    clock = StepClock(progress)
    before = load_panel(folder.read(PANEL_JSON), PANEL_JSON)
    plan = plan_in_force(folder, before)
    asked = replace(
        plan,
        bay=plan.bay or before.panel.bay,
        placement=_wished(plan, wish),
        places=(),
        moves=(),
    )
    clock.step("panel")
    tools, _ = tools_of_job(folder, asked)
    wanted = wanted_tools(tools, asked)
    made = make_pockets(wanted, asked, clock.fraction)
    known = {t.pocket_id for t in wanted} & {p.pocket_id for p in before.panel.pockets}
    locked = [m.pocket_id for m in plan.moves if m.locked and m.pocket_id in known]
    asked = held(asked, before.panel, wanted, made, locked)
    drawn = drawn_shapes(asked, [t.outline for t in tools], beside_job(folder, {}))
    clock.step("layouts")
    found, checks = fresh_choices(wanted, made, with_room_kept(asked, drawn), clock.fraction)
    choices = []
    for one in found:
        assert one.plan.bay is not None
        rules = rules_of(one.plan, one.plan.bay)
        laid = lay_out(wanted, made[0], one.plan, one.plan.bay, rules)
        pockets = tuple(
            PlacedPocket(p.pocket_id, p.number, item.placed, p.pocket_id in locked)
            for p, item in zip(made[0], laid.items, strict=True)
        )
        taken = replace(one.plan, bay=asked.bay, keep_outs=asked.keep_outs)
        choices.append(Proposal(taken, one.style, one.score, pockets))
    clock.stop()
    return Proposals(plan, laid.shape, tuple(choices), tuple(checks))


def _wished(plan: PanelPlan, wish: LayoutWish) -> PlacementPlan:
    given = {k: v for k, v in vars(wish).items() if v is not None}
    return replace(plan.placement, arrangement=Arrangement.FRESH, choice=1, **given)
