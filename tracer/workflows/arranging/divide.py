"""One job's tools over several bays: a job of its own for each bay, beside the first.

A bay's job is the first one with all its photos and outlines, and a plan in which the tools of the
other bays are skipped: whatever is done with a job is done with it, and a tool keeps its id in all.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from tracer.errors import TracerError, UsageError
from tracer.model.panel import BayKind
from tracer.model.panel_plan import PanelPlan
from tracer.model.report import Check, Severity
from tracer.progress import Progress, StepClock
from tracer.project.panel_file import load_panel
from tracer.project.schema import JobRecord, load_job
from tracer.project.store import JobFolder, job_path
from tracer.workflows.arranging.arrange import (
    CHECKED,
    FRONT,
    PANEL_JSON,
    Arranged,
    arrange_job,
    plan_in_force,
    titled,
    tools_of_job,
)
from tracer.workflows.arranging.several_bays import (
    BayOrder,
    Placed,
    Spread,
    no_room,
    refuse_bays,
    spread_over,
)

__all__ = ["BAYS", "Divided", "divide_job"]

#: where each tool went and why: in the job that was divided
BAYS = "bays.csv"


@dataclass(frozen=True, eq=False)
class Divided:
    """What a run did: a job by bay (None: nothing goes in), every tool, findings."""

    job: JobFolder
    bays: tuple[BayOrder, ...]
    panels: tuple[Arranged | None, ...]
    tools: tuple[Placed, ...]
    checks: tuple[Check, ...]
    seconds: dict[str, float]


def divide_job(
    folder: JobFolder,
    bays: Sequence[BayOrder],
    edit: Callable[[PanelPlan], PanelPlan] | None = None,
    *,
    kind: BayKind | None = None,
    put: Mapping[str, str] | None = None,
    partly: bool = False,
    replacing: bool = False,
    progress: Progress | None = None,
) -> Divided:
    """Spread a job's tools over bays and make a job for each.

    Parameters
    ----------
    edit
        Change to the plan (what was typed on the command line).
    kind
        Of all bays where it was typed; else the plan's, else as the bays say.
    put
        Name of the bay by tool id, where a person chose one.
    partly
        Make the panels of what fits where the bays do not hold all.
    replacing
        Write over jobs of these names.

    Raises
    ------
    TracerError
        ``bays-no-room``, ``bay-job-exists``, what `spread_over` and `arrange_job` raise.
    """
    refuse_bays(bays)
    clock = StepClock(progress)
    jobs = [JobFolder(_home(folder, b.name)) for b in bays]
    with folder.locked():
        if not folder.exists():
            raise UsageError(
                "job-missing",
                f"There is no job {folder.name} here.",
                "Trace the photos of a lay to make one.",
            )
        if not replacing:
            _refuse_existing(jobs)
        before = load_panel(folder.read(PANEL_JSON), PANEL_JSON) if folder.has(PANEL_JSON) else None
        plan = titled(plan_in_force(folder, before), folder)
        plan = edit(plan) if edit else plan
        kind = kind or (plan.bay.kind if plan.bay else None)
        if kind is not None:
            bays = [replace(b, bay=replace(b.bay, kind=kind)) for b in bays]
        clock.step("bays")
        tools, noted = tools_of_job(folder, plan)
        spread = spread_over(tools, plan, bays, put or {}, clock.fraction)
        if spread.out and not partly:
            raise no_room(spread, len(bays))
        files = _carried(folder)
        folder.commit({BAYS: _table(spread, bays, jobs)})
    clock.stop()
    made: list[Arranged | None] = []
    for job, own in zip(jobs, spread.plans, strict=True):
        made.append(None if own is None else _made(job, own, files, clock))
    checks = [*noted, *_left_out(spread), *_lost(spread), *_empty(bays, spread), *_load(bays)]
    return Divided(folder, tuple(bays), tuple(made), spread.tools, tuple(checks), clock.seconds)


def _home(folder: JobFolder, bay: str) -> Path:
    return job_path(str(folder.path.with_name(f"{folder.name}-{bay}")))


def _refuse_existing(jobs: Sequence[JobFolder]) -> None:
    for job in jobs:
        if job.exists():
            raise TracerError(
                "bay-job-exists",
                f"There is a job {job.name} already.",
                "Name the bay otherwise, or ask to write over the job.",
            )


def _made(
    job: JobFolder, plan: PanelPlan, files: Mapping[str, bytes], clock: StepClock
) -> Arranged:
    """A bay's job with its panel."""

    def planned(_: PanelPlan) -> PanelPlan:
        return plan

    with job.locked():
        job.commit(files)
    return arrange_job(job, planned, progress=clock.receiver)


def _carried(folder: JobFolder) -> dict[str, bytes]:
    """Files of a job that another job of the same tools begins with."""
    record = load_job(folder.read("job.json"), "job.json")
    names = ["job.json", "outlines.json", "outlines.dxf", "outlines.svg", "silhouettes.json"]
    names += ["tools.csv", "guests.json", *_photos(record)]
    names += [k.before for k in record.kept.values() if k.before]
    for place in ("pictures", "drawings"):
        names += sorted(f"{place}/{p.name}" for p in (folder.path / place).glob("*") if p.is_file())
    own = {FRONT, CHECKED}
    return {
        n: folder.read(n)
        for n in names
        if n not in own and not n.startswith("pictures/layout-") and folder.has(n)
    }


def _photos(record: JobRecord) -> list[str]:
    found = [p.file for lay in record.lays for p in lay.photos]
    return found + [p.file for k in record.kept.values() for p in k.photos]


def _table(spread: Spread, bays: Sequence[BayOrder], jobs: Sequence[JobFolder]) -> bytes:
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(["tool", "name", "bay", "job", "why"])
    for one in spread.tools:
        there = ("", "") if one.bay is None else (bays[one.bay].name, jobs[one.bay].name)
        rows.writerow([one.pocket_id, one.name, *there, one.why])
    return out.getvalue().encode()


def _left_out(spread: Spread) -> list[Check]:
    return [
        Check(
            "bay-tool-left-out",
            Severity.WARN,
            f"{one.pocket_id} ({one.name}) is in no bay: {one.why}.",
            spread.advice,
            subject_id=one.pocket_id,
        )
        for one in spread.out
    ]


def _lost(spread: Spread) -> list[Check]:
    if not spread.lost:
        return []
    return [
        Check(
            "bays-without-fittings",
            Severity.NOTE,
            f"The plan's {', '.join(spread.lost)} stand at places of one bay and are in none of the"
            " new plans.",
            "Type them into panel.toml of the bay's job that they belong to, then tracer arrange.",
        )
    ]


def _empty(bays: Sequence[BayOrder], spread: Spread) -> list[Check]:
    return [
        Check(
            "bay-empty",
            Severity.NOTE,
            f"The bay {bay.name} stays empty: the others hold all tools that fit it.",
            "Leave it out, or put tools into it.",
        )
        for bay, plan in zip(bays, spread.plans, strict=True)
        if plan is None
    ]


def _load(bays: Sequence[BayOrder]) -> list[Check]:
    """The usual caution about drawers."""
    if all(b.bay.kind is not BayKind.DRAWER for b in bays):
        return []
    return [
        Check(
            "bay-load",
            Severity.NOTE,
            "A cabinet tips over when heavy drawers are open, and a drawer carries no more than its"
            " maker allows.",
            "Fix the cabinet to the wall, weigh what goes into a drawer, and open one at a time.",
        )
    ]
