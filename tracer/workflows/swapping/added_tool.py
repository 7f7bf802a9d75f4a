"""A tool that comes new to a job: its outline, its pocket in the panel, and nothing else."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

import shapely
from shapely.affinity import translate
from shapely.geometry import Polygon

from tracer.errors import UsageError
from tracer.geometry.compare import Motion
from tracer.model.outline import Outline
from tracer.model.panel_plan import Arrangement
from tracer.model.placement import Placement
from tracer.panel.build import make_panel_pocket, rules_of
from tracer.panel.fittings.openings import beside_pockets, opening
from tracer.panel.layout.placement import Item, free_place, middle
from tracer.panel.layout.places import Tool
from tracer.progress import Progress, StepClock
from tracer.project.panel_file import PanelFile
from tracer.project.schema import KeptOutline
from tracer.project.store import JobFolder
from tracer.workflows.arranging.panel_tools import upright
from tracer.workflows.job.trace_job import PhotoFile
from tracer.workflows.swapping.new_tool import trace_new
from tracer.workflows.swapping.pocket_change import PocketChange, lay_change, panel_addition
from tracer.workflows.swapping.swap import (
    SwapOptions,
    near_neighbours,
    same_cards,
    the_new_one,
    view_of_lay,
)
from tracer.workflows.swapping.swap_job import (
    JobSwap,
    SwapRun,
    Traced,
    copies_of,
    in_lay,
    new_settings,
    shown_too,
    write_change,
)
from tracer.workflows.swapping.swap_store import OpenJob, open_job
from tracer.workflows.tracing.cache import StageCache
from tracer.workflows.tracing.trace import Trace

__all__ = ["LAY", "Laid", "Wished", "add_tool", "addition", "laid", "trace_added"]

LAY = 1  # the lay that takes what comes new
BESIDE_MM = 20.0  # right of all others: about as far as tools lie from one another in a photo
TOUCH_MM = 5.0  # nearer than this no two tools of a lay are put


@dataclass(frozen=True)
class Wished:
    """Where the middle (centroid) of a new tool goes, mm; ``None`` nowhere in particular.

    ``in_panel`` counts from the panel's lower left corner, else in the lay's frame.
    """

    at_mm: tuple[float, float] | None = None
    in_panel: bool = False


def trace_added(
    job: OpenJob,
    photo_files: Sequence[PhotoFile],
    options: SwapOptions,
    run: SwapRun,
    clock: StepClock,
    cache: StageCache | None = None,
) -> Traced:
    """The new tool out of its photos, and what is to be said of that; errors as `trace_new`."""
    settings = new_settings(job, LAY, run)
    beside = shown_too(job, LAY, job.beside("", LAY))
    return trace_new(photo_files, settings, run.height_mm, options.point_px, clock, beside, cache)


@dataclass(frozen=True, eq=False)
class Laid:
    """A new tool in the lay's frame, and the motion from there to its place in the panel."""

    outline: Outline
    place: Placement | None


def laid(job: OpenJob, name: str, done: Trace, options: SwapOptions, wished: Wished) -> Laid:
    """The new tool's outline and place, under the next free number.

    Without a wish it stays as photographed where the photo shows the lay's cards unmoved. Else it
    goes to the nearest free place of the panel, or, without a panel, to the right of the lay.

    Raises
    ------
    UsageError
        ``swap-which-tool``, ``swap-no-tool``.
    """
    others = job.beside("", LAY)
    same = same_cards(job.calibration(LAY), done)
    found = the_new_one(None, others, done, options, same)
    about = found.region.centroid
    region = Motion(options.turn_rad).region(found.region)
    tx, ty = region.centroid.coords[0]
    number = f"T{job.record.next_outline:02d}"
    new = replace(
        found,
        outline_id=number,
        name=name,
        region=translate(region, about.x - tx, about.y - ty),
        outer=None,
        inner=None,
    )
    if job.panel is None:
        at = wished.at_mm or ((about.x, about.y) if same else _beside(new.region, others))
        return Laid(_put(new, at), None)
    way = way_to_panel(job, job.panel)
    if wished.at_mm is not None:
        there = wished.at_mm if wished.in_panel else way.point(*wished.at_mm)
    else:
        there = way.point(about.x, about.y) if same else _free(job, job.panel, new, way)
    # in the lay too it lies over no other tool: rows of the list are told apart by their points
    new = _put(new, way.inverse().point(*there))
    in_photo = Item(number, new.region, Placement(0.0, 0.0))
    if any(new.region.intersects(o.region) for o in others):
        room = shapely.box(*shapely.total_bounds([o.region for o in others]))
        spot = free_place(in_photo, [o.region for o in others], room, TOUCH_MM)
        if spot is None:
            new = _put(new, _beside(new.region, others))
        else:
            new = replace(new, region=spot.placed)
    x, y = way.point(*new.region.centroid.coords[0])
    return Laid(new, replace(way, x_mm=way.x_mm + there[0] - x, y_mm=way.y_mm + there[1] - y))


