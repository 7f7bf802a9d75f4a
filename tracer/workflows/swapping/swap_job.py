"""A swap kept in the job folder: one outline changes, every other byte of it stays.

Written in one step: ``outlines.json`` and ``tools.csv`` with one line changed, ``panel.json`` with
one pocket changed (where there is a panel), the drawings of all outlines, the patch's files in
``patch/``, the photos of the new tool, and the state before in ``history/``.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from shapely.geometry import Polygon

from tracer.errors import UsageError
from tracer.model.card import CardSizes
from tracer.model.lay_settings import LaySettings
from tracer.model.machine import Machine
from tracer.model.outline import Outline
from tracer.model.report import Check
from tracer.model.swap import AreaChange, Outcome
from tracer.model.view import PlaneMap
from tracer.panel.swap.old_pocket import Patch, PatchRules
from tracer.progress import Progress, StepClock
from tracer.project.schema import KeptOutline, LayRecord, PhotoRecord
from tracer.project.store import JobFolder
from tracer.workflows.job.persons_files import left_alone
from tracer.workflows.job.trace_job import PhotoFile
from tracer.workflows.swapping.new_tool import trace_new
from tracer.workflows.swapping.pocket_change import PocketChange, lay_change, panel_change
from tracer.workflows.swapping.swap import (
    SwapOptions,
    Swapped,
    area_change,
    find_outline,
    same_cards,
    swap_outline,
    view_of_lay,
)
from tracer.workflows.swapping.swap_documents import swap_documents
from tracer.workflows.swapping.swap_store import (
    OpenJob,
    changed_files,
    history_name,
    open_job,
    photo_ending,
    restored_files,
)
from tracer.workflows.tracing.cache import StageCache
from tracer.workflows.tracing.trace import Trace

__all__ = [
    "JobSwap",
    "SwapRun",
    "ToolChange",
    "Traced",
    "copies_of",
    "in_lay",
    "new_settings",
    "remove_tool",
    "restore",
    "shown_too",
    "swap_tools",
    "swapped_outlines",
    "trace_new_tools",
    "write_change",
]

Traced = tuple[Trace, tuple[Check, ...]]


@dataclass(frozen=True, eq=False)
class ToolChange:
    """What became of one tool; ``rule`` says how it was laid into place."""

    outline_id: str
    name: str
    outcome: Outcome
    rule: str
    change: AreaChange
    patch: Patch | None


@dataclass(frozen=True, eq=False)
class JobSwap:
    """What a swap did: changes, findings, files written."""

    job: JobFolder
    changes: tuple[ToolChange, ...]
    checks: tuple[Check, ...]
    files: tuple[str, ...]
    seconds: dict[str, float]


@dataclass(frozen=True, kw_only=True)
class SwapRun:
    """What every kind of change needs to know.

    Attributes
    ----------
    settings
        Card sizes and the like of the new photos as typed; card sizes that were not typed are those
        of the lay.
    height_mm
        Height of the new tool; None: the old one's.
    machine
        For whose cutter the patch's files are made.
    now
        Date of the record; the clock's where None.
    beside
        Files to be written in the same step, given the job's revision before and after.
    """

    settings: LaySettings
    machine: Machine
    height_mm: float | None = None
    reason: str = ""
    rules: PatchRules = field(default_factory=PatchRules)
    now: datetime.datetime | None = None
    beside: Callable[[int, int], dict[str, bytes]] = lambda *_: {}


def swap_tools(
    folder: JobFolder,
    wanted: Sequence[str],
    photo_files: Sequence[PhotoFile],
    options: SwapOptions,
    run: SwapRun,
    progress: Progress | None = None,
    traced: Traced | None = None,
) -> JobSwap:
    """Trace new tools and lay them into the places of old ones, ``wanted`` by id or name.

    Several tools are told apart by their places, so the photo must show the lay's cards unmoved.
    ``traced`` is what `trace_new_tools` gave for these photos, where that was done before.

    Raises
    ------
    TracerError
        ``tool-unknown``, ``swap-which-tool`` and what tracing raises; the job is as it was.
    """
    clock = StepClock(progress)
    with folder.locked():
        job = open_job(folder)
        _, lay, _ = _replaced(job, wanted)
        done, told = traced or trace_new_tools(
            job, wanted, photo_files, options.point_px, run, clock
        )
        clock.step("laying into place")
        swaps = swapped_outlines(job, wanted, done, options)
        view = view_of_lay(job.calibration(lay))
        changed = {
            s.old.outline_id: in_lay(s.new, view) for s in swaps if s.outcome is Outcome.CHANGED
        }
        records, photos = copies_of(job, photo_files if changed else ())
        kept = {i: KeptOutline(records, _first_before(job, i)) for i in changed}
        pairs = [(s.old, changed.get(s.old.outline_id)) for s in swaps]
        result = write_change(job, pairs, changed, kept, photos, swaps, lay, run, clock)
    about = (*told, *(c for s in swaps for c in s.checks))
    return replace(result, checks=(*about, *result.checks))


def _replaced(job: OpenJob, wanted: Sequence[str]) -> tuple[list[Outline], int, list[Outline]]:
    """Tools that go, their lay, and the others of it."""
    olds = [find_outline(job.content.outlines, w) for w in wanted]
    lays = {job.lay(o.outline_id) for o in olds}
    if len(lays) != 1:
        raise UsageError(
            "swap-several-lays",
            "The tools named lie in different lays.",
            "Swap the tools of one lay at a time.",
        )
    lay = lays.pop()
    gone = {o.outline_id for o in olds}
    return olds, lay, [o for o in job.beside("", lay) if o.outline_id not in gone]


def trace_new_tools(
    job: OpenJob,
    wanted: Sequence[str],
    photo_files: Sequence[PhotoFile],
    point_px: tuple[float, float] | None,
    run: SwapRun,
    clock: StepClock,
    cache: StageCache | None = None,
) -> Traced:
    """The new tools out of their photos, and what is to be said of that; errors as `swap_tools`."""
    olds, lay, others = _replaced(job, wanted)
    typed = run.height_mm is not None
    height = run.height_mm if run.height_mm is not None else max(o.height_mm for o in olds)
    settings = new_settings(job, lay, run)
    beside = shown_too(job, lay, others)
    return trace_new(
        photo_files, settings, height, point_px, clock, beside, cache, height_typed=typed
    )


def swapped_outlines(
    job: OpenJob, wanted: Sequence[str], done: Trace, options: SwapOptions
) -> list[Swapped]:
    """New outlines in the places of old ones, in the lay's frame; errors as `swap_tools`."""
    olds, lay, others = _replaced(job, wanted)
    same = same_cards(job.calibration(lay), done)
    return [swap_outline(old, others, done, options, same_frame=same) for old in olds]


