"""One report: everything about a panel that can be held against a limit.

Severity: *fail* is what spoils foam, drops a tool or cannot be cut; *warn* is what a maker should
look at; *note* tells what was decided. What only a machine can decide is in
`tracer.panel.check_machine`.
"""

from __future__ import annotations

from collections.abc import Sequence

from tracer.model.panel import Panel
from tracer.model.panel_plan import PanelPlan
from tracer.model.report import Check, Severity
from tracer.panel.checks.additions import check_additions
from tracer.panel.checks.lifting import check_lifting
from tracer.panel.checks.shapes import check_shapes
from tracer.panel.checks.steps import check_steps
from tracer.panel.checks.use import check_use
from tracer.panel.layout.places import Tool
from tracer.panel.rules import TABLE, rules_for

__all__ = ["check_panel", "failed", "limit_basis", "sorted_checks"]

_ORDER = (Severity.FAIL, Severity.WARN, Severity.NOTE)

#: check -> the rule its limit comes from
_BASIS = {
    "web-thin": "web_mm",
    "panel-edge-thin": "web_least_mm",
    "panel-edge-near": "edge_mm",
    "fixing-under-pocket": "web_least_mm",
    "fixing-far-from-heavy": "heavy_near_mm",
    "keep-out-cut": "web_least_mm",
    "contrast-low": "lrv_points",
    "floor-thin": "floor_mm",
    "does-not-close": "closing_mm",
    "pocket-shallow": "depth_share_least",
    "falls-out": "lean_deg",
    "tips-easily": "lean_deg",
    "foam-overloaded": "bearing_kpa",
    "no-finger-access": "grip_mm",
    "out-of-reach": "reach_high_mm",
    "fitting-off-panel": "web_least_mm",
    "fitting-too-near": "web_least_mm",
    "emblem-stroke-thin": "feature_mm",
    "emblem-web-thin": "feature_mm",
    "emblem-floor-thin": "floor_mm",
    "emblem-contrast-low": "contrast_ratio",
    "emblem-island-filled": "island_mm",
    "mount-air-short": "air_mm",
    "mount-too-near": "air_mm",
    "cavity-skin-thin": "skin_mm",
    "cavity-bend-tight": "bend_diameters",
    "cavity-narrow": "cable_clear_mm",
    "cavity-too-small": "coil_share",
    "cavity-under-pocket": "web_least_mm",
    "cavity-off-panel": "web_least_mm",
    "cavity-exit-closed": "cable_clear_mm",
}


def check_panel(panel: Panel, plan: PanelPlan, tools: Sequence[Tool] = ()) -> tuple[Check, ...]:
    """All findings, worst first, then by pocket. Without tools their origin is not checked."""
    rules = rules_for(panel.bay.kind, panel.plies, plan.rules)
    found = [
        *check_shapes(panel, rules),
        *check_use(panel, plan, tools, rules),
        *check_lifting(panel, rules),
        *check_additions(panel, rules),
        *check_steps(panel),
    ]
    return sorted_checks(panel, found)


def sorted_checks(panel: Panel, checks: Sequence[Check]) -> tuple[Check, ...]:
    """Worst first, then by the pocket's number, then by name; each only once."""
    number = {p.pocket_id: p.number for p in panel.pockets}
    order = sorted(
        dict.fromkeys(checks),
        key=lambda c: (_ORDER.index(c.severity), number.get(c.subject_id or "", 0), c.slug),
    )
    return tuple(order)


def failed(checks: Sequence[Check], accepted: Sequence[str] = ()) -> tuple[Check, ...]:
    """Checks that failed and were not accepted by name."""
    return tuple(c for c in checks if c.severity is Severity.FAIL and c.slug not in accepted)


def limit_basis(slug: str) -> str:
    """Where the limit of a check comes from; empty for checks without a figure."""
    return TABLE[_BASIS[slug]].basis if slug in _BASIS else ""
