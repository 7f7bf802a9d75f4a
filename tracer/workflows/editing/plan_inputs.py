"""What is asked of the panel, edited one value at a time.

==================================== ====================================================
path                                 value
==================================== ====================================================
``plan / moves / POCKET``            where a pocket was put by hand (`MovePlan`), or None
``plan / tools / POCKET``            what was typed for a pocket (`ToolPlan`), or None
``plan / KEY``                       any other part of the plan (`PanelPlan`), or None
==================================== ====================================================

Values are plain, as in ``panel.toml``, without what is as usual; None stands for: as usual.
"""

from __future__ import annotations

from typing import Any

from tracer.errors import TracerError
from tracer.model.panel_plan import PanelPlan
from tracer.project.edits_file import Change
from tracer.project.plan_file import plan_from_record, plan_record
from tracer.project.refusals import Wrong
from tracer.ranges import shown

__all__ = ["plan_changed", "plan_value"]

BY_POCKET = ("moves", "tools")
KEYS = (
    "title",
    "bay",
    "plies",
    "placement",
    "places",
    "fit",
    "fit_probability",
    "loosest_mm",
    "hand",
    "through_only",
    "labels",
    "fixings",
    "rules",
    "keep_outs",
    "plain",
    "copies",
    "slots",
    "insert",
    "emblems",
    "cavities",
    "mounts",
    "ledges",
    "rail",
)


def plan_value(plan: PanelPlan, path: tuple[str, ...]) -> Any:
    """The value at a path below ``plan``; None where it is as usual."""
    record = plan_record(plan)
    if len(path) == 2:
        items = record.get(path[0], [])
        return next((_bare(i) for i in items if i["pocket_id"] == path[1]), None)
    return record.get(path[0])


def plan_changed(plan: PanelPlan, change: Change) -> PanelPlan:
    """The plan after one change; ``change.path`` begins with ``plan``.

    Raises
    ------
    TracerError
        ``edit-refused``, ``edit-conflict``.
    """
    path = change.path[1:]
    known = (len(path) == 2 and path[0] in BY_POCKET) or (len(path) == 1 and path[0] in KEYS)
    if not known:
        raise TracerError(
            "edit-refused", f"A panel's plan has no {shown(' / '.join(path))}.", "Reload the page."
        )
    present = plan_value(plan, path)
    before = _with(plan, path, change.was)
    if plan_value(before, path) != present:
        raise TracerError(
            "edit-conflict",
            f"{' '.join(path)} of the panel was changed meanwhile, so the change was not made.",
            "Look at what is there now, then decide again.",
        )
    return _with(plan, path, change.now)


def _with(plan: PanelPlan, path: tuple[str, ...], value: Any) -> PanelPlan:
    record = plan_record(plan)
    if len(path) == 2:
        key, pocket = path
        items = [i for i in record.get(key, []) if i["pocket_id"] != pocket]
        if value is not None:
            if not isinstance(value, dict):
                raise _refused(path, f"{shown(value)} was read")
            items.append({**value, "pocket_id": pocket})
        # by pocket, so that the same plan gives the same bytes whatever order it was made in
        record[key] = sorted(items, key=lambda i: str(i["pocket_id"]))
    elif value is None:
        record.pop(path[0], None)
    else:
        record[path[0]] = value
    try:
        return plan_from_record(record)
    except Wrong as wrong:
        raise _refused(path, str(wrong)) from None


def _refused(path: tuple[str, ...], why: str) -> TracerError:
    return TracerError(
        "edit-refused",
        f"That is not a value for {' '.join(path)} of the panel: {why}.",
        "Type a number or choose from the list.",
    )


def _bare(item: dict[str, Any]) -> dict[str, Any]:
    return {k: v for k, v in item.items() if k != "pocket_id"}
