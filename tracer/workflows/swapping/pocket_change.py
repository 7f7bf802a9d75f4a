"""The old pocket of a changed tool, the new one, and the patch that leads from one to the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.export.swap_files import PatchSheet
from tracer.geometry.offset import grown
from tracer.geometry.rings import largest_polygon
from tracer.geometry.sound import UnsoundShape, sound_polygon
from tracer.model.drawing import Layer, Operation
from tracer.model.machine import Machine
from tracer.model.outline import Outline
from tracer.model.panel import FloorInsert, Panel, PanelPocket
from tracer.model.placement import Placement
from tracer.model.pocket import PocketRule
from tracer.model.report import Check
from tracer.panel.layout.places import Tool
from tracer.panel.pocket.clearance import Cut, room_for
from tracer.panel.pocket.fits import FIT_PROBABILITY, FITS, LOOSEST_MM, default_fit, typed_fit
from tracer.panel.pocket.pockets import make_pocket, wall_tolerance_mm
from tracer.panel.swap.old_pocket import Patch, PatchRules, plan_patch
from tracer.panel.swap.pocket import (
    PocketSwap,
    swap_pocket,
    with_new_pocket,
    without_pocket,
)
from tracer.project.cut_record import CutPocket, CutRecord, CutWish, cut_records
from tracer.project.panel_file import PanelFile
from tracer.project.store import JobFolder
from tracer.workflows.arranging.arrange import tools_of_job
from tracer.workflows.arranging.panel_tools import tool_digests

__all__ = ["PocketChange", "lay_change", "panel_addition", "panel_change"]

#: gaps that are the same
_SAME_MM = 1e-6


@dataclass(frozen=True, eq=False)
class PocketChange:
    """Regions in one frame (the lay's, or the panel's), and the patch.

    Attributes
    ----------
    old, new
        What is cut away, before and after; empty where there is no pocket.
    neighbours
        Everything else that is cut on the sheet.
    depth_mm, old_depth_mm
        Depth of the new and of the old pocket; None: right through.
    foam_mm
        Thickness of the foam that is cut through where a pocket has no depth; None: not known.
    parts
        The new pocket's cuts with their depths, finger notches and wells apart.
    insert
        Contrast piece for the new floor.
    sheet
        How a machine is set on the finished piece.
    panel
        The panel after, where there is one.
    """

    old: BaseGeometry
    new: BaseGeometry
    neighbours: tuple[Polygon, ...]
    depth_mm: float | None
    old_depth_mm: float | None
    foam_mm: float | None
    parts: tuple[tuple[Layer, BaseGeometry], ...]
    patch: Patch
    checks: tuple[Check, ...]
    sheet: PatchSheet
    insert: FloorInsert | None = None
    panel: PanelFile | None = None


def panel_change(
    folder: JobFolder,
    file: PanelFile,
    before: Outline,
    after: Outline | None,
    machine: Machine,
    rules: PatchRules,
) -> PocketChange:
    """Exchange one pocket of the job's panel, its walls as this machine cuts them.

    Raises
    ------
    TracerError
        ``panel-unknown-tool``.
    """
    digests = dict(file.tools)
    if after is None:
        done = without_pocket(file.panel, before.outline_id)
        digests.pop(before.outline_id, None)
    else:
        tools, _ = tools_of_job(folder, file.plan)
        tool = next(t for t in tools if t.pocket_id == before.outline_id)
        tool = replace(tool, outline=after)
        done = swap_pocket(file.panel, file.plan, tool)
        digests |= tool_digests([tool])
    return _changed(file, done, before.outline_id, digests, machine, rules)


def panel_addition(
    file: PanelFile, tool: Tool, place: Placement, machine: Machine, rules: PatchRules
) -> PocketChange:
    """One pocket more in the job's panel: `place` leads from the tool's frame to the panel."""
    done = with_new_pocket(file.panel, file.plan, tool, place)
    digests = {**file.tools, **tool_digests([tool])}
    return _changed(file, done, tool.pocket_id, digests, machine, rules)


def _changed(
    file: PanelFile,
    done: PocketSwap,
    pocket_id: str,
    digests: dict[str, str],
    machine: Machine,
    rules: PatchRules,
) -> PocketChange:
    """What one pocket's change asks of the foam that is there."""
    old, new = _cut(done.before, machine), _cut(done.after, machine)
    others = tuple(
        shape
        for p in file.panel.pockets
        if p.pocket_id != pocket_id
        for shape in [largest_polygon(_cut(p, machine))]
    )
    patch = plan_patch(_one(old), _one(new), others, pocket_id, rules)
    panel = replace(done.panel, revision=file.panel.revision + 1)
    return PocketChange(
        old,
        new,
        others,
        _depth(done.after or done.before),
        _depth(done.before),
        file.panel.face_mm,
        () if done.after is None else _parts(done.after, machine),
        patch,
        (*done.checks, *patch.checks),
        PatchSheet("the panel", file.panel.size_mm, _marks(old, new, others, file.panel)),
        None if done.after is None else done.after.floor_insert,
        PanelFile(file.plan, panel, digests),
    )


def _depth(pocket: PanelPocket | None) -> float | None:
    return None if pocket is None or pocket.through else pocket.cut_depth_mm


def _walled(pocket: PanelPocket, machine: Machine) -> Polygon:
    """The pocket's opening as the machine cuts it."""
    offset = machine.wall_offset_mm(pocket.cut_depth_mm)
    return largest_polygon(grown(pocket.region, offset)) if offset else pocket.region