def remove_tool(
    folder: JobFolder, wanted: str, run: SwapRun, progress: Progress | None = None
) -> JobSwap:
    """Take a tool out of the job: its pocket gets a plug and nothing else."""
    clock = StepClock(progress)
    with folder.locked():
        job = open_job(folder)
        old = find_outline(job.content.outlines, wanted)
        kept = {old.outline_id: KeptOutline((), _first_before(job, old.outline_id), removed=True)}
        lay = job.lay(old.outline_id)
        return write_change(job, [(old, None)], {}, kept, {}, [], lay, run, clock)


def restore(folder: JobFolder, revision: int, run: SwapRun) -> JobSwap:
    """Bring back outlines, tool list and panel of an earlier revision, as a new revision.

    Raises
    ------
    TracerError
        ``revision-missing``, and as `revision_files`.
    """
    with folder.locked():
        files = restored_files(folder, revision, run.reason, run.now)
        folder.commit(files)
    return JobSwap(folder, (), left_alone(folder), tuple(sorted(files)), {})


def new_settings(job: OpenJob, lay: int, run: SwapRun) -> LayRecord:
    """Settings for the new photos: as typed, with the lay's cards where no size was typed."""
    typed = run.settings
    if typed.card_sizes == CardSizes():
        typed = replace(typed, card_sizes=job.record.lays[lay - 1].settings.card_sizes)
    return LayRecord(photos=()).with_settings(typed)


