"""One pocket of a finished panel exchanged, added or taken out; every other value stays the very
object it was.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from shapely.geometry import Point

from tracer.errors import TracerError
from tracer.model.panel import Panel, PanelPocket, Placement
from tracer.model.panel_plan import PanelPlan
from tracer.model.report import Check, Severity
from tracer.panel.build import make_panel_pocket, rules_of
from tracer.panel.fittings.added import add_labels, add_notches, add_steps, add_wells
from tracer.panel.layout.placement import Item
from tracer.panel.layout.places import Tool, put
from tracer.panel.rules import Rules
from tracer.panel.swap.room_check import room_checks

__all__ = ["PocketSwap", "swap_pocket", "with_new_pocket", "without_pocket"]


@dataclass(frozen=True, eq=False)
class PocketSwap:
    """The panel after, and the pocket before and after (None: there is none)."""

    panel: Panel
    before: PanelPocket | None
    after: PanelPocket | None
    checks: tuple[Check, ...]


def swap_pocket(panel: Panel, plan: PanelPlan, tool: Tool) -> PocketSwap:
    """The panel with another tool in the place of the pocket of the same id.

    ``tool.outline`` is in the old outline's frame, so that the old placement holds for it too.
    Parts (wells, notches, label) are made anew for this pocket alone.

    Raises
    ------
    TracerError
        ``panel-unknown-tool``.
    """
    old = _pocket(panel, tool.pocket_id)
    rules = rules_of(plan, panel.bay)
    made, checks = make_panel_pocket(tool, old.number, plan, panel.bay, panel.plies, rules)
    placed = put(made, Item(tool.pocket_id, made.region, old.placement))
    trial, after = _fitted_out(_with(panel, placed), panel, tool, plan, rules)
    found = (*checks, *_screws(panel, after), *room_checks(trial, old, after, rules))
    return PocketSwap(trial, old, after, found)


def with_new_pocket(panel: Panel, plan: PanelPlan, tool: Tool, place: Placement) -> PocketSwap:
    """The panel with one pocket more, under the next free number; errors as `swap_pocket`.

    Parameters
    ----------
    place
        From the tool's own frame to the panel.
    """
    rules = rules_of(plan, panel.bay)
    number = 1 + max((p.number for p in panel.pockets), default=0)
    made, checks = make_panel_pocket(tool, number, plan, panel.bay, panel.plies, rules)
    placed = put(made, Item(tool.pocket_id, made.region, place))
    more = replace(panel, pockets=(*panel.pockets, placed))
    trial, after = _fitted_out(more, more, tool, plan, rules)
    found = (*checks, *_screws(panel, after), *room_checks(trial, None, after, rules))
    return PocketSwap(trial, None, after, found)


def _fitted_out(
    trial: Panel, panel: Panel, tool: Tool, plan: PanelPlan, rules: Rules
) -> tuple[Panel, PanelPocket]:
    """Steps, wells, notches and label of one pocket made anew, those of the others left alone."""
    lie = {tool.pocket_id: (tool.lie, tool.outline.region)}
    trial = _with(panel, _named(add_steps(trial, lie, plan), tool.pocket_id))
    trial = _with(panel, _named(add_wells(trial, lie, plan, rules), tool.pocket_id))
    trial = _with(trial, _named(add_notches(trial, lie, plan, rules), tool.pocket_id))
    if plan.labels:
        trial = _with(trial, _named(add_labels(trial, plan, rules), tool.pocket_id))
    return trial, _pocket(trial, tool.pocket_id)


def without_pocket(panel: Panel, pocket_id: str) -> PocketSwap:
    """The panel without a pocket; numbers of the others stay.

    Raises
    ------
    TracerError
        ``panel-unknown-tool``.
    """
    old = _pocket(panel, pocket_id)
    pockets = tuple(p for p in panel.pockets if p.pocket_id != pocket_id)
    return PocketSwap(replace(panel, pockets=pockets), old, None, ())


def _with(panel: Panel, pocket: PanelPocket) -> Panel:
    return replace(
        panel,
        pockets=tuple(pocket if p.pocket_id == pocket.pocket_id else p for p in panel.pockets),
    )


def _named(pockets: tuple[PanelPocket, ...], pocket_id: str) -> PanelPocket:
    return next(p for p in pockets if p.pocket_id == pocket_id)


def _pocket(panel: Panel, pocket_id: str) -> PanelPocket:
    for pocket in panel.pockets:
        if pocket.pocket_id == pocket_id:
            return pocket
    raise TracerError(
        "panel-unknown-tool",
        f"The panel has no pocket {pocket_id}.",
        f"Its pockets are {', '.join(p.pocket_id for p in panel.pockets)}.",
    )


def _screws(panel: Panel, pocket: PanelPocket) -> list[Check]:
    """Screws that sat under foam and would now lie open."""
    return [
        Check(
            "swap-opens-screw",
            Severity.WARN,
            f"The new pocket of {pocket.name} opens the screw at ({f.x_mm:.0f}, {f.y_mm:.0f}).",
            "Move that screw before cutting.",
            subject_id=pocket.pocket_id,
            where_mm=(f.x_mm, f.y_mm),
        )
        for f in panel.fixings
        if pocket.region.buffer(5.0).contains(Point(f.x_mm, f.y_mm))
    ]
