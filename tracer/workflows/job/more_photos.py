"""Further photos of a lay that was traced before: cards and tools lie as they did.

The lay's own photos stay, with their corrections; the new ones come after them. Whether the cards
lie as they did is found when all photos are solved together, whether the tools do, by the outlines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from tracer.errors import TracerError, UsageError
from tracer.model.outline import Outline
from tracer.project.schema import JobRecord, PhotoRecord
from tracer.workflows.tracing.trace import Trace, refuse_several

__all__ = ["ending", "refuse_changed_lay", "with_more"]

#: share of the tools that new photos must confirm where they were
CONFIRMED = 0.5


def with_more(
    record: JobRecord | None,
    photos: Sequence[tuple[str, str]],
    lay: int | None,
    job_name: str,
) -> tuple[JobRecord, int]:
    """The record with further photos of a lay, and the lay's number.

    Parameters
    ----------
    photos
        File name and id of each.
    lay
        Number of the lay, where the job has several.

    Raises
    ------
    UsageError
        ``job-missing``, ``lay-unknown``, ``scan-alone``, ``photo-twice`` where the lay has all of
        them already.
    """
    if record is None or not record.lays:
        raise UsageError(
            "job-missing",
            f"There is no job {job_name} here to add photos to.",
            "Trace its first photos before further ones are added.",
        )
    count = len(record.lays)
    if (lay is None and count > 1) or (lay is not None and not 1 <= lay <= count):
        raise UsageError(
            "lay-unknown",
            f"The job {job_name} has {count} lays, so it must be told which one the photos show."
            if lay is None
            else f"The job {job_name} has no lay {lay}, only {count}.",
            "Name it by its number.",
        )
    number = lay or 1
    old = record.lays[number - 1]
    if old.scan:
        refuse_several(len(old.photos) + len(photos))
    known = {p.photo_id: p.name for p in old.photos}
    new = [(name, photo_id) for name, photo_id in photos if photo_id not in known]
    if not new:
        names = ", ".join(name for name, _ in photos)
        raise UsageError(
            "photo-twice",
            f"The job {job_name} has {names} already.",
            "Take one more photo from another place, or trace the job again as it is.",
        )
    time = 1 + max(p.added for p in old.photos)
    more = tuple(
        PhotoRecord(
            file=f"photos/lay{number}-{k}{ending(name)}", name=name, photo_id=photo_id, added=time
        )
        for k, (name, photo_id) in enumerate(new, start=len(old.photos) + 1)
    )
    lays = list(record.lays)
    lays[number - 1] = replace(old, photos=(*old.photos, *more))
    return replace(record, lays=tuple(lays)), number


def ending(name: str) -> str:
    """A photo's file ending, harmless in any folder."""
    suffix = Path(name).suffix.lower()
    return suffix if suffix.isascii() and suffix[1:].isalnum() and len(suffix) <= 6 else ".img"


def refuse_changed_lay(
    before: Sequence[Outline], done: Trace, new: Sequence[tuple[str, str]]
) -> None:
    """Refuse a new photo that shows the lay's tools elsewhere.

    Parameters
    ----------
    before
        The lay's outlines before.
    done
        The lay traced with the new photos.
    new
        File name and id of each new photo.

    Raises
    ------
    TracerError
        ``lay-changed``, naming the photo.
    """
    known = {o.outline_id for o in before if not o.cable}
    tools = [o for o in done.outlines if o.outline_id in known]
    for name, photo_id in new:
        confirmed = sum(photo_id in o.photo_ids for o in tools)
        if len(tools) and confirmed < CONFIRMED * len(known) and _moved(done, photo_id):
            raise TracerError(
                "lay-changed",
                f"{name} shows {confirmed} of the lay's {len(known)} tools where the other photos "
                "show them.",
                "Nothing was changed. If tools were moved meanwhile, add the new photos as a lay "
                "of their own.",
            )


def _moved(done: Trace, photo_id: str) -> bool:
    """Whether the photo shows silhouettes that fit no tool."""
    for view, segmentation in zip(done.calibration.views, done.segmentations, strict=True):
        if view.photo_id == photo_id:
            used = sum(photo_id in o.photo_ids for o in done.outlines)
            return len(segmentation.silhouettes) > used
    return False