def shown_too(
    job: OpenJob, lay: int, others: Sequence[Outline]
) -> Callable[[Trace], list[Polygon]]:
    """The other tools of a lay, where the new photos show its cards unmoved."""
    return lambda done: [o.region for o in others] if same_cards(job.calibration(lay), done) else []


def copies_of(
    job: OpenJob, photo_files: Sequence[PhotoFile]
) -> tuple[tuple[PhotoRecord, ...], dict[str, bytes]]:
    """Records and files of the new tool's photos."""
    stem = f"photos/swap-r{job.record.revision + 1}"
    records = tuple(
        PhotoRecord(f"{stem}-{k}{photo_ending(f.name)}", f.name, f.photo_id)
        for k, f in enumerate(photo_files, start=1)
    )
    return records, {r.file: f.data for r, f in zip(records, photo_files, strict=True)}


def _first_before(job: OpenJob, outline_id: str) -> str:
    """Where the outline is kept that the lay's own photos show."""
    earlier = job.record.kept.get(outline_id)
    return earlier.before if earlier is not None else history_name(job.record, "outlines.json")


def in_lay(outline: Outline, view: PlaneMap | None) -> Outline:
    """Give the outline its point in the lay's first photo, which its row is known by."""
    if view is None:
        return outline
    inside = outline.region.representative_point()
    x, y = view.to_photo([(inside.x, inside.y)])[0]
    return replace(outline, point_px=(float(x), float(y)))


def write_change(
    job: OpenJob,
    pairs: Sequence[tuple[Outline | None, Outline | None]],
    changed: dict[str, Outline],
    kept: dict[str, KeptOutline],
    photos: dict[str, bytes],
    swaps: Sequence[Swapped],
    lay: int,
    run: SwapRun,
    clock: StepClock,
    added: PocketChange | None = None,
) -> JobSwap:
    """Plan the patches, make the files, commit them; ``added`` is the pocket of a new tool."""
    clock.step("patch")
    done: list[ToolChange] = []
    files: dict[str, bytes] = dict(photos)
    checks: list[Check] = []
    panel = job.panel
    by_id = {s.old.outline_id: s for s in swaps}
    revision = job.record.revision + 1
    for old, new in pairs:
        subject = new or old
        assert subject is not None
        swap = by_id.get(subject.outline_id) if old is not None else None
        if old is not None and swap is not None and swap.outcome is Outcome.STAYS:
            rule = swap.placed.rule.value
            done.append(
                ToolChange(old.outline_id, old.name, Outcome.STAYS, rule, swap.change, None)
            )
            continue
        if old is None and added is not None:
            moved, panel = added, added.panel or panel
        elif panel is not None and old is not None:
            moved = panel_change(job.folder, panel, old, new, run.machine, run.rules)
            panel = moved.panel
        else:
            others = job.beside(subject.outline_id, lay)
            moved = lay_change(job.folder, old, new, others, run.machine, run.rules)
        checks += moved.checks
        outcome = (
            Outcome.ADDED if old is None else Outcome.REMOVED if new is None else Outcome.CHANGED
        )
        empty = Polygon()
        change = area_change(old.region if old else empty, new.region if new else empty)
        rule = swap.placed.rule.value if swap else ""
        done.append(
            ToolChange(subject.outline_id, subject.name, outcome, rule, change, moved.patch)
        )
        files |= {
            f"patch/r{revision}-{subject.outline_id}/{name}": data
            for name, data in swap_documents(
                subject, moved, change, rule, revision, run.machine, run.reason
            ).items()
        }
    what = [f"{c.outline_id} {c.name}: {c.outcome.value}" for c in done]
    removed = [o.outline_id for o, n in pairs if o is not None and n is None and not swaps]
    files |= changed_files(
        job, changed, removed, kept, panel if panel is not job.panel else None,
        lay=lay, reason=run.reason, what=what, now=run.now,
    )  # fmt: skip
    job.folder.commit(files | run.beside(job.record.revision, revision))
    clock.stop()
    checks += left_alone(job.folder)
    return JobSwap(job.folder, tuple(done), tuple(checks), tuple(sorted(files)), clock.seconds)
