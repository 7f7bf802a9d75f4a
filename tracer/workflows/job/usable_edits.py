"""Which corrections by hand can be applied to a photo: those that lie in it.

A place far outside the photo has no place on the sheet. One that is typed is refused; one that a
job holds already is left out of the run and told, and stays in the job.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any

from shapely.geometry import LineString, MultiPoint, box

from tracer.errors import UsageError
from tracer.model.corrections import Corrections, Stroke
from tracer.model.photo import Photo
from tracer.model.report import Check, Severity
from tracer.project.schema import LayRecord, PhotoRecord

__all__ = ["in_photo", "refuse_outside", "usable_lay"]

#: a stroke or line may run over the photo's edge by this part of its longer side
OVER_EDGE = 0.25
POINTS = ("keep", "drop", "cables", "merge")


def in_photo(kind: str, item: Any, size_px: tuple[int, int]) -> bool:
    """Whether a correction lies in a photo of this size.

    Points must lie on a pixel; lines and strokes must cross the photo and not leave it far behind.

    Examples
    --------
    >>> in_photo("drop", (639.4, 0), (640, 480)), in_photo("drop", (640, 0), (640, 480))
    (True, False)
    """
    width, height = size_px
    photo = box(-0.5, -0.5, width - 0.5, height - 0.5)
    line = item.line if isinstance(item, Stroke) else item
    points = MultiPoint([line] if kind in POINTS and kind != "merge" else list(line))
    if kind in POINTS:
        return bool(photo.covers(points))
    if not photo.buffer(OVER_EDGE * max(size_px)).covers(points):
        return False
    seen = points if len(line) < 2 else LineString(line)
    wide = item.width_px / 2 if isinstance(item, Stroke) else 0.0
    return bool(photo.distance(seen) <= wide)


def refuse_outside(typed: Corrections, size_px: tuple[int, int], name: str) -> None:
    """Refuse typed corrections of which a point lies outside the photo.

    Raises
    ------
    UsageError
        ``point-outside-photo``.
    """
    width, height = size_px
    for field in fields(Corrections):
        for item in getattr(typed, field.name):
            for x, y in _points(item):
                if not (-0.5 <= x < width - 0.5 and -0.5 <= y < height - 0.5):
                    raise UsageError(
                        "point-outside-photo",
                        f"The point ({x:g}, {y:g}) lies outside {name}, which is {width} x"
                        f" {height} pixels.",
                        "Read the point in the upright photo at its full size, x from the left"
                        " and y from the top.",
                    )


def usable_lay(lay: LayRecord, photos: Sequence[Photo]) -> tuple[LayRecord, tuple[Check, ...]]:
    """The lay with the corrections that a run can apply, and a finding for each left out."""
    checks: list[Check] = []
    records: list[PhotoRecord] = []
    for record, photo in zip(lay.photos, photos, strict=True):
        lists: dict[str, tuple[Any, ...]] = {}
        for field in fields(Corrections):
            items = getattr(record.corrections, field.name)
            lists[field.name] = tuple(i for i in items if in_photo(field.name, i, photo.size_px))
            checks += [
                _left_out(field.name, str(_points(i)[0]), record.name)
                for i in items
                if i not in lists[field.name]
            ]
        checks += [
            _left_out(str(u.get("kind")), _shown(u.get("value")), record.name)
            for u in record.unusable
        ]
        records.append(replace(record, corrections=Corrections(**lists)))
    return replace(lay, photos=tuple(records)), tuple(checks)


def _points(item: Any) -> list[tuple[float, float]]:
    line: Any = item.line if isinstance(item, Stroke) else item
    return [line] if isinstance(line[0], int | float) else list(line)


def _shown(value: Any) -> str:
    text = str(value).replace("None", "nothing")
    return text if len(text) <= 60 else f"{text[:57]}..."


def _left_out(kind: str, where: str, photo: str) -> Check:
    return Check(
        "edit-left-out",
        Severity.WARN,
        f"The correction '{kind}' at {where} is no place in {photo}; it was left out.",
        "Make it again at the right place; the old one stays in job.json and does nothing.",
    )
