"""A trial from its sheet to what is kept: each reading is taken when it comes, in any order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from tracer.errors import TracerError, UsageError
from tracer.export.machine.profiles import read_machine
from tracer.export.paper.template import PrinterScale
from tracer.loading import read_file
from tracer.model.card import BOARD_MM, CardSizes
from tracer.model.machine import Machine
from tracer.model.report import Check
from tracer.model.trial import Trial
from tracer.progress import Progress
from tracer.project.printer import save_printed
from tracer.project.store import JobFolder
from tracer.project.trial_file import TRIAL_NAME, dump_trial, load_trial
from tracer.ranges import MOST_BYTES
from tracer.workflows.cutting.coupon import profile_file, write_files
from tracer.workflows.job.sample import Sample
from tracer.workflows.job.trace_job import PhotoFile
from tracer.workflows.proving.trial_read import (
    TRIAL_JOB,
    Told,
    edges_of,
    keep_phone,
    machine_of,
    things_of,
    trace_trial,
    wall_sample,
)
from tracer.workflows.proving.trial_sheet import trial_files
from tracer.workflows.tracing.known_things import KnownThing

__all__ = [
    "MachineTold",
    "PhoneTold",
    "make_trial",
    "opened_trial",
    "read_board",
    "read_photos_of",
    "read_pockets",
]


@dataclass(frozen=True)
class PhoneTold:
    """What the sheet's photo said: the things, their edges, and all that is kept of the phone."""

    things: tuple[KnownThing, ...]
    now: Sample
    kept: Sample
    checks: tuple[Check, ...]


@dataclass(frozen=True)
class MachineTold:
    """What the pockets said, the profile before and after, and where it lies."""

    told: Told
    before: Machine
    after: Machine
    file: Path


def make_trial(
    folder: Path, trial: Trial, *, paper: str = "a4", replacing: bool = False
) -> list[Path]:
    """Write the sheet, the machine's files and what is kept of the trial.

    Raises
    ------
    TracerError
        ``file-exists``, and as `tracer.workflows.proving.trial_sheet.trial_files`.
    """
    machine = read_machine(trial.machine)
    trial = replace(trial, fit_offset_mm=machine.fit_offset_mm, cut_sigma_mm=machine.cut_sigma_mm)
    files = trial_files(trial, machine, paper=paper)
    return write_files(folder, files, replacing=replacing)


def opened_trial(folder: Path) -> Trial:
    """The trial that a folder holds.

    Raises
    ------
    TracerError
        ``trial-missing``, ``trial-damaged``.
    """
    path = folder / TRIAL_NAME
    if not path.is_file():
        raise UsageError(
            "trial-missing",
            f"There is no trial in {folder}.",
            "Make its sheet first: name the sizes of a round thing and of a block.",
        )

    def refuse(why: str) -> TracerError:
        return TracerError(
            "trial-damaged",
            f"{path} cannot be read: {why}.",
            "Delete it and make the trial's sheet again; type what was read once more.",
        )

    return load_trial(read_file(path, MOST_BYTES["file of a job"], refuse), str(path))


def read_board(folder: Path, trial: Trial, board_mm: tuple[float, float]) -> Trial:
    """Keep what the printed board measures: the card's size, and the printer's bars with it.

    Raises
    ------
    TracerError
        ``card-size-implausible``, ``printer-scale-wrong``.
    """
    CardSizes(board_mm)
    bars = [100.0 * read / true for read, true in zip(board_mm, BOARD_MM, strict=True)]
    scale = PrinterScale(round(bars[0], 2), round(bars[1], 2))
    trial = replace(trial, board_mm=board_mm)
    write_files(folder, {TRIAL_NAME: dump_trial(trial)}, replacing=True)
    save_printed(scale.x_mm, scale.y_mm)
    return trial


def read_photos_of(
    folder: Path, trial: Trial, photos: Sequence[PhotoFile], progress: Progress | None = None
) -> PhoneTold:
    """Trace the sheet's photo, and keep what it says of the phone.

    Raises
    ------
    TracerError
        ``trial-board-missing``, and as `trace_trial`, `things_of`.
    """
    if trial.board_mm is None:
        raise UsageError(
            "trial-board-missing",
            "The printed board was not measured yet, and no size is truer than its card.",
            "Measure it between the ticks at its corners and type both sides.",
        )
    done = trace_trial(JobFolder(folder / f"{TRIAL_JOB}.job"), photos, trial, progress=progress)
    things = things_of(done)
    kept = keep_phone(photos[0], things)
    return PhoneTold(tuple(things), Sample(edges_of(things)), kept, done.checks)


def read_pockets(
    folder: Path,
    trial: Trial,
    read_mm: dict[str, tuple[float, float]],
    save: Path | None,
    *,
    replacing: bool = False,
) -> tuple[Trial, MachineTold | None]:
    """Keep readings of pockets; with all three the machine's profile follows.

    Raises
    ------
    TracerError
        As `wall_sample`, `tracer.workflows.cutting.coupon.profile_file`.
    """
    trial = replace(trial, read_mm={**trial.read_mm, **read_mm})
    whole = len(trial.read_mm) == 3
    told = wall_sample(trial) if whole else None
    written: MachineTold | None = None
    if told is not None:
        before = read_machine(trial.machine)
        after = machine_of(before, trial, told.walls)
        target = save or folder / f"{before.key.removesuffix('-own')}-own.toml"
        (file,) = profile_file(target, after, replacing=replacing)
        written = MachineTold(told, before, after, file)
    write_files(folder, {TRIAL_NAME: dump_trial(trial)}, replacing=True)
    return trial, written
