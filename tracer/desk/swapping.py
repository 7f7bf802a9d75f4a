"""A tool replaced on the page: first tried, with everything shown, then kept. One at a time."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from tracer.calibration import CardSizes
from tracer.desk.checks import check_record
from tracer.desk.drafts import Draft
from tracer.desk.rings import rings_of
from tracer.desk.runs import RunState
from tracer.errors import TracerError
from tracer.export.machine.checks import material_named, refuse_forbidden
from tracer.export.machine.profiles import machine_names, read_machine
from tracer.export.swap_files import CAUTIONS
from tracer.model.lay_settings import LaySettings
from tracer.panel.swap.place import Rule
from tracer.ranges import OPTIONS, TOOL_LIST
from tracer.workflows.editing.input_values import any_of, number, optional, pair_mm, text
from tracer.workflows.editing.job_edits import job_revision, swap_logged
from tracer.workflows.job.trace_job import PhotoFile, read_photos
from tracer.workflows.swapping.pocket_change import PocketChange
from tracer.workflows.swapping.swap import SwapOptions
from tracer.workflows.swapping.swap_job import SwapRun, Traced, swap_tools
from tracer.workflows.swapping.swap_trial import SwapTrial, trace_for_trial, try_swap

if TYPE_CHECKING:
    from tracer.desk.jobs import DeskJob

__all__ = ["SwapState", "keep_swap", "swap_record", "try_on_page"]

MACHINE = "oscillating-knife"  # where none is chosen yet


@dataclass(frozen=True, eq=False)
class SwapState:
    """The trial that was made last, and what makes it again; ``revision`` is the job's then."""

    wanted: str
    photos: tuple[PhotoFile, ...]
    options: SwapOptions
    run: SwapRun
    revision: str
    traced_from: tuple[Any, ...]
    traced: Traced
    trial: SwapTrial


def _asked(body: dict[str, Any]) -> tuple[str, SwapOptions, SwapRun]:
    """What the page asks; ValueError for what makes no sense."""
    shift = body.get("shift_mm") or [0, 0]
    if not isinstance(shift, list) or len(shift) != 2:
        raise ValueError("two lengths")
    options = SwapOptions(
        rule=Rule(any_of(*Rule)(body.get("rule", Rule.AUTO.value))),
        shift_mm=(_shift(shift[0]), _shift(shift[1])),
        turn_rad=math.radians(number(OPTIONS["--turn"])(body.get("turn_deg", 0))),
        mirror=body.get("mirror") is True,
        name=optional(text(120))(body.get("name")) or None,
    )
    size = optional(pair_mm(OPTIONS["--card-size"]))(body.get("card_size_mm"))
    run = SwapRun(
        settings=LaySettings(card_sizes=CardSizes(size)),
        machine=read_machine(any_of(*machine_names())(body.get("machine", MACHINE))),
        height_mm=optional(number(TOOL_LIST["height_mm"]))(body.get("height_mm")),
    )
    return text(200)(body.get("tool")), options, run


def _shift(value: Any) -> float:
    return float(number(OPTIONS["--shift"])(value))


def try_on_page(job: DeskJob, draft: Draft, body: dict[str, Any]) -> None:
    """Try a swap in the thread for runs. Photos that were traced for it before are not again.

    Raises
    ------
    ValueError
        For a request that makes no sense.
    """
    wanted, options, run = _asked(body)
    numbers = sorted(draft.photos)
    draft.traced_now = lambda: job.state.phase in {"waiting", "running"}

    def task(state: RunState) -> None:
        job.retrace(state)
        before = job.swap
        names = [draft.photos[n].name for n in numbers]
        read = read_photos([draft.file(n) for n in numbers])
        photos = tuple(PhotoFile(name, f.data) for name, f in zip(names, read, strict=True))
        made_from = (wanted, [p.photo_id for p in photos], run.settings, run.height_mm)
        if before is not None and before.traced_from == made_from:
            traced = before.traced
        else:
            traced = trace_for_trial(job.folder, wanted, photos, options, run, state)
        trial = try_swap(job.folder, wanted, traced, options, run)
        revision = job_revision(job.folder)
        job.swap = SwapState(wanted, photos, options, run, revision, made_from, traced, trial)
        job.tell("swap")

    job.compute(task)


def keep_swap(job: DeskJob, body: dict[str, Any], over: Callable[[], object]) -> None:
    """Make the swap that was tried last, with the files for its patch; ``over`` is called then.

    Raises
    ------
    ValueError
        For a request that makes no sense.
    TracerError
        ``swap-not-tried``, ``material-unknown``, and what forbids this foam on this machine.
    """
    asked = job.swap
    if asked is None:
        raise _not_tried()
    refuse_forbidden(asked.run.machine, material_named(str(body.get("material", "unknown"))))
    reason = optional(text(200))(body.get("reason")) or ""

    def task(state: RunState) -> None:
        with job.lock:
            if job_revision(job.folder) != asked.revision:
                raise _not_tried()
            old = asked.trial.old
            logged = swap_logged(job.folder, old.outline_id, old.name)
            run = replace(asked.run, reason=reason, beside=logged)
            swap_tools(
                job.folder, [asked.wanted], asked.photos, asked.options, run, state, asked.traced
            )
        job.swap = None
        over()
        job.changed(job_revision(job.folder), files=True)
        job.tell("swapped")

    job.compute(task)


def _not_tried() -> TracerError:
    return TracerError(
        "swap-not-tried",
        "The job has changed since this swap was tried.",
        "Try it again, look, then keep it.",
    )


def swap_record(job: DeskJob) -> dict[str, Any]:
    """The latest trial for the page; None where there is none."""
    if job.swap is None:
        return {"swap": None}
    trial = job.swap.trial
    return {
        "swap": {
            "tool": trial.old.outline_id,
            "name": trial.new.name,
            "outcome": trial.outcome.name.lower(),
            "rule": trial.rule,
            "old": rings_of(trial.old.region),
            "new": rings_of(trial.new.region),
            "beside": [rings_of(o.region) for o in trial.beside],
            "added_mm2": round(trial.change.added_mm2, 1),
            "removed_mm2": round(trial.change.removed_mm2, 1),
            "largest_mm": round(trial.change.largest_mm, 2),
            "patch": None if trial.pocket is None else _patch(trial.pocket),
            "checks": [check_record(c) for c in trial.checks],
            "cautions": list(CAUTIONS),
        }
    }


def _patch(pocket: PocketChange) -> dict[str, Any]:
    patch = pocket.patch
    return {
        "remedy": patch.remedy.value,
        "old": rings_of(pocket.old),
        "new": rings_of(pocket.new),
        "neighbours": [rings_of(n) for n in pocket.neighbours],
        "opening": rings_of(patch.opening),
        "pieces": [ring for piece in patch.pieces for ring in rings_of(piece)],
        "recut": rings_of(patch.recut),
        "new_foam_mm2": round(sum(p.area for p in patch.pieces), 1),
    }
