"""What was read on a trial, and what follows for this phone, this printer and this machine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from tracer.calibration.calibrate import calibrate
from tracer.errors import TracerError, UsageError
from tracer.export.paper.trial_page import PLACES_CARD_MM
from tracer.model.card import CardSizes, on_sheet
from tracer.model.lay_settings import LaySettings
from tracer.model.machine import Machine
from tracer.model.outline import EdgeModel
from tracer.model.tool_list import ToolRow
from tracer.model.trial import TRIED_FITS, Trial
from tracer.panel.pocket.fits import FITS
from tracer.photos import camera_of, decode_photo
from tracer.progress import Progress
from tracer.project.phones import load_phones, save_phones
from tracer.project.store import JobFolder
from tracer.project.tool_list import ToolList
from tracer.workflows.job.proved_phone import sample_of
from tracer.workflows.job.sample import Sample
from tracer.workflows.job.trace_job import JobTrace, Mode, PhotoFile, trace_job
from tracer.workflows.tracing.known_things import KnownThing, known_things, sizes_text

__all__ = ["TRIAL_JOB", "Told", "keep_phone", "machine_of", "told", "trace_trial", "wall_sample"]

TRIAL_JOB = "trial"
#: a wall that is off by more than this was read wrongly, or another pocket was: own choice
_MOST_OFF_MM = 2.0
#: no scatter is believed that is smaller than this: a calliper's reading in foam, own choice
READING_MM = 0.05


@dataclass(frozen=True)
class Told:
    """What the three pockets say.

    Attributes
    ----------
    walls
        By how much each pocket's walls stand outside of where they were asked for, per side.
    gaps_mm
        By fit class: the gap per side that came out, and that asked for.
    """

    walls: Sample
    gaps_mm: dict[str, tuple[float, float]]


def trace_trial(
    folder: JobFolder,
    photos: Sequence[PhotoFile],
    trial: Trial,
    *,
    progress: Progress | None = None,
) -> JobTrace:
    """Trace the sheet's photo into a job of its own; both things are found by their places.

    Nothing that was kept of the phone before is used: it is what is measured here.

    Raises
    ------
    TracerError
        ``trial-card-missing`` where the sheet's card is not seen; as `trace_job` does.
    """
    sizes = CardSizes(trial.board_mm)
    first = decode_photo(photos[0].data, photos[0].name)
    calibration = calibrate([first], card_sizes=sizes)
    card = next((c for c in calibration.cards if c.number == trial.card and c.used), None)
    if card is None:
        raise TracerError(
            "trial-card-missing",
            f"Card {trial.card}, which is on the trial's sheet, is not seen in {photos[0].name}.",
            "Photograph the whole sheet from straight above.",
        )
    places = on_sheet(PLACES_CARD_MM, card.placement, card.size_mm)
    points = calibration.views[0].to_photo(places)
    coin, block = trial.coin_mm, trial.block_mm
    rows = (
        ToolRow(
            "coin",
            round(float(points[0, 0]), 1),
            round(float(points[0, 1]), 1),
            height_mm=coin[1],
            edge=EdgeModel.UPRIGHT,
            known_mm=(coin[0],),
        ),
        ToolRow(
            "block",
            round(float(points[1, 0]), 1),
            round(float(points[1, 1]), 1),
            height_mm=block[2],
            edge=EdgeModel.UPRIGHT,
            known_mm=(block[0], block[1]),
        ),
    )
    return trace_job(
        folder,
        photos,
        settings=LaySettings(card_sizes=sizes, edge_shift_mm=0.0),
        tools=ToolList(rows),
        mode=Mode(replace=True),
        progress=progress,
    )


def things_of(done: JobTrace) -> list[KnownThing]:
    """The coin and the block as they were measured.

    One that the stated deviation does not cover was traced with its shadow or in part: that is the
    photo's fault, not the phone's, and says nothing of the next one.

    Raises
    ------
    TracerError
        ``trial-thing-missing``, ``trial-thing-off``.
    """
    rows = [row for trace in done.traces for row in trace.rows]
    pairs = [
        (outline, row)
        for outline in done.outlines
        for row in rows
        if row.name == outline.name and row.known_mm is not None
    ]
    things = known_things(pairs)
    for name in ("coin", "block"):
        if name not in {t.name for t in things}:
            raise TracerError(
                "trial-thing-missing",
                f"The {name} was not found on its place.",
                "Lay it between its corner marks, dull and of another brightness than paper, and"
                " photograph the sheet again.",
            )
    doubtful = {o.name for o in done.outlines if o.in_doubt}
    for thing in things:
        if not thing.covered or thing.name in doubtful:
            raise TracerError(
                "trial-thing-off",
                f"The {thing.name} of {sizes_text(thing.known_mm)} mm was measured as"
                f" {sizes_text(thing.measured_mm)} mm: more than a phone is off, so nothing of this"
                " photo is kept.",
                "Look at the picture in the trial's job. Photograph the sheet in even light without"
                " hard shadows, the things dull, and check their typed sizes.",
            )
    return things


def edges_of(things: Sequence[KnownThing]) -> tuple[float, ...]:
    """By how much each size's edge stood outside of where it is, mm: half of each difference."""
    return tuple(off / 2 for thing in things for off in thing.off_mm)


