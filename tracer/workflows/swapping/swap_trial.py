"""How a swap would come out: the new tool in the old one's place and the patch, nothing written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tracer.model.outline import Outline
from tracer.model.report import Check
from tracer.model.swap import AreaChange, Outcome
from tracer.progress import Progress, StepClock
from tracer.project.store import JobFolder
from tracer.workflows.job.trace_job import PhotoFile
from tracer.workflows.swapping.pocket_change import PocketChange, lay_change, panel_change
from tracer.workflows.swapping.swap import SwapOptions
from tracer.workflows.swapping.swap_job import SwapRun, Traced, swapped_outlines, trace_new_tools
from tracer.workflows.swapping.swap_store import open_job

__all__ = ["SwapTrial", "trace_for_trial", "try_swap"]


@dataclass(frozen=True, eq=False)
class SwapTrial:
    """One tool as it would be after a swap.

    Attributes
    ----------
    old, new
        Outlines, both in the lay's frame.
    beside
        The other outlines of the lay.
    rule
        By which the new one was laid into place.
    pocket
        Old and new pocket and the patch, in the panel's frame where there is a panel; None where
        the pocket stays.
    """

    old: Outline
    new: Outline
    beside: tuple[Outline, ...]
    outcome: Outcome
    rule: str
    change: AreaChange
    pocket: PocketChange | None
    checks: tuple[Check, ...]


def trace_for_trial(
    folder: JobFolder,
    wanted: str,
    photo_files: Sequence[PhotoFile],
    options: SwapOptions,
    run: SwapRun,
    progress: Progress | None = None,
) -> Traced:
    """The new tool out of its photos, for any number of trials; errors as `swap_tools`."""
    clock = StepClock(progress)
    done = trace_new_tools(open_job(folder), [wanted], photo_files, options.point_px, run, clock)
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
    rule = found.placed.rule.value
    return SwapTrial(old, new, others, found.outcome, rule, found.change, pocket, checks)
