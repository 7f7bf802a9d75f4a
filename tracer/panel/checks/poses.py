"""Tools with moving parts: whether a tool is stored as it lay for its photo."""

from __future__ import annotations

import re
from collections.abc import Iterator

from tracer.model.panel import PanelPocket
from tracer.model.panel_plan import PanelPlan
from tracer.model.report import Check, Severity
from tracer.panel.layout.places import Tool

__all__ = ["check_poses"]

#: words in the name of a tool whose outline changes when it is opened or set: common practice, no
#: source
_MOVES = re.compile(
    r"adjustable|caliper|calliper|clamp|cutter|folding|nipper|pliers|scissors|shears|snips|tongs",
    re.IGNORECASE,
)


def check_poses(
    pockets: tuple[PanelPocket, ...], plan: PanelPlan, sources: dict[str, Tool]
) -> Iterator[Check]:
    """Poses that differ, and one question for all tools that move and of which none is said.

    Parameters
    ----------
    sources
        By pocket id the tool, with the pose that it had in its photo; copies are asked once.
    """
    asked: dict[str, PanelPocket] = {}
    for pocket in pockets:
        tool = sources.get(pocket.pocket_id)
        if tool is None:
            continue
        stored = plan.tool(pocket.pocket_id).pose
        if tool.pose and stored and _same(tool.pose) != _same(stored):
            yield _differs(pocket, tool.pose, stored)
        elif not (tool.pose or stored) and tool.kind == "tool" and _MOVES.search(pocket.name):
            asked.setdefault(tool.outline.outline_id, pocket)
    if asked:
        yield _unsaid(list(asked.values()))


def _same(pose: str) -> str:
    return " ".join(pose.casefold().split())


def _who(pocket: PanelPocket) -> str:
    return f"{pocket.number} ({pocket.name})"


def _differs(pocket: PanelPocket, seen: str, stored: str) -> Check:
    return Check(
        slug="pose-differs",
        severity=Severity.WARN,
        sentence=f"{_who(pocket)} was photographed with its moving parts '{seen}', but is to be "
        f"stored '{stored}': its pocket is cut for the former.",
        remedy="Photograph it as it is stored and swap it in; its pocket follows.",
        subject_id=pocket.pocket_id,
    )


def _unsaid(pockets: list[PanelPocket]) -> Check:
    one = len(pockets) == 1
    return Check(
        slug="pose-unsaid",
        severity=Severity.NOTE,
        sentence=f"{', '.join(_who(p) for p in pockets)} {'has' if one else 'have'} moving parts; "
        f"{'its pocket is' if one else 'their pockets are'} cut for the pose in the photo.",
        remedy="Lay such a tool as it is stored, and say so in the column pose of tools.csv "
        "(closed, or what it is set to).",
        subject_id=pockets[0].pocket_id if one else None,
    )
