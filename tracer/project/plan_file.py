"""``panel.toml``: a panel's plan as a maker reads and types it.

Only what differs from the usual is written, so the file stays short. A key that nobody knows is a
slip of the pen: it is refused, with the place.
"""

from __future__ import annotations

import json
import tomllib
from dataclasses import is_dataclass
from types import ModuleType
from typing import Any

from pydantic import ConfigDict, TypeAdapter, ValidationError

from tracer.errors import UsageError
from tracer.model import panel_plan, stack
from tracer.model.panel_plan import PanelPlan

__all__ = ["plan_from_record", "plan_from_toml", "plan_record", "plan_toml"]


def _refuse_unknown_keys(*modules: ModuleType) -> None:
    """Set on the plan's types what only this package may know of: how strictly they are read."""
    for module in modules:
        for kind in vars(module).values():
            if isinstance(kind, type) and is_dataclass(kind) and kind.__module__ == module.__name__:
                kind.__pydantic_config__ = ConfigDict(extra="forbid")  # type: ignore[attr-defined]


_refuse_unknown_keys(panel_plan, stack)
_PLAN = TypeAdapter(PanelPlan)


def plan_record(plan: PanelPlan) -> dict[str, Any]:
    """The plan as plain values, without what is as usual."""
    record: dict[str, Any] = _PLAN.dump_python(plan, mode="json", exclude_defaults=True)
    return record


def plan_from_record(record: Any) -> PanelPlan:
    """The plan of plain values; ValueError where they are none."""
    return _PLAN.validate_python(record)


def plan_from_toml(data: bytes, name: str) -> PanelPlan:
    """A plan typed by hand.

    Raises
    ------
    UsageError
        ``panel-plan-unreadable`` with the place at fault.
    """
    try:
        return _PLAN.validate_python(tomllib.loads(data.decode("utf-8-sig")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError("panel-plan-unreadable", f"{name} is not a TOML file: {error}.") from None
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        raise UsageError(
            "panel-plan-unreadable",
            f"{name}, {place}: {first['msg'].lower()}.",
            "The page on panels lists every key.",
        ) from None


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
