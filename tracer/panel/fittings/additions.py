"""Everything a plan asks for beside pockets, put into a panel; and what the layout must leave free.

Emblems, mounts and ledges stand where they were typed, so they come before notches and labels,
which go round them. Cable rooms lead into pockets and come when those are complete.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from shapely.geometry import box
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from tracer.geometry.rings import polygons_in
from tracer.model.fitting_plans import LedgePlan
from tracer.model.fittings import Drawn, Ledge
from tracer.model.panel import Panel
from tracer.model.panel_plan import KeepOutPlan, PanelPlan
from tracer.model.report import Check
from tracer.model.stack import Bay, Ply
from tracer.panel.fittings.cavities import make_cavities
from tracer.panel.fittings.emblems import make_emblems
from tracer.panel.fittings.mounts import make_mounts
from tracer.panel.fittings.rail import make_rail
from tracer.panel.layout.bay import panel_shape
from tracer.panel.rules import Rules

__all__ = ["kept_free", "with_back_work", "with_face_work", "with_rail", "without_fittings"]


def with_face_work(
    panel: Panel, plan: PanelPlan, drawn: Drawn, rules: Rules
) -> tuple[Panel, tuple[Check, ...]]:
    """The panel with emblems, mounts, the ways of their leads, and ledges.

    Raises
    ------
    TracerError
        What `make_emblem` and `make_mounts` raise.
    """
    inlays, checks = make_emblems(panel, plan, drawn, rules)
    mounts, ways = make_mounts(panel, plan, drawn, rules)
    ledges = tuple(_ledge(f"S{n}", one) for n, one in enumerate(plan.ledges, start=1))
    return replace(panel, inlays=inlays, mounts=mounts, back_cavities=ways, ledges=ledges), checks


def with_back_work(panel: Panel, plan: PanelPlan, drawn: Drawn, rules: Rules) -> Panel:
    """The panel with its cable rooms, in front of the ways for leads.

    Raises
    ------
    TracerError
        What `make_cavities` raises.
    """
    rooms = make_cavities(panel, plan, drawn, rules)
    return replace(panel, back_cavities=(*rooms, *panel.back_cavities))


def with_rail(panel: Panel, plan: PanelPlan, rules: Rules) -> Panel:
    """The panel with its rest rail.

    Raises
    ------
    TracerError
        What `make_rail` raises.
    """
    return replace(panel, rail=make_rail(panel, plan.rail, rules))


def without_fittings(plan: PanelPlan) -> PanelPlan:
    """The plan of the tools alone."""
    return replace(plan, emblems=(), cavities=(), mounts=(), ledges=(), rail=None)


def _ledge(ledge_id: str, plan: LedgePlan) -> Ledge:
    w, h = plan.width_mm / 2, plan.height_mm / 2
    x0, x1, y0, y1 = plan.x_mm - w, plan.x_mm + w, plan.y_mm - h, plan.y_mm + h
    room = box(x0 - plan.swing_mm, y0, x1 + plan.swing_mm, y1 + plan.lift_mm)
    return Ledge(
        ledge_id, plan.name, orient(box(x0, y0, x1, y1)), orient(room), plan.out_mm, plan.mass_kg
    )


def kept_free(
    plan: PanelPlan, drawn: Drawn, bay: Bay, plies: tuple[Ply, ...], rules: Rules
) -> tuple[KeepOutPlan, ...]:
    """Boxes that tools without a place of their own must leave free, as keep-outs are typed."""
    if not (plan.emblems or plan.mounts or plan.ledges or plan.cavities):
        return ()
    shape, corner = panel_shape(bay)
    bare = Panel(plan.title, 1, bay, shape, plies, (), insert=plan.insert)
    panel, _ = with_face_work(bare, plan, drawn, rules)
    # where their exits lead is not known before the pockets are in their places
    closed = tuple(replace(c, pocket_id=None, exit_mm=None) for c in plan.cavities)
    panel = with_back_work(panel, replace(plan, cavities=closed), drawn, rules)
    named: list[tuple[str, BaseGeometry]] = [(i.inlay_id, i.region) for i in panel.inlays]
    bodies = [(m.mount_id, m.opening or m.body) for m in panel.mounts]
    named += [(name, body) for name, body in bodies if body is not None]
    named += [(one.ledge_id, one.region) for one in panel.ledges]
    named += [(c.cavity_id, c.region) for c in panel.back_cavities]
    return tuple(
        KeepOutPlan(name, x0 - corner[0], y0 - corner[1], x1 - x0, y1 - y0)
        for name, region in named
        for x0, y0, x1, y1 in _boxes(region)
    )


def _boxes(region: BaseGeometry) -> Sequence[tuple[float, float, float, float]]:
    return [p.bounds for p in polygons_in(region)]
