"""The inputs of a job that a person edits, each under a path, read and changed one at a time.

================================== ============================================================
path                               value
================================== ============================================================
``row / OUTLINE / FIELD``          one cell of the tool list, by the outline the row belongs to
``photo / PHOTO_ID / LIST``        items of one list of corrections (`Corrections`)
``lay / NUMBER / FIELD``           a setting of a lay
``accepted / TOOL OR PLACE``       findings that a person has looked at and let stand
``plan / ...``                     what is asked of the panel (`plan_inputs`)
================================== ============================================================

A change carries what the value was. Where it is something else by now, the change is refused:
nobody's edit is overwritten unseen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any

from tracer.errors import TracerError
from tracer.model.corrections import Corrections, Stroke
from tracer.model.outline import EdgeModel, Outline
from tracer.model.panel_plan import PanelPlan
from tracer.model.tool_list import ToolRow
from tracer.project.edits_file import Change
from tracer.project.schema import JobRecord
from tracer.project.tool_list import ToolList
from tracer.ranges import OPTIONS, TOOL_LIST, Range, shown
from tracer.workflows.editing.input_values import (
    any_of,
    flag,
    number,
    optional,
    pair_mm,
    point,
    points,
    text,
)
from tracer.workflows.editing.plan_inputs import plan_changed
from tracer.workflows.job.usable_edits import in_photo

__all__ = ["Inputs", "changed", "placed", "shown_cell"]

EDGE_NAMES = tuple(m.value for m in EdgeModel if m not in (EdgeModel.VIEWS, EdgeModel.FRACTION))

_ROW = {
    "name": optional(text(120)),
    "height_mm": optional(number(TOOL_LIST["height_mm"])),
    "depth_mm": optional(number(TOOL_LIST["depth_mm"])),
    "mass_kg": optional(number(TOOL_LIST["mass_kg"])),
    "quantity": number(TOOL_LIST["quantity"]),
    "edge": optional(any_of(*EDGE_NAMES)),
    "tilt_deg": optional(number(TOOL_LIST["tilt_deg"])),
    "packed": flag,
}
_LAY = {
    "default_height_mm": optional(number(OPTIONS["--height"])),
    "camera_height_mm": optional(number(OPTIONS["--camera-height"])),
    "card_size_mm": optional(pair_mm(OPTIONS["--card-size"])),
    "edge": optional(any_of(*EDGE_NAMES)),
    "keep_cables": flag,
    "silhouettes": any_of("auto", "classical", "learned"),
}
_BRUSH = Range(1, 2000, "px")  # what a hand draws with; a job may hold wider strokes
LONGEST_KEY, MOST_MARKS = 120, 40
MOST_PLACES = 1_000_000  # behind every item of a list


def _stroke(value: Any) -> Stroke:
    if not isinstance(value, dict):
        raise ValueError("a stroke")
    return Stroke(
        line=points(1)(value.get("line")),
        width_px=number(_BRUSH)(value.get("width_px")),
        add=flag(value.get("add")),
    )


_CORRECTIONS = {
    "keep": point,
    "drop": point,
    "split": points(2, 2),
    "merge": points(2, 2),
    "strokes": _stroke,
    "edges": points(2),
    "cables": point,
}


@dataclass(frozen=True)
class Inputs:
    """The editable inputs.

    ``row_of`` gives the row index of an outline id, None without a row; ``plan`` is None until a
    panel is asked for; ``sizes_px`` gives width and height by photo id, where they are known.
    """

    record: JobRecord
    tools: ToolList
    outlines: Mapping[str, Outline]
    lay_of: Mapping[str, int]
    row_of: Mapping[str, int | None]
    plan: PanelPlan | None = None
    sizes_px: Mapping[str, tuple[int, int]] = field(default_factory=dict)


def shown_cell(row: ToolRow | None, field: str, outline_id: str) -> Any:
    """A cell as JSON; what an empty row holds where there is none.

    A run writes an outline's number where nobody typed a name; that is no name.
    """
    value = getattr(row or ToolRow(None, 0.0, 0.0), field)
    if field == "name" and value == outline_id:
        return None
    return value.value if isinstance(value, EdgeModel) else value


def placed(inputs: Inputs, change: Change) -> Change:
    """The change with the places in a list of corrections that it takes from and puts into."""
    match change.path:
        case ("photo", photo_id, kind) if kind in _CORRECTIONS:
            items = [
                item
                for lay in inputs.record.lays
                for photo in lay.photos
                if photo.photo_id == photo_id
                for item in getattr(photo.corrections, kind)
            ]
            gone = _items(change.path, kind, change.was)
            new = _items(change.path, kind, change.now)
            left, was_at = list(enumerate(items)), []
            for item in gone:
                at = next((k for k, (_, other) in enumerate(left) if other == item), None)
                if at is not None:
                    was_at.append(left.pop(at)[0])
            now_at = range(len(left), len(left) + len(new))
            return replace(change, was_at=tuple(was_at), now_at=tuple(now_at))
        case _:
            return change


def changed(inputs: Inputs, change: Change) -> Inputs:
    """The inputs after one change.

    Raises
    ------
    TracerError
        ``edit-refused`` for a value or path that makes no sense, ``edit-conflict`` where the
        value is not what the change says it was.
    """
    match change.path:
        case ("row", outline_id, field) if field in _ROW and outline_id in inputs.row_of:
            return _row_changed(inputs, outline_id, field, change)
        case ("photo", photo_id, kind) if kind in _CORRECTIONS:
            return _corrections_changed(inputs, photo_id, kind, change)
        case ("lay", lay, field) if field in _LAY and lay.isdecimal():
            return _lay_changed(inputs, int(lay), field, change)
        case ("accepted", key) if 0 < len(key) <= LONGEST_KEY:
            return _accepted_changed(inputs, key, change)
        case ("plan", _, *_):
            plan = plan_changed(inputs.plan or PanelPlan(), change)
            return replace(inputs, plan=plan)
        case _:
            raise TracerError(
                "edit-refused",
                f"There is nothing to edit at {shown(' / '.join(map(str, change.path)))}.",
                "Reload the page; the job may have changed meanwhile.",
            )


def _checked(path: tuple[str, ...], reader: Any, value: Any) -> Any:
    try:
        return reader(value)
    except (TypeError, ValueError) as error:
        raise TracerError(
            "edit-refused", f"{shown(value)} cannot be {path[-1]}: it must be {error}."
        ) from None


def _conflict(change: Change, present: Any) -> TracerError:
    now = "empty" if present is None else shown(present)
    return TracerError(
        "edit-conflict",
        f"{' '.join(change.path[1:])} is {now} by now, so the change was not made.",
        "Look at what is there now, then decide again.",
    )


def _row_changed(inputs: Inputs, outline_id: str, field: str, change: Change) -> Inputs:
    rows = list(inputs.tools.rows)
    index = inputs.row_of[outline_id]
    row = None if index is None else rows[index]
    value = _checked(change.path, _ROW[field], change.now)
    was = _checked(change.path, _ROW[field], change.was)
    present = shown_cell(row, field, outline_id)
    if present != (None if field == "name" and was == outline_id else was):
        raise _conflict(change, present)
    if field == "name" and value is None:
        value = outline_id  # as a run writes it
    if field == "edge":
        value = None if value is None else EdgeModel(value)
    row_of = dict(inputs.row_of)
    if row is None:
        x, y = inputs.outlines[outline_id].point_px
        row = ToolRow(None, round(x, 1), round(y, 1), lay=inputs.lay_of[outline_id])
        row_of[outline_id] = index = len(rows)
        rows.append(row)
    assert index is not None
    cells: dict[str, Any] = {field: value}
    if field == "edge":
        cells["edge_fraction"] = None
    rows[index] = replace(row, **cells)
    return replace(inputs, tools=inputs.tools.with_rows(rows), row_of=row_of)


def _corrections_changed(inputs: Inputs, photo_id: str, kind: str, change: Change) -> Inputs:
    for number_, lay in enumerate(inputs.record.lays):
        for k, photo in enumerate(lay.photos):
            if photo.photo_id != photo_id:
                continue
            items = list(getattr(photo.corrections, kind))
            gone = _items(change.path, kind, change.was)
            for item, at in sorted(_at(gone, change.was_at), key=lambda pair: -pair[1]):
                if item not in items:
                    raise _conflict(change, "another")
                stands = 0 <= at < len(items) and items[at] == item
                items.pop(at if stands else items.index(item))
            new = _items(change.path, kind, change.now)
            size_px = inputs.sizes_px.get(photo_id)
            if size_px is not None and not all(in_photo(kind, item, size_px) for item in new):
                raise TracerError(
                    "edit-refused",
                    f"The correction lies outside {photo.name}, so it was not made.",
                    "Place it in the photo.",
                )
            for item, at in sorted(_at(new, change.now_at), key=lambda pair: pair[1]):
                items.insert(at, item)  # beyond the end: at the end
            corrections = replace(photo.corrections, **{kind: tuple(items)})
            photos = list(lay.photos)
            photos[k] = replace(photo, corrections=corrections)
            lays = list(inputs.record.lays)
            lays[number_] = replace(lay, photos=tuple(photos))
            return replace(inputs, record=replace(inputs.record, lays=tuple(lays)))
    raise TracerError(
        "edit-refused", "The photo of this correction is not in the job.", "Reload the page."
    )


def _at(items: list[Any], places: tuple[int, ...]) -> list[tuple[Any, int]]:
    """Items with their places in the list; at its end where those are not known."""
    known = places if len(places) == len(items) else (MOST_PLACES,) * len(items)
    return list(zip(items, known, strict=True))


def _items(path: tuple[str, ...], kind: str, values: Any) -> list[Any]:
    if values is None:
        return []
    if not isinstance(values, list) or len(values) > 1000:
        raise TracerError("edit-refused", f"{kind} must be a list.")
    return [_checked(path, _CORRECTIONS[kind], v) for v in values]


def _lay_changed(inputs: Inputs, lay: int, field: str, change: Change) -> Inputs:
    if not 1 <= lay <= len(inputs.record.lays):
        raise TracerError("edit-refused", f"There is no lay {lay} in the job.", "Reload the page.")
    record = inputs.record.lays[lay - 1]
    value = _checked(change.path, _LAY[field], change.now)
    if getattr(record, field) != _checked(change.path, _LAY[field], change.was):
        raise _conflict(change, getattr(record, field))
    lays = list(inputs.record.lays)
    lays[lay - 1] = replace(record, **{field: value})
    return replace(inputs, record=replace(inputs.record, lays=tuple(lays)))


def _accepted_changed(inputs: Inputs, key: str, change: Change) -> Inputs:
    def marks(value: Any) -> tuple[str, ...]:
        if value is None:
            return ()
        if not isinstance(value, list) or len(value) > MOST_MARKS:
            raise TracerError("edit-refused", f"'{value}' cannot be a list of findings.")
        return tuple(_checked(change.path, text(LONGEST_KEY), mark) for mark in value)

    present = inputs.record.accepted.get(key, ())
    if present != marks(change.was):
        raise _conflict(change, present)
    accepted = {k: v for k, v in inputs.record.accepted.items() if k != key}
    if new := marks(change.now):
        accepted[key] = new
    # by key, so that the same record gives the same bytes whatever order it was made in
    record = replace(inputs.record, accepted=dict(sorted(accepted.items())))
    return replace(inputs, record=record)


assert {f.name for f in fields(Corrections)} == set(_CORRECTIONS), "a correction nobody can make"
