"""Corrections as ``job.json`` holds them: what is usable, and what is not but is kept.

A correction that cannot be read (a place that is no number, a line of one point, a kind nobody
knows) must not stop the whole job from opening, and must not vanish either: it is set aside, told
by every run, and written back as it was.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tracer.ranges import JOB

__all__ = ["set_aside"]

MOST_POINTS = 20_000


def set_aside(photo: dict[str, Any]) -> dict[str, Any]:
    """A photo's record with its unusable corrections moved to ``unusable``.

    Each is kept as ``{"kind": ..., "value": ...}``. Records without corrections are given back as
    they are.
    """
    corrections = photo.get("corrections")
    if corrections is None:
        return photo
    if not isinstance(corrections, dict):
        return _record(photo, {}, [{"kind": "corrections", "value": corrections}])
    usable: dict[str, list[Any]] = {}
    unusable: list[dict[str, Any]] = []
    for kind, items in corrections.items():
        check = _USABLE.get(kind)
        if check is None or not isinstance(items, list):
            unusable.append({"kind": kind, "value": items})
            continue
        usable[kind] = [item for item in items if check(item)]
        unusable += [{"kind": kind, "value": item} for item in items if not check(item)]
    return _record(photo, usable, unusable)


def _record(
    photo: dict[str, Any], usable: dict[str, list[Any]], unusable: list[dict[str, Any]]
) -> dict[str, Any]:
    before = photo.get("unusable") or []
    if not isinstance(before, list):
        before = [{"kind": "unusable", "value": before}]
    return {**photo, "corrections": usable, "unusable": [*before, *unusable]}


def _point(value: Any) -> bool:
    return (
        isinstance(value, list)
        and len(value) == 2
        and all(v in JOB["corrections.keep"] for v in value)
    )


def _points(least: int, most: int = MOST_POINTS) -> Callable[[Any], bool]:
    def check(value: Any) -> bool:
        return (
            isinstance(value, list)
            and least <= len(value) <= most
            and all(_point(p) for p in value)
        )

    return check


def _stroke(value: Any) -> bool:
    return (
        isinstance(value, dict)
        and set(value) <= {"line", "width_px", "add"}
        and _points(1)(value.get("line"))
        and value.get("width_px") in JOB["stroke.width_px"]
        and isinstance(value.get("add", True), bool)
    )


_USABLE: dict[str, Callable[[Any], bool]] = {
    "keep": _point,
    "drop": _point,
    "split": _points(2, 2),
    "merge": _points(2, 2),
    "strokes": _stroke,
    "edges": _points(2),
    "cables": _point,
}
