"""A tool replaced, added or taken out on the page: first tried, with everything shown, then kept.

One trial at a time.
"""

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
from tracer.desk.seen_tools import seen_record
from tracer.errors import TracerError
from tracer.export.machine.checks import material_named, refuse_forbidden
from tracer.export.machine.profiles import machine_names, read_machine
from tracer.export.swap_files import CAUTIONS
from tracer.model.lay_settings import LaySettings
from tracer.panel.swap.place import Rule
from tracer.ranges import OPTIONS, TOOL_LIST
from tracer.workflows.editing.input_values import any_of, number, optional, pair_mm, point, text
from tracer.workflows.editing.job_edits import job_revision, swap_logged
from tracer.workflows.job.trace_job import PhotoFile, read_photos
from tracer.workflows.swapping.added_tool import Wished, add_tool
from tracer.workflows.swapping.pocket_change import PocketChange
from tracer.workflows.swapping.swap import SwapOptions
from tracer.workflows.swapping.swap_job import SwapRun, Traced, remove_tool, swap_tools
from tracer.workflows.swapping.swap_trial import (
    SwapTrial,
    trace_for_trial,
    try_addition,
    try_removal,
    try_swap,
)

if TYPE_CHECKING:
    from tracer.desk.jobs import DeskJob

__all__ = ["SwapState", "keep_swap", "swap_record", "try_on_page"]

MACHINE = "oscillating-knife"  # where none is chosen yet
WAYS = ("replace", "add", "remove")
#: what the list of changes calls each way
LOGGED = {"replace": "swap", "add": "tool_added", "remove": "tool_removed"}


@dataclass(frozen=True)
class Asked:
    """What the page asks: which way, the tool that goes (none for ``add``), and how."""

    way: str
    wanted: str
    options: SwapOptions
    wished: Wished
    run: SwapRun


@dataclass(frozen=True, eq=False)
class SwapState:
    """The trial that was made last, and what makes it again; ``revision`` is the job's then.

    ``trial`` is None where the photos show several tools and nobody has said which is meant.
    """

    asked: Asked
    photos: tuple[PhotoFile, ...]
    first_photo: int | None
    revision: str
    traced_from: tuple[Any, ...]
    traced: Traced | None
    trial: SwapTrial | None


def _asked(body: dict[str, Any]) -> Asked:
    """What the page asks; ValueError for what makes no sense."""
    way = any_of(*WAYS)(body.get("way", "replace"))
    name = optional(text(120))(body.get("name"))
    if way == "add" and not name:
        raise ValueError("a name")
    options = SwapOptions(
        rule=Rule(any_of(*Rule)(body.get("rule", Rule.AUTO.value))),
        shift_mm=_lengths(body.get("shift_mm") or [0, 0]),
        turn_rad=math.radians(number(OPTIONS["--turn"])(body.get("turn_deg", 0))),
        mirror=body.get("mirror") is True,
        point_px=optional(point)(body.get("point_px")),
        name=name or None,
    )
    size = optional(pair_mm(OPTIONS["--card-size"]))(body.get("card_size_mm"))
    run = SwapRun(
        settings=LaySettings(card_sizes=CardSizes(size)),
        machine=read_machine(any_of(*machine_names())(body.get("machine", MACHINE))),
        height_mm=optional(number(TOOL_LIST["height_mm"]))(body.get("height_mm")),
    )
    wanted = "" if way == "add" else text(200)(body.get("tool"))
    wished = Wished(optional(_lengths)(body.get("at_mm")), in_panel=True)
    return Asked(way, wanted, options, wished, run)


def _lengths(value: Any) -> tuple[float, float]:
    """Two lengths of either sign."""
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError("two lengths")
    x, y = (float(number(OPTIONS["--shift"])(v)) for v in value)
    return x, y


def try_on_page(job: DeskJob, drafts: dict[str, Draft], body: dict[str, Any]) -> None:
    """Try a change in the thread for runs. Photos that were traced for it before are not again.

    Raises
    ------
    ValueError
        For a request that makes no sense.
    KeyError
        Where the draft with the photos is not there.
    """
    asked = _asked(body)
    draft = None if asked.way == "remove" else drafts[str(body.get("draft", ""))]
    numbers = sorted(draft.photos) if draft else []
    if draft:
        draft.traced_now = lambda: job.state.phase in {"waiting", "running"}

    def task(state: RunState) -> None:
        job.retrace(state)
        before = job.swap
        photos: tuple[PhotoFile, ...] = ()
        if draft:
            names = [draft.photos[n].name for n in numbers]
            read = read_photos([draft.file(n) for n in numbers])
            photos = tuple(PhotoFile(name, f.data) for name, f in zip(names, read, strict=True))
        spot = asked.options.point_px
        made_from = (asked.wanted, [p.photo_id for p in photos], spot, asked.run.settings,
                     asked.run.height_mm)  # fmt: skip
        traced = None
        if before is not None and before.traced_from == made_from:
            traced = before.traced
        elif draft:
            traced = trace_for_trial(
                job.folder, asked.wanted or None, photos, asked.options, asked.run, state, job.cache
            )
        trial = _tried(job, asked, traced)
        first = numbers[0] if numbers else None
        revision = job_revision(job.folder)
        job.swap = SwapState(asked, photos, first, revision, made_from, traced, trial)
        job.tell("swap")

    job.compute(task)


