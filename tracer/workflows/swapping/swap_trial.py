"""How a tool replaced, added or taken out would come out, with the patch; nothing is written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from shapely.geometry import Polygon

from tracer.model.outline import Outline
from tracer.model.report import Check
from tracer.model.swap import AreaChange, Outcome
from tracer.progress import Progress, StepClock
from tracer.project.store import JobFolder
from tracer.workflows.job.trace_job import PhotoFile
from tracer.workflows.swapping.added_tool import (
    LAY,
    Wished,
    addition,
    laid,
    trace_added,
)
from tracer.workflows.swapping.pocket_change import PocketChange, lay_change, panel_change
from tracer.workflows.swapping.swap import (
    SwapOptions,
    area_change,
    find_outline,
    near_neighbours,
    same_cards,
    the_new_one,
)
from tracer.workflows.swapping.swap_job import SwapRun, Traced, swapped_outlines, trace_new_tools
from tracer.workflows.swapping.swap_store import OpenJob, open_job
from tracer.workflows.tracing.cache import StageCache
from tracer.workflows.tracing.trace import Trace

__all__ = ["SwapTrial", "trace_for_trial", "try_addition", "try_removal", "try_swap"]


@dataclass(frozen=True, eq=False)
class SwapTrial:
    """One tool as it would be after a change.

    Attributes
    ----------
    outline_id, name
        Of the tool that is exchanged, comes or goes.
    old, new
        Outlines, None where no tool goes, or none comes. In the lay's frame; those of a tool that
        comes or goes in the panel's, where there is a panel.
    beside
        Outlines of the other tools, in the same frame.
    found
        The new one where the new photos show it, in their frame.
    rim
        The panel's, where the frame is its own.
    rule
        By which the new one was laid into place; empty without an old one.
    pocket
        Old and new pocket and the patch, in the panel's frame where there is a panel; None where
        the pocket stays.
    """

    outline_id: str
    name: str
    old: Polygon | None
    new: Polygon | None
    beside: tuple[Polygon, ...]
    outcome: Outcome
    rule: str
    change: AreaChange
    pocket: PocketChange | None
    checks: tuple[Check, ...]
    found: Polygon | None = None
    rim: Polygon | None = None


def trace_for_trial(
    folder: JobFolder,
    wanted: str | None,
    photo_files: Sequence[PhotoFile],
    options: SwapOptions,
    run: SwapRun,
    progress: Progress | None = None,
    cache: StageCache | None = None,
) -> Traced:
    """The new tool out of its photos, for any number of trials; errors as `swap_tools`.

    ``wanted`` is the tool that goes; None where one comes new.
    """
    clock = StepClock(progress)
    job = open_job(folder)
    if wanted is None:
        done = trace_added(job, photo_files, options, run, clock, cache)
    else:
        done = trace_new_tools(job, [wanted], photo_files, options.point_px, run, clock, cache)
    clock.stop()
    return done


def try_swap(
    folder: JobFolder, wanted: str, traced: Traced, options: SwapOptions, run: SwapRun
) -> SwapTrial:
    """The swap of one tool, by id or name, as `swap_tools` would make it; errors as there."""
    job = open_job(folder)
    done, told = traced
    (found,) = swapped_outlines(job, [wanted], done, options)
    old, new = found.old, found.new
    others = tuple(job.beside(old.outline_id, job.lay(old.outline_id)))
    pocket = None
    if found.outcome is Outcome.CHANGED:
        if job.panel is not None:
            pocket = panel_change(folder, job.panel, old, new, run.machine, run.rules)
        else:
            pocket = lay_change(folder, old, new, others, run.machine, run.rules)
    checks = (*told, *found.checks, *(pocket.checks if pocket else ()))
    return SwapTrial(
        old.outline_id,
        new.name,
        old.region,
        new.region,
        tuple(o.region for o in others),
        found.outcome,
        found.placed.rule.value,
        found.change,
        pocket,
        checks,
        _found(job, old, done, options),
    )


def try_addition(
    folder: JobFolder,
    name: str,
    traced: Traced,
    options: SwapOptions,
    wished: Wished,
    run: SwapRun,
) -> SwapTrial:
    """A tool more, as `add_tool` would make it; errors as there."""
    job = open_job(folder)
    done, told = traced
    there = laid(job, name, done, options, wished)
    new = there.outline
    pocket = addition(job, there, run)
    others = job.beside(new.outline_id, LAY)
    near = near_neighbours(new, others) if job.panel is None else []
    region = new.region if there.place is None else there.place.apply_polygon(new.region)
    trial = SwapTrial(
        new.outline_id,
        name,
        None,
        region,
        tuple(o.region for o in others),
        Outcome.ADDED,
        "",
        area_change(Polygon(), region),
        pocket,
        (*told, *near, *pocket.checks),
        _found(job, None, done, options),
    )
    return _in_panel(trial, job)


def try_removal(folder: JobFolder, wanted: str, run: SwapRun) -> SwapTrial:
    """A tool that goes, as `remove_tool` would make it; errors as there."""
    job = open_job(folder)
    old = find_outline(job.content.outlines, wanted)
    others = job.beside(old.outline_id, job.lay(old.outline_id))
    if job.panel is not None:
        pocket = panel_change(folder, job.panel, old, None, run.machine, run.rules)
    else:
        pocket = lay_change(folder, old, None, others, run.machine, run.rules)
    trial = SwapTrial(
        old.outline_id,
        old.name,
        old.region,
        None,
        tuple(o.region for o in others),
        Outcome.REMOVED,
        "",
        area_change(old.region, Polygon()),
        pocket,
        pocket.checks,
    )
    return _in_panel(trial, job)


def _found(job: OpenJob, old: Outline | None, done: Trace, options: SwapOptions) -> Polygon:
    """The new tool in the frame of its photos."""
    lay = LAY if old is None else job.lay(old.outline_id)
    others = job.beside("" if old is None else old.outline_id, lay)
    same = same_cards(job.calibration(lay), done)
    return the_new_one(old, others, done, options, same).region


def _in_panel(trial: SwapTrial, job: OpenJob) -> SwapTrial:
    """The trial among the panel's pockets, where there is a panel."""
    if job.panel is None:
        return trial
    panel = job.panel.panel
    beside = tuple(p.outline for p in panel.pockets if p.pocket_id != trial.outline_id)
    mine = [p.outline for p in panel.pockets if p.pocket_id == trial.outline_id]
    return replace(trial, old=next(iter(mine), None), beside=beside, rim=panel.shape)
