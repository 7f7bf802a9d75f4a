"""Layouts to choose from on the page: asked for, computed behind it, shown as JSON."""

from __future__ import annotations

from typing import Any

from tracer.desk.checks import check_record
from tracer.desk.jobs import DeskJob
from tracer.desk.rings import rings_of
from tracer.desk.runs import RunState
from tracer.model.panel_plan import Effort, PanelPlan, Spare, Style
from tracer.ranges import PLAN, Range
from tracer.workflows.arranging.proposals import LayoutWish, Proposal, propose_layouts
from tracer.workflows.editing.input_values import any_of, number, optional
from tracer.workflows.editing.plan_inputs import plan_value

__all__ = ["layouts_record", "propose", "wish_of"]

_SEED = Range(0, 1_000_000, whole=True)


def wish_of(body: dict[str, Any]) -> LayoutWish:
    """What the page asks of the layouts.

    Raises
    ------
    ValueError
        For a value that makes no sense.
    """
    style = optional(any_of(*Style))(body.get("style"))
    spare = optional(any_of(*Spare))(body.get("spare"))
    effort = optional(any_of(*Effort))(body.get("effort"))
    seed = optional(number(_SEED))(body.get("seed"))
    return LayoutWish(
        style=Style(style) if style else None,
        spare=Spare(spare) if spare else None,
        effort=Effort(effort) if effort else None,
        gap_mm=optional(number(PLAN["placement.gap_mm"]))(body.get("gap_mm")),
        seed=None if seed is None else int(seed),
    )


def propose(job: DeskJob, wish: LayoutWish) -> None:
    """Compute layouts in the thread for runs, once the panel is up to date."""

    def task(state: RunState) -> None:
        job.retrace(state)
        job.layouts = propose_layouts(job.folder, wish, state)
        job.tell("layouts")

    job.layouts = None
    job.compute(task)


def layouts_record(job: DeskJob) -> dict[str, Any]:
    """The layouts that were computed last, each with the changes that take it."""
    found = job.layouts
    if found is None:
        return {"layouts": None}
    return {
        "layouts": {
            "shape": rings_of(found.shape),
            "seed": found.choices[0].plan.placement.seed if found.choices else 0,
            "checks": [check_record(c) for c in found.checks],
            "choices": [_choice(one, found.before) for one in found.choices],
        }
    }


def _choice(one: Proposal, before: PanelPlan) -> dict[str, Any]:
    return {
        "style": one.style,
        "score": one.score.total,
        "terms": dict(one.score.terms),
        "free_mm": list(one.score.spare_mm),
        "pockets": [
            {
                "id": p.pocket_id,
                "number": p.number,
                "rings": rings_of(p.region),
                "locked": p.locked,
            }
            for p in one.pockets
        ],
        "changes": _changes(before, one.plan),
    }


def _changes(before: PanelPlan, after: PanelPlan) -> list[dict[str, Any]]:
    """What taking a layout changes in the plan: bay, placement, places, each move."""
    moved = sorted({m.pocket_id for m in (*before.moves, *after.moves)})
    paths = [("bay",), ("placement",), ("places",), *(("moves", i) for i in moved)]
    return [
        {"path": ["plan", *path], "was": was, "now": now}
        for path in paths
        if (was := plan_value(before, path)) != (now := plan_value(after, path))
    ]