def _tried(job: DeskJob, asked: Asked, traced: Traced | None) -> SwapTrial | None:
    """The trial; None where somebody has to say which of the photo's tools is meant."""
    if traced is None:
        return try_removal(job.folder, asked.wanted, asked.run)
    try:
        if asked.way == "add":
            name = asked.options.name or ""
            return try_addition(job.folder, name, traced, asked.options, asked.wished, asked.run)
        return try_swap(job.folder, asked.wanted, traced, asked.options, asked.run)
    except TracerError as error:
        if error.slug != "swap-which-tool":
            raise
        return None


def keep_swap(job: DeskJob, body: dict[str, Any], over: Callable[[], object]) -> None:
    """Make the change that was tried last, with the files for its patch; ``over`` is called then.

    Raises
    ------
    ValueError
        For a request that makes no sense.
    TracerError
        ``swap-not-tried``, ``material-unknown``, and what forbids this foam on this machine.
    """
    state_then = job.swap
    if state_then is None or state_then.trial is None:
        raise _not_tried()
    tried, asked = state_then.trial, state_then.asked
    refuse_forbidden(asked.run.machine, material_named(str(body.get("material", "unknown"))))
    reason = optional(text(200))(body.get("reason")) or ""

    def task(state: RunState) -> None:
        with job.lock:
            if job_revision(job.folder) != state_then.revision:
                raise _not_tried()
            logged = swap_logged(job.folder, tried.outline_id, tried.name, LOGGED[asked.way])
            run = replace(asked.run, reason=reason, beside=logged)
            _make(job, state_then, run, state)
        job.swap = None
        over()
        job.changed(job_revision(job.folder), files=True)
        job.tell("swapped")

    job.compute(task)


def _make(job: DeskJob, known: SwapState, run: SwapRun, state: RunState) -> None:
    asked, photos, traced = known.asked, known.photos, known.traced
    if asked.way == "remove":
        remove_tool(job.folder, asked.wanted, run, state)
    elif asked.way == "add":
        name = asked.options.name or ""
        add_tool(
            job.folder, name, photos, asked.options, asked.wished, run, state, traced, anywhere=True
        )
    else:
        swap_tools(job.folder, [asked.wanted], photos, asked.options, run, state, traced)


def _not_tried() -> TracerError:
    return TracerError(
        "swap-not-tried",
        "The job has changed since this swap was tried.",
        "Try it again, look, then keep it.",
    )


def swap_record(job: DeskJob) -> dict[str, Any]:
    """The latest trial for the page; None where there is none."""
    known = job.swap
    if known is None:
        return {"swap": None}
    trial = known.trial
    chosen = None if trial is None else trial.found
    seen = None
    if known.traced is not None:
        seen = {
            "photo": known.first_photo,
            **seen_record(known.traced[0], chosen, known.asked.options.point_px),
        }
    record = {"way": known.asked.way, "seen": seen, "which": trial is None}
    return {"swap": record | ({} if trial is None else _shown(trial))}


def _shown(trial: SwapTrial) -> dict[str, Any]:
    def rings(region: Any) -> list[list[list[float]]]:
        return [] if region is None else rings_of(region)

    new = trial.new
    return {
        "tool": trial.outline_id,
        "name": trial.name,
        "outcome": trial.outcome.name.lower(),
        "rule": trial.rule,
        "old": rings(trial.old),
        "new": rings(new),
        "beside": [rings_of(region) for region in trial.beside],
        "rim": rings(trial.rim),
        "at_mm": None if new is None else [round(v, 2) for v in new.centroid.coords[0]],
        "added_mm2": round(trial.change.added_mm2, 1),
        "removed_mm2": round(trial.change.removed_mm2, 1),
        "largest_mm": None
        if math.isnan(trial.change.largest_mm)
        else round(trial.change.largest_mm, 2),
        "patch": None if trial.pocket is None else _patch(trial.pocket),
        "checks": [check_record(c) for c in trial.checks],
        "cautions": list(CAUTIONS),
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
