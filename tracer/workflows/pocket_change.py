"""The old pocket of a changed tool, the new one, and the patch that leads from one to the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.geometry.rings import largest_polygon
from tracer.model.machine import Machine
from tracer.model.outline import Outline
from tracer.model.panel import PanelPocket
from tracer.model.panel_plan import FitClass
from tracer.model.pocket import PocketRule
from tracer.model.report import Check
from tracer.panel.clearance import Errors, margin_for
from tracer.panel.estimate import estimate_of
from tracer.panel.exchange import exchange_pocket, without_pocket
from tracer.panel.patch import Patch, PatchRules, plan_patch
from tracer.panel.pockets import make_pocket
from tracer.panel.rules import FIT_MM
from tracer.project.cut_record import CutPocket, cut_records
from tracer.project.panel_file import PanelFile
from tracer.project.store import JobFolder
from tracer.workflows.arrange import tools_of_job

__all__ = ["PocketChange", "lay_change", "panel_change"]

FIT_PROBABILITY = 0.9  # as `tracer cut` has it


@dataclass(frozen=True, eq=False)
class PocketChange:
    """Regions in one frame (the lay's, or the panel's), and the patch.

    Attributes
    ----------
    old, new
        What is cut away, before and after; empty where there is no pocket.
    neighbours
        Everything else that is cut on the sheet.
    depth_mm
        Depth of the pocket; None: right through.
    panel
        The panel after, where there is one.
    """

    old: BaseGeometry
    new: BaseGeometry
    neighbours: tuple[Polygon, ...]
    depth_mm: float | None
    patch: Patch
    checks: tuple[Check, ...]
    panel: PanelFile | None = None


def panel_change(
    folder: JobFolder, file: PanelFile, before: Outline, after: Outline | None, rules: PatchRules
) -> PocketChange:
    """Exchange one pocket of the job's panel.

    Raises
    ------
    TracerError
        ``panel-unknown-tool``.
    """
    if after is None:
        done = without_pocket(file.panel, before.outline_id)
    else:
        tools, _ = tools_of_job(folder, file.plan)
        tool = next(t for t in tools if t.pocket_id == before.outline_id)
        done = exchange_pocket(file.panel, file.plan, replace(tool, outline=after))
    old, new = _cut(done.before), _cut(done.after)
    others = tuple(
        shape
        for p in file.panel.pockets
        if p.pocket_id != before.outline_id
        for shape in [largest_polygon(_cut(p))]
    )
    pocket = done.after or done.before
    patch = plan_patch(_one(old), _one(new), others, before.outline_id, rules)
    panel = replace(done.panel, revision=file.panel.revision + 1)
    depth = None if pocket is None or pocket.through else pocket.cut_depth_mm
    return PocketChange(
        old, new, others, depth, patch, (*done.checks, *patch.checks), PanelFile(file.plan, panel)
    )


def _cut(pocket: PanelPocket | None) -> BaseGeometry:
    """All that is cut from the face for a pocket."""
    if pocket is None:
        return Polygon()
    parts = [pocket.region, *(n.region for n in pocket.notches), *(w.region for w in pocket.wells)]
    return shapely.union_all(parts)


def _one(region: BaseGeometry) -> Polygon:
    return Polygon() if region.is_empty else largest_polygon(region)


def lay_change(
    folder: JobFolder,
    before: Outline | None,
    after: Outline | None,
    others: Sequence[Outline],
    machine: Machine,
    rules: PatchRules,
) -> PocketChange:
    """Old and new pocket of a lay cut as photographed.

    The old pocket is that of the last cut for this machine by its record; without one, the pocket
    that `tracer cut` would make.
    """
    cut = _last_cut(folder, machine)

    def pocket(outline: Outline, like: str) -> tuple[Polygon, float | None, tuple[Check, ...]]:
        rule = _rule(outline, machine, cut.get(like), known=outline is before)
        region, _ = estimate_of(outline, outline.outline_id)
        made = make_pocket(region, rule, pocket_id=outline.outline_id, name=outline.name)
        return made.pocket.region, rule.depth_mm, made.checks

    like = (before or after or others[0]).outline_id
    old: tuple[Polygon, float | None, tuple[Check, ...]] = (Polygon(), None, ())
    new = old
    if before is not None:
        old = pocket(before, like)
    if after is not None:
        new = pocket(after, like)
    neighbours = tuple(
        pocket(o, o.outline_id)[0] for o in others if not (o.cable or o.cut_by_frame)
    )
    patch = plan_patch(old[0], new[0], neighbours, like, rules)
    depth = new[1] if after is not None else old[1]
    return PocketChange(old[0], new[0], neighbours, depth, patch, (*new[2], *patch.checks))


def _last_cut(folder: JobFolder, machine: Machine) -> dict[str, CutPocket]:
    """Fit, margin and depth by pocket, from the record of the last cut for this machine."""
    return {
        pocket.id: pocket
        for record in cut_records(folder)
        if record.machine == machine.key
        for pocket in record.pockets
    }


def _rule(outline: Outline, machine: Machine, cut: CutPocket | None, *, known: bool) -> PocketRule:
    margin = margin_for(outline, FIT_PROBABILITY, Errors(cut_sigma_mm=machine.cut_sigma_mm))
    fit: float = FIT_MM[FitClass.EASY] + machine.fit_offset_mm
    depth = None
    if cut is not None:
        fit, depth = cut.fit_mm, cut.depth_mm
        if known:  # the old pocket as it was made; the new one by its own uncertainty
            margin = cut.margin_mm
    return PocketRule(
        fit_mm=fit,
        margin_mm=round(margin, 2),
        depth_mm=depth,
        cutter_radius_mm=machine.inside_radius_mm,
        relief=machine.relief,
    )
