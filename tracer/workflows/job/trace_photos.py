"""Tracing photos of which some may not belong: the rest is used, and each of the others named."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from tracer.errors import TracerError
from tracer.model.lay_settings import LaySettings
from tracer.model.photo import Photo
from tracer.model.report import Check
from tracer.photos import decode_photo
from tracer.project.schema import LayRecord
from tracer.project.store import JobFolder
from tracer.workflows.job.job_files import opened_job
from tracer.workflows.job.trace_job import JobTrace, Mode, PhotoFile, trace_job
from tracer.workflows.tracing.choosing import MOST_PHOTOS, best_looks, chosen_check, look_at
from tracer.workflows.tracing.lay_photos import (
    ABOUT_ONE_PHOTO,
    LeftOut,
    belonging,
    left_out,
    without_doubles,
)

__all__ = ["trace_photos"]

LEAST_LOOK_PX = 1500  # of the longer side: below it, cards of a wide lay are no longer read


def trace_photos(
    folder: JobFolder, photo_files: Sequence[PhotoFile], *, mode: Mode | None = None, **given: Any
) -> JobTrace:
    """As `tracer.workflows.job.trace_job.trace_job`, without the photos that do not belong.

    A photo given twice counts once. Where the photos together are refused, each is looked at for
    itself: without cards, mirrored, or of another lay, it is left out and named. Corrections are
    counted by photo, so with them a wrong photo is refused as ever.

    Raises
    ------
    TracerError
        As `trace_job`; the first refusal where no photo can be told to be the wrong one.
    """
    mode = mode or Mode()
    ids, names = [f.photo_id for f in photo_files], [f.name for f in photo_files]
    kept, out = without_doubles(ids, names)
    files = [photo_files[k] for k in kept]
    said = left_out(out, names)
    files, chosen = _at_most(folder, files, mode, given.get("settings") or LaySettings())
    said += chosen
    try:
        return trace_job(folder, files, mode=mode, said=said, **given)
    except TracerError as error:
        if error.slug not in ABOUT_ONE_PHOTO or given.get("corrections"):
            raise
        rest, more = _fewer(folder, files, mode, given.get("settings") or LaySettings())
        if mode.more and not rest and more:
            raise _not_this_lay(more[0], files) from None
        if not rest or len(rest) == len(files):
            raise
        said += left_out(more, [f.name for f in files])
    return trace_job(folder, rest, mode=mode, said=said, **given)


def _at_most(
    folder: JobFolder, files: list[PhotoFile], mode: Mode, settings: LaySettings
) -> tuple[list[PhotoFile], tuple[Check, ...]]:
    """The photos that can be solved together, and which they are where some are too many."""
    room = MOST_PHOTOS - len(_lay(folder, mode).photos)
    if not 0 < room < len(files):
        return files, ()
    lay = _lay(folder, mode)
    sizes = settings.card_sizes.over(lay.settings.card_sizes)
    kept = best_looks(look_at([_small(f) for f in files], sizes), room)
    return [files[k] for k in kept], (chosen_check(kept, [f.name for f in files]),)


def _small(file: PhotoFile) -> Photo:
    """A photo at half its size, or whole where cards would become too small, as in a film."""
    photo = decode_photo(file.data, file.name, shrink=2)
    return photo if max(photo.pixels.shape) >= LEAST_LOOK_PX else decode_photo(file.data, file.name)


def _lay(folder: JobFolder, mode: Mode) -> LayRecord:
    """The lay that photos are added to; an empty one where they make a new one."""
    record = opened_job(folder)[0] if mode.more else None
    number = (mode.lay or 1) - 1
    if record is None or not 0 <= number < len(record.lays):
        return LayRecord(photos=())
    return record.lays[number]


def _fewer(
    folder: JobFolder, files: Sequence[PhotoFile], mode: Mode, settings: LaySettings
) -> tuple[list[PhotoFile], list[LeftOut]]:
    """The files that belong together, or to the lay they are added to, and the others."""
    lay = _lay(folder, mode)
    if len(files) + len(lay.photos) < 2:
        return [], []
    known = [(folder.read(p.file), p.name) for p in lay.photos]
    sizes = settings.card_sizes.over(lay.settings.card_sizes)
    photos = [decode_photo(data, name) for data, name in known]
    photos += [decode_photo(f.data, f.name) for f in files]
    kept, out = belonging(photos, len(known), sizes)
    rest = [files[k - len(known)] for k in kept if k >= len(known)]
    return rest, [LeftOut(o.photo - len(known), o.error) for o in out if o.photo >= len(known)]


def _not_this_lay(out: LeftOut, files: Sequence[PhotoFile]) -> TracerError:
    check = left_out([out], [f.name for f in files])[0]
    return TracerError(
        out.error.slug,
        check.sentence.replace("was left out", "was not added"),
        out.error.remedy or "Photograph the lay once more without touching cards or tools.",
    )
