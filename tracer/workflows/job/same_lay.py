"""A lay that is in the job already must not be added again: every tool would be there twice.

Known photos are told by the digest of their bytes. A copy with other bytes (saved anew, sent
through a messenger), or another photo of the same lay, is told by what it shows: the cards lie as
they did, and so do the tools.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from shapely import affinity
from shapely.geometry import Polygon

from tracer.errors import TracerError
from tracer.geometry.compare import iou
from tracer.model.lay_calibration import LayCalibration
from tracer.model.outline import Outline
from tracer.project.outlines_file import OutlinesFile
from tracer.project.schema import JobRecord
from tracer.workflows.tracing.trace import Trace

__all__ = ["cards_as_before", "refuse_known_photos", "refuse_same_lay", "same_tools"]

Array = NDArray[np.float64]

#: corners of cards that nobody touched, fitted onto one another, differ by less than this
CARDS_MOVED_MM = 1.5
#: a tool of unknown height looks shifted in a photo from elsewhere; nobody lays tools down again
#: as close as this, all of them and turned alike
SHIFTED_MM = 12.0
ALIKE_IOU = 0.7  # of outlines brought over one another by shifting
MOST = 0.75  # of the new lay's tools


def refuse_known_photos(
    record: JobRecord, photos: Sequence[tuple[str, str]], job_name: str
) -> None:
    """Refuse to add photos of which one is in the job.

    Parameters
    ----------
    photos
        Photo id and file name of each.

    Raises
    ------
    TracerError
        ``photo-in-job``, naming photos and lay.
    """
    where = {
        p.photo_id: f"lay {number} ({p.name})"
        for number, lay in enumerate(record.lays, start=1)
        for p in lay.photos
    }
    where |= {
        p.photo_id: f"the swap of {outline_id} ({p.name})"
        for outline_id, kept in record.kept.items()
        for p in kept.photos
        if p.photo_id not in where
    }
    known = [f"{name} belongs to {where[i]}" for i, name in photos if i in where]
    if known:
        raise TracerError(
            "photo-in-job",
            f"The job {job_name} has {'this photo' if len(known) == 1 else 'these photos'}"
            f" already: {'; '.join(known)}.",
            "To trace it again add nothing; to add another lay name its photos alone.",
        )


def refuse_same_lay(
    record: JobRecord, before: OutlinesFile, done: Trace, names: Sequence[str]
) -> None:
    """Refuse to add a lay that shows the tools of an earlier one where they lay.

    Parameters
    ----------
    record, before
        The job as it is.
    done
        The new lay.
    names
        File names of its photos.

    Raises
    ------
    TracerError
        ``lay-in-job``, naming photos and lay.
    """
    for number, calibration in enumerate(before.calibration, start=1):
        motion = cards_as_before(calibration, done)
        if motion is None:
            continue
        old = [o for o in before.outlines if before.lay_of[o.outline_id] == number]
        regions = [
            affinity.affine_transform(o.region, motion) for o in done.outlines if not o.cable
        ]
        known = same_tools(regions, old)
        if regions and known >= MOST * len(regions):
            photos = ", ".join(p.name for p in record.lays[number - 1].photos)
            raise TracerError(
                "lay-in-job",
                f"{', '.join(names)} shows lay {number} of the job ({photos}) again: the cards lie"
                f" as they did, and {known} of its {len(regions)} tools where they lay.",
                "Nothing was added, since every tool would be there twice. Take them in"
                " as further photos of that lay; other tools of the same form trace into a job of"
                " their own.",
            )


def cards_as_before(calibration: LayCalibration, done: Trace) -> list[float] | None:
    """The motion from the new lay's frame to an old one's, where the cards lie as they did.

    Parameters
    ----------
    calibration
        What the job keeps of the old lay's.

    Returns
    -------
    list of float, or None
        ``[a, b, d, e, x, y]`` as `shapely.affinity.affine_transform` takes it; None where cards
        were moved, or fewer than two are in both.
    """
    was = calibration.used_cards
    now = {c.number: (*c.placement, c.size_mm[0]) for c in done.calibration.cards if c.used}
    common = sorted(set(was) & set(now))
    if len(common) < 2:
        return None
    old = np.concatenate([_ends(*was[n]) for n in common])
    new = np.concatenate([_ends(*now[n]) for n in common])
    turn, shift = _rigid(new, old)
    if np.linalg.norm(new @ turn.T + shift - old, axis=1).max() > CARDS_MOVED_MM:
        return None
    return [*turn.ravel().tolist(), *shift.tolist()]


def _ends(x_mm: float, y_mm: float, angle_rad: float, length_mm: float) -> Array:
    """(2, 2) a card's corner, and the one along its long side."""
    along = np.array([np.cos(angle_rad), np.sin(angle_rad)]) * length_mm
    return np.array([[x_mm, y_mm], [x_mm + along[0], y_mm + along[1]]])


def _rigid(source: ArrayLike, target: ArrayLike) -> tuple[Array, Array]:
    """Turn (2, 2) and shift (2,) that bring points (N, 2) onto others best.

    Least squares, after Kabsch, Acta Crystallographica A32 (1976) 922.
    """
    a, b = np.asarray(source, np.float64), np.asarray(target, np.float64)
    u, _, vt = np.linalg.svd((a - a.mean(axis=0)).T @ (b - b.mean(axis=0)))
    flip = np.diag([1.0, np.sign(np.linalg.det(vt.T @ u.T))])
    turn = vt.T @ flip @ u.T
    return turn, b.mean(axis=0) - turn @ a.mean(axis=0)


def same_tools(regions_mm: Sequence[Polygon], old: Sequence[Outline]) -> int:
    """How many regions are outlines of the old lay, each old one counted once."""
    left = list(old)
    found = 0
    for region in regions_mm:
        x, y = region.centroid.coords[0]
        best: tuple[float, Outline] | None = None
        for outline in left:
            there = outline.region.centroid
            if np.hypot(there.x - x, there.y - y) > SHIFTED_MM:
                continue
            moved = affinity.translate(region, there.x - x, there.y - y)
            alike = iou(moved, outline.region)
            if alike >= ALIKE_IOU and (best is None or alike > best[0]):
                best = (alike, outline)
        if best is not None:
            found += 1
            left.remove(best[1])
    return found
