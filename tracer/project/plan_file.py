"""``panel.toml``: a panel's plan as a maker reads and types it.

Only what differs from the usual is written, so the file stays short. A key that nobody knows is a
slip of the pen: it is refused, with the place.
"""

from __future__ import annotations

import json
from dataclasses import is_dataclass
from types import ModuleType
from typing import Any

from pydantic import ConfigDict, TypeAdapter

from tracer.errors import UsageError
from tracer.loading import parse_toml
from tracer.model import fitting_plans, panel_plan, stack
from tracer.model.fitting_plans import (
    CavityPlan,
    EmblemPlan,
    HolePlan,
    LedgePlan,
    MountPlan,
    RailPlan,
)
from tracer.model.panel_plan import (
    ChosenPlace,
    CopyPlan,
    FixingPlan,
    KeepOutPlan,
    MovePlan,
    NotchPlan,
    PanelPlan,
    PlacementPlan,
    PlainPocketPlan,
    PlyPlan,
    SlotPlan,
    StepPlan,
    ToolPlan,
    WellPlan,
)
from tracer.model.stack import Bay, Stock
from tracer.project.refusals import Wrong, checked
from tracer.ranges import COUNTS, FITTING_RULES, FITTINGS, MOST_BYTES, PLAN, RULES

__all__ = ["SPANS", "TABLES", "plan_from_record", "plan_from_toml", "plan_record", "plan_toml"]


def _refuse_unknown_keys(*modules: ModuleType) -> None:
    """Set on the plan's types what only this package may know of: how strictly they are read."""
    for module in modules:
        for kind in vars(module).values():
            if isinstance(kind, type) and is_dataclass(kind) and kind.__module__ == module.__name__:
                kind.__pydantic_config__ = ConfigDict(extra="forbid")  # type: ignore[attr-defined]


_refuse_unknown_keys(panel_plan, fitting_plans, stack)
_PLAN = TypeAdapter(PanelPlan)
#: the plan's tables by type, as `tracer.ranges.PLAN` calls them
TABLES: dict[type, str] = {
    PanelPlan: "",
    Bay: "bay",
    Stock: "stock",
    PlyPlan: "plies",
    PlacementPlan: "placement",
    ToolPlan: "tools",
    WellPlan: "wells",
    StepPlan: "steps",
    NotchPlan: "notches",
    MovePlan: "moves",
    ChosenPlace: "places",
    CopyPlan: "copies",
    PlainPocketPlan: "plain",
    KeepOutPlan: "keep_outs",
    SlotPlan: "slots",
    FixingPlan: "fixings",
    EmblemPlan: "emblems",
    CavityPlan: "cavities",
    MountPlan: "mounts",
    HolePlan: "holes",
    LedgePlan: "ledges",
    RailPlan: "rail",
}
_FIGURES = RULES | FITTING_RULES
SPANS = PLAN | FITTINGS | {f"rules.{name}": span for name, span in _FIGURES.items()}


def plan_record(plan: PanelPlan) -> dict[str, Any]:
    """The plan as plain values, without what is as usual."""
    record: dict[str, Any] = _PLAN.dump_python(plan, mode="json", exclude_defaults=True)
    return record


def plan_from_record(record: Any) -> PanelPlan:
    """The plan of plain values.

    Raises
    ------
    Wrong
        The first value that is not right, with its place.
    """
    plan: PanelPlan = checked(_PLAN, record, names=TABLES, spans=SPANS)
    most = int(COUNTS["sheets of a stack (plies)"].high)
    if len(plan.plies) > most:
        raise Wrong("plies", f"{len(plan.plies)} sheets; a stack has at most {most}")
    return plan


def plan_from_toml(data: bytes, name: str) -> PanelPlan:
    """A plan typed by hand.

    Raises
    ------
    UsageError
        ``panel-plan-unreadable`` with the place at fault.
    """

    def refuse(why: str) -> UsageError:
        return UsageError(
            "panel-plan-unreadable",
            f"{name}: {why}.",
            "The page on the panel's plan has every key.",
        )

    try:
        return plan_from_record(parse_toml(data, refuse, MOST_BYTES["panel plan"]))
    except Wrong as wrong:
        raise refuse(str(wrong)) from None


def plan_toml(plan: PanelPlan) -> bytes:
    """The plan as TOML; `plan_from_toml` gives the same plan back."""
    record = plan_record(plan)
    lines = ["# The panel's plan. Change it here and run tracer arrange again; lengths in mm."]
    tables = {k: v for k, v in record.items() if isinstance(v, dict)}
    arrays = {k: v for k, v in record.items() if isinstance(v, list) and v}
    for key, value in record.items():
        if key not in tables and key not in arrays:
            lines.append(f"{key} = {_inline(value)}")
    for key, table in tables.items():
        lines += ["", f"[{key}]", *_pairs(table)]
    for key, items in arrays.items():
        for item in items:
            lines += ["", f"[[{key}]]", *_pairs(item)]
    return ("\n".join(lines) + "\n").encode("utf-8")


def _pairs(table: dict[str, Any]) -> list[str]:
    return [f"{key} = {_inline(value)}" for key, value in table.items() if value is not None]


def _inline(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(_pairs(value)) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_inline(v) for v in value) + "]"
    # JSON's text, number and boolean forms are TOML's too
    return json.dumps(value, ensure_ascii=False)