def _put(outline: Outline, at: tuple[float, float]) -> Outline:
    """The outline with its middle there."""
    x, y = outline.region.centroid.coords[0]
    return replace(outline, region=translate(outline.region, at[0] - x, at[1] - y))


def _beside(region: Polygon, others: Sequence[Outline]) -> tuple[float, float]:
    """Where the middle of a tool goes so that it lies to the right of a lay."""
    bounds = [o.region.bounds for o in others]
    x0, _, _, y1 = region.bounds
    right = max((b[2] for b in bounds), default=0.0)
    high = max((b[3] for b in bounds), default=0.0)
    x, y = region.centroid.coords[0]
    return x + right + BESIDE_MM - x0, y + high - y1


def _free(job: OpenJob, file: PanelFile, outline: Outline, way: Placement) -> tuple[float, float]:
    """Where in the panel the middle of a tool goes that nobody has given a place."""
    panel, plan = file.panel, file.plan
    rules = rules_of(plan, panel.bay)
    tool = new_tool(job, outline)
    pocket, _ = make_panel_pocket(tool, 1, plan, panel.bay, panel.plies, rules)
    x, y = middle(way.apply(pocket.region).bounds)
    cx, cy = panel.shape.centroid.coords[0]
    item = Item(tool.pocket_id, pocket.region, way).shifted(cx - x, cy - y)
    taken = [*(opening(p) for p in panel.pockets), *beside_pockets(panel)]
    room = panel.shape.buffer(-rules.edge_mm)
    found = None
    for gap in (rules.gap_mm, rules.web_mm, rules.web_least_mm):
        found = found or free_place(item, taken, room, gap)
    return (found or item).placement.point(*outline.region.centroid.coords[0])


def new_tool(job: OpenJob, outline: Outline) -> Tool:
    """The new outline as the panel takes it."""
    return Tool(outline.outline_id, outline, upright(job.content.calibration, LAY), LAY)


def way_to_panel(job: OpenJob, file: PanelFile) -> Placement:
    """The motion by which the lay as a whole stands in its panel.

    Tools that were moved one by one stand elsewhere; the median of all leaves them aside.
    """
    lie = upright(job.content.calibration, LAY)
    if file.plan.placement.arrangement is not Arrangement.FRESH:
        lie = lie.then(Placement(0.0, 0.0, math.radians(file.plan.placement.turn_deg or 0.0)))
    mine = [p.placement for p in file.panel.pockets if job.content.lay_of.get(p.pocket_id) == LAY]
    if not mine:
        return replace(lie, x_mm=file.panel.size_mm[0] / 2, y_mm=file.panel.size_mm[1] / 2)
    return replace(lie, x_mm=median(p.x_mm for p in mine), y_mm=median(p.y_mm for p in mine))


def addition(job: OpenJob, found: Laid, run: SwapRun) -> PocketChange:
    """The new pocket, in the panel where there is one."""
    new = found.outline
    if job.panel is None or found.place is None:
        others = job.beside(new.outline_id, LAY)
        return lay_change(job.folder, None, new, others, run.machine, run.rules)
    tool = new_tool(job, new)
    return panel_addition(job.panel, tool, found.place, run.machine, run.rules)


def add_tool(
    folder: JobFolder,
    name: str,
    photo_files: Sequence[PhotoFile],
    options: SwapOptions,
    wished: Wished,
    run: SwapRun,
    progress: Progress | None = None,
    traced: Traced | None = None,
    *,
    anywhere: bool = False,
) -> JobSwap:
    """Add a tool to the first lay and its panel: a pocket and nothing else.

    ``traced`` is what `trace_added` gave for these photos, where that was done before;
    ``anywhere`` lets it go to a free place where nothing else is said.

    Raises
    ------
    TracerError
        ``swap-no-place``, ``swap-which-tool`` and what tracing raises.
    """
    clock = StepClock(progress)
    with folder.locked():
        job = open_job(folder)
        done, told = traced or trace_added(job, photo_files, options, run, clock)
        clock.step("laying into place")
        if wished.at_mm is None and not anywhere and not same_cards(job.calibration(LAY), done):
            raise UsageError(
                "swap-no-place",
                "It is not said where the new tool goes.",
                "Give the place of its middle, mm in the lay's frame.",
            )
        there = laid(job, name, done, options, wished)
        new = in_lay(there.outline, view_of_lay(job.calibration(LAY)))
        there = replace(there, outline=new)
        records, photos = copies_of(job, photo_files)
        job = replace(job, record=replace(job.record, next_outline=job.record.next_outline + 1))
        kept = {new.outline_id: KeptOutline(records, "")}
        changed = {new.outline_id: new}
        near = near_neighbours(new, job.beside(new.outline_id, LAY)) if job.panel is None else []
        moved = addition(job, there, run)
        result = write_change(job, [(None, new)], changed, kept, photos, [], LAY, run, clock, moved)
    return replace(result, checks=(*told, *near, *result.checks))