def _parts(pocket: PanelPocket, machine: Machine) -> tuple[tuple[Layer, BaseGeometry], ...]:
    """The pocket's cuts, each on the layer that a new panel's file would have it on."""
    depth = _depth(pocket)
    main = Layer(Operation.THROUGH) if depth is None else Layer(Operation.POCKET, depth)
    return (
        (main, _walled(pocket, machine)),
        *((Layer(Operation.WELL, w.depth_mm), w.region) for w in pocket.wells),
        *((Layer(Operation.NOTCH, n.depth_mm), n.region) for n in pocket.notches),
    )


def _marks(
    old: BaseGeometry,
    new: BaseGeometry,
    others: Sequence[BaseGeometry],
    panel: Panel | None = None,
) -> tuple[tuple[str, tuple[float, float]], ...]:
    """Two places that can be touched: the outermost points of two pockets that are there."""
    here = old if not old.is_empty else new
    near = sorted(others, key=lambda o: (o.distance(here), o.bounds))
    found: list[tuple[str, BaseGeometry]] = []
    if not old.is_empty:
        found.append(("the old pocket", old))
    for other in near:
        number = None
        if panel is not None:
            number = next(
                (p.number for p in panel.pockets if other.covers(p.region.representative_point())),
                None,
            )
        found.append((f"pocket {number}" if number else "the next pocket", other))
    marks = []
    for (name, shape), side in zip(found[:2], ("left", "right"), strict=False):
        points = shapely.get_coordinates(shape)
        k = int(points[:, 0].argmin() if side == "left" else points[:, 0].argmax())
        marks.append((f"The {side} end of {name}", (float(points[k, 0]), float(points[k, 1]))))
    return tuple(marks)


def _cut(pocket: PanelPocket | None, machine: Machine) -> BaseGeometry:
    """All that is cut from the face for a pocket."""
    if pocket is None:
        return Polygon()
    parts = [
        _walled(pocket, machine),
        *(n.region for n in pocket.notches),
        *(w.region for w in pocket.wells),
    ]
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
    cut, record = _last_cut(folder, machine), _record_of(folder, machine)
    thick = CutWish().thickness_mm if record is None else record.thickness_mm

    def pocket(outline: Outline, like: str) -> tuple[Polygon, float | None, tuple[Check, ...]]:
        rule, wall = _asked(outline, machine, cut.get(like), thick, known=outline is before)
        made = make_pocket(
            outline.region, rule, pocket_id=outline.outline_id, wall=wall, name=outline.name
        )
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
    motion = Placement(0.0, 0.0) if record is None else record.motion
    there = [motion.apply(shape) for shape in (old[0], new[0])]
    others_there = tuple(motion.apply_polygon(n) for n in neighbours)
    patch = plan_patch(_one(there[0]), _one(there[1]), others_there, like, rules)
    depth = new[1] if after is not None else old[1]
    layer = Layer(Operation.THROUGH) if depth is None else Layer(Operation.POCKET, depth)
    marks = _marks(there[0], there[1], others_there)
    if record is not None and record.size_mm is not None:
        sheet = PatchSheet("the sheet", record.size_mm, marks)
    else:
        size = shapely.total_bounds([s for s in (*there, *others_there) if not s.is_empty])
        sheet = PatchSheet("", (float(size[2] - size[0]), float(size[3] - size[1])), marks)
    return PocketChange(
        there[0],
        there[1],
        others_there,
        depth,
        old[1],
        None if record is None else record.thickness_mm,
        () if after is None else ((layer, there[1]),),
        patch,
        (*new[2], *patch.checks),
        sheet,
    )


def _record_of(folder: JobFolder, machine: Machine) -> CutRecord | None:
    """The last cut of the lay for this machine, where its record tells how it lay."""
    found = [r for r in cut_records(folder) if r.machine == machine.key and r.size_mm is not None]
    return found[-1] if len(found) == 1 else None


def _last_cut(folder: JobFolder, machine: Machine) -> dict[str, CutPocket]:
    """Pockets by id, from the record of the last cut for this machine."""
    return {
        pocket.id: pocket
        for record in cut_records(folder)
        if record.machine == machine.key
        for pocket in record.pockets
    }


def _asked(
    outline: Outline,
    machine: Machine,
    cut: CutPocket | None,
    thick_mm: float | None,
    *,
    known: bool,
) -> tuple[PocketRule, Polygon]:
    """Rule and wall of a pocket: the old one as it was made, a new one by its own uncertainty."""
    usual = FITS[default_fit(None)]
    depth = None if cut is None else cut.depth_mm
    offset = machine.wall_offset_mm(depth or thick_mm or machine.max_depth_mm)
    fit = usual if cut is None else typed_fit(cut.fit_mm - offset)
    if abs(fit.gap_mm - usual.gap_mm) < _SAME_MM:
        fit = usual
    rule = PocketRule(
        fit_mm=fit.gap_mm + offset,
        depth_mm=depth,
        cutter_radius_mm=machine.inside_radius_mm,
        relief=machine.relief,
    )
    if known and cut is not None and (wall := _recorded_wall(outline, cut)) is not None:
        return rule, wall
    room = room_for(
        outline,
        fit,
        FIT_PROBABILITY,
        cut=Cut(sigma_mm=machine.cut_sigma_mm),
        loosest_mm=LOOSEST_MM,
    )
    rule = replace(rule, tolerance_mm=wall_tolerance_mm(outline.region))
    return rule, largest_polygon(grown(room.wall, offset))


def _recorded_wall(outline: Outline, cut: CutPocket) -> Polygon | None:
    """The wall that a record tells, or that its even margin gives; None where it tells neither."""
    if cut.wall is not None:
        try:
            return sound_polygon(cut.wall)
        except UnsoundShape:
            return None
    if cut.margin_mm is None:
        return None
    return largest_polygon(grown(outline.region, cut.fit_mm + cut.margin_mm))