def keep_phone(photo: PhotoFile, things: Sequence[KnownThing]) -> Sample:
    """Keep what this phone measured, with what was kept of it before; gives all of it."""
    camera = camera_of(photo.data, photo.name)
    phones = load_phones()
    mine = dict(phones.get(camera, {}))
    mine[photo.photo_id] = edges_of(things)
    save_phones(phones | {camera: mine})
    return sample_of(mine)


def wall_sample(trial: Trial) -> Told:
    """What the readings of all three pockets say.

    Raises
    ------
    UsageError
        ``trial-reading-wrong``.
    """
    off, gaps = [], {}
    long, short, _ = trial.block_mm
    for fit in TRIED_FITS:
        read = trial.read_mm[fit.value]
        asked = FITS[fit].gap_mm
        sides = (max(read) - long) / 2, (min(read) - short) / 2
        found = sum(sides) / 2
        if any(abs(side - asked) > _MOST_OFF_MM for side in sides):
            raise UsageError(
                "trial-reading-wrong",
                f"A pocket {fit.value} of {read[0]:g} x {read[1]:g} mm cannot be: it was asked for"
                f" {long + 2 * asked:g} x {short + 2 * asked:g} mm.",
                "Measure between the straight sides, and look whether another pocket was meant.",
            )
        off.append(found - asked)
        gaps[fit.value] = (found, asked)
    return Told(Sample(tuple(off)), gaps)


def machine_of(machine: Machine, trial: Trial, walls: Sample) -> Machine:
    """The profile with what the pockets said: a fit that comes out, and its scatter.

    Both are reckoned from what held when the pockets were drawn, however often it is done.

    The fit is moved where the readings tell their mean from zero, the scatter replaced where they
    tell it from the profile's. In any case the machine counts as proved.
    """
    sigma = trial.cut_sigma_mm
    if walls.differs(sigma):
        sigma = round(max(walls.deviation_mm, READING_MM), 3)
    return replace(
        machine,
        proved=True,
        fit_offset_mm=round(trial.fit_offset_mm + walls.correction_mm, 3),
        cut_sigma_mm=sigma,
    )


def told(walls: Sample) -> str:
    """A mean with its interval, and what it is good for.

    Examples
    --------
    >>> told(Sample((0.1, 0.2, 0.3)))
    '+0.20 mm, somewhere between -0.05 and +0.45 (95 %, 3 readings): not told from 0'
    >>> told(Sample((0.19, 0.2, 0.21)))
    '+0.20 mm, somewhere between +0.18 and +0.22 (95 %, 3 readings)'
    """
    low, high = walls.mean_mm - walls.half_mm, walls.mean_mm + walls.half_mm
    return (
        f"{walls.mean_mm:+.2f} mm, somewhere between {low:+.2f} and {high:+.2f} "
        f"(95 %, {len(walls.values_mm)} readings)" + ("" if walls.shown else ": not told from 0")
    )
