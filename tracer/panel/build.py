"""Outlines and a plan to a panel.

The order of work: depths, openings, places, then what is cut beside the tools (wells, notches),
then what avoids all of that (labels, seams, screws), then the distances to check with a tape.
Everything is computed from the plan and the outlines alone, so equal inputs give equal panels.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from shapely.geometry import Polygon

from tracer.errors import TracerError
from tracer.geometry.offset import grown
from tracer.geometry.rings import largest_polygon
from tracer.model.fittings import Drawn
from tracer.model.outline import HeightSource, Outline
from tracer.model.panel import (
    Bay,
    BayKind,
    Fixing,
    FloorInsert,
    Panel,
    PanelPocket,
    Placement,
    Ply,
    PlyRole,
    Stock,
)
from tracer.model.panel_plan import PanelPlan
from tracer.model.pocket import PocketRule, Room
from tracer.model.report import Check
from tracer.panel.fittings.added import add_labels, add_notches, add_steps, add_wells
from tracer.panel.fittings.additions import (
    kept_free,
    with_back_work,
    with_face_work,
    with_rail,
)
from tracer.panel.fittings.dimensions import tape_dimensions
from tracer.panel.fittings.fixings import place_fixings
from tracer.panel.fittings.openings import beside_pockets, opening
from tracer.panel.layout.bay import gripping
from tracer.panel.layout.places import Tool, lay_out, put
from tracer.panel.layout.rows import Change
from tracer.panel.pocket.clearance import room_for
from tracer.panel.pocket.depth import Depth, propose_depth
from tracer.panel.pocket.fits import FITS, default_fit
from tracer.panel.pocket.looseness import check_limit, islands_left_out, limit_check
from tracer.panel.pocket.pockets import make_pocket, wall_tolerance_mm
from tracer.panel.rules import Rules, rules_for
from tracer.panel.stock.seams import retiled, seam_lines

__all__ = [
    "DEFAULT_PLIES",
    "Built",
    "Made",
    "Tool",
    "above_foam_mm",
    "build_panel",
    "in_force",
    "make_panel_pocket",
    "make_pockets",
    "plies_of",
    "rules_of",
    "wanted_tools",
    "with_room_kept",
]

#: dark grey face over a yellow base: two colours of cross-linked foam that every dealer has
DEFAULT_PLIES = (
    Ply(PlyRole.FACE, Stock("dark grey", (55, 55, 58), "pe", 30.0, (1000.0, 500.0), 33.0)),
    Ply(PlyRole.BASE, Stock("yellow", (240, 210, 20), "pe", 10.0, (1000.0, 500.0), 33.0)),
)

#: floor inserts of the same yellow, thin enough for a shallow pocket in that face
DEFAULT_INSERT = Stock("yellow", (240, 210, 20), "pe", 3.0, (1000.0, 500.0), 33.0)

#: regions kept in the panel are for places, checks and pictures; walls are made again to be cut
_FLAT_MM = 0.01


@dataclass(frozen=True, eq=False)
class Built:
    """A panel, what tidying changed, and findings made on the way."""

    panel: Panel
    changes: tuple[Change, ...] = ()
    checks: tuple[Check, ...] = field(default=())


def plies_of(plan: PanelPlan) -> tuple[Ply, ...]:
    """The stack as planned, or a usual one."""
    if not plan.plies:
        return DEFAULT_PLIES
    try:
        plies = tuple(Ply(PlyRole(p.role), p.stock, p.bonded) for p in plan.plies)
    except ValueError:
        raise TracerError(
            "panel-stack-impossible",
            f"A layer's role must be one of {', '.join(PlyRole)}.",
            "List the layers from front to back.",
        ) from None
    order = [list(PlyRole).index(p.role) for p in plies]
    if order != sorted(order) or plies[0].role is not PlyRole.FACE:
        raise TracerError(
            "panel-stack-impossible",
            "The layers do not run from the face over the base to the backing board.",
            "List them from front to back, a face first.",
        )
    for ply in plies:
        if not (ply.stock.thickness_mm > 0 and min(ply.stock.size_mm) > 0):
            raise TracerError(
                "panel-stack-impossible",
                f"The {ply.stock.colour} sheet has no thickness or size.",
                "Measure the sheet; the label's thickness is often off by 1-2 mm.",
            )
    return plies


def in_force(plan: PanelPlan) -> PanelPlan:
    """The plan with a squeeze by the foam's hardness where the bay asks for grip."""
    if plan.bay is None or not plan.bay.grip:
        return plan
    return replace(plan, bay=gripping(plan.bay, plies_of(plan)))


def with_room_kept(plan: PanelPlan, drawn: Drawn) -> PanelPlan:
    """The plan with keep-outs where emblems, mounts, ledges and cable rooms will be."""
    if plan.bay is None:
        return plan
    plan = in_force(plan)
    assert plan.bay is not None
    free = kept_free(plan, drawn, plan.bay, plies_of(plan), rules_of(plan, plan.bay))
    return replace(plan, keep_outs=(*plan.keep_outs, *free))


def rules_of(plan: PanelPlan, bay: Bay) -> Rules:
    """The figures in force."""
    return rules_for(bay.kind, plies_of(plan), plan.rules)


Made = tuple[tuple[PanelPocket, ...], tuple[Check, ...]]


def wanted_tools(tools: Sequence[Tool], plan: PanelPlan) -> list[Tool]:
    """Tools that get a pocket.

    Raises
    ------
    TracerError
        ``panel-empty``.
    """
    emblems = {e.outline_id for e in plan.emblems}
    wanted = [
        t for t in tools if not plan.tool(t.pocket_id).skip and t.outline.outline_id not in emblems
    ]
    if not wanted:
        raise TracerError(
            "panel-empty", "There is no tool to make a panel for.", "Trace a photo first."
        )
    return wanted


def make_pockets(
    tools: Sequence[Tool], plan: PanelPlan, progress: Callable[[float], None] | None = None
) -> Made:
    """Pockets of tools in their own frames, and what was found while making them."""
    bay = plan.bay or Bay(BayKind.DRAWER, 1.0, 1.0)
    plies, rules = plies_of(plan), rules_of(plan, bay)
    pockets: list[PanelPocket] = []
    checks: list[Check] = []
    for i, tool in enumerate(tools):
        pocket, found = make_panel_pocket(tool, i + 1, plan, bay, plies, rules)
        pockets.append(pocket)
        checks += found
        if progress:
            progress((i + 1) / len(tools))
    return tuple(pockets), tuple(checks)


def build_panel(
    tools: Sequence[Tool],
    plan: PanelPlan,
    *,
    revision: int = 1,
    progress: Callable[[float], None] | None = None,
    made: Made | None = None,
    drawn: Drawn | None = None,
) -> Built:
    """The panel for these tools; ``made`` are their pockets where they were made before.

    ``drawn`` holds the shapes of the plan's emblems, cable rooms and mounts.

    Raises
    ------
    TracerError
        ``panel-empty``, ``bay-impossible``, ``panel-stack-impossible``, ``panel-rule-unknown``,
        ``panel-unknown-tool``, ``panel-no-room``, and what fittings raise.
    """
    plan, drawn = in_force(plan), drawn or Drawn()
    wanted = wanted_tools(tools, plan)
    bay = plan.bay or Bay(BayKind.DRAWER, 1.0, 1.0)
    plies, rules = plies_of(plan), rules_of(plan, bay)
    part = (lambda done: progress(0.7 * done)) if progress else None
    in_own_frame, found = made or make_pockets(wanted, plan, part)
    laid = lay_out(wanted, in_own_frame, with_room_kept(plan, drawn), bay, rules)
    pockets = [put(p, item) for p, item in zip(in_own_frame, laid.items, strict=True)]
    checks = [*_in_panel(found, pockets), *laid.checks]
    panel = Panel(
        title=plan.title,
        revision=revision,
        bay=laid.bay,
        shape=laid.shape,
        plies=plies,
        pockets=tuple(pockets),
        keep_outs=laid.keep_outs[: len(plan.keep_outs)],
        insert=_insert_stock(plan, plies),
    )
    lies = _lies(wanted)
    panel, noted = with_face_work(panel, plan, drawn, rules)
    checks += noted
    panel = replace(panel, pockets=add_steps(panel, lies, plan))
    panel = replace(panel, pockets=add_wells(panel, lies, plan, rules))
    panel = replace(panel, pockets=add_notches(panel, lies, plan, rules))
    panel = with_back_work(panel, plan, drawn, rules)
    if progress:
        progress(0.85)
    if plan.labels:
        panel = replace(panel, pockets=add_labels(panel, plan, rules))
    panel = retiled(panel, rules)
    panel = replace(panel, fixings=_fixings(panel, plan, rules))
    panel = with_rail(panel, plan, rules)
    panel = replace(panel, dimensions=tape_dimensions(panel))
    if progress:
        progress(1.0)
    return Built(panel, laid.changes, tuple(checks))


def _in_panel(checks: Sequence[Check], pockets: Sequence[PanelPocket]) -> list[Check]:
    """Findings about a tool in its own frame, with their places moved to where it was put."""
    placed = {p.pocket_id: p.placement for p in pockets}
    return [
        replace(c, where_mm=placed[c.subject_id].point(*c.where_mm))
        if c.where_mm is not None and c.subject_id in placed
        else c
        for c in checks
    ]


def _lies(tools: Sequence[Tool]) -> dict[str, tuple[Placement, Polygon]]:
    """How each tool lay: motion to the upright photo, and its outline in its own frame."""
    return {t.pocket_id: (t.lie, t.outline.region) for t in tools}


def _insert_stock(plan: PanelPlan, plies: Sequence[Ply]) -> Stock | None:
    if plan.insert is not None:
        return plan.insert
    if not plan.plies:
        return DEFAULT_INSERT
    base = [p.stock for p in plies if p.role is PlyRole.BASE]
    return base[0] if base else None


def _depth(tool: Tool, plan: PanelPlan, bay: Bay, plies: Sequence[Ply], rules: Rules) -> Depth:
    typed = plan.tool(tool.pocket_id)
    face = sum(p.stock.thickness_mm for p in plies if p.role is PlyRole.FACE)
    return propose_depth(
        above_foam_mm(tool, plan),
        bay=bay,
        face_mm=face,
        stack_mm=sum(p.stock.thickness_mm for p in plies),
        insert=_insert_stock(plan, plies),
        rules=rules,
        typed_mm=typed.depth_mm if typed.depth_mm is not None else tool.depth_mm,
        through=typed.through,
        wants_insert=typed.insert,
        height_sigma_mm=_height_sigma_mm(tool.outline),
    )


def above_foam_mm(tool: Tool, plan: PanelPlan) -> float:
    """Height of a tool above its own underside, which lies on the pocket's floor.

    A tool that was packed level for its photo stood on what reaches below its underside: its
    height above the sheet has that part in it, and in foam the well takes it.
    """
    reach = [w.reach_mm for w in plan.tool(tool.pocket_id).wells] if tool.packed else []
    return max(tool.outline.height_mm - max(reach, default=0.0), 0.0)


def _height_sigma_mm(outline: Outline) -> float:
    """What is not known of a height that photos measured; typed ones are taken at their word."""
    measured = outline.height_source is HeightSource.MEASURED
    return (outline.height_sigma_mm or 0.0) if measured else 0.0


def make_panel_pocket(
    tool: Tool, number: int, plan: PanelPlan, bay: Bay, plies: Sequence[Ply], rules: Rules
) -> tuple[PanelPocket, tuple[Check, ...]]:
    """Opening of a tool in its own frame, not placed yet."""
    typed, outline = plan.tool(tool.pocket_id), tool.outline
    depth = _depth(tool, plan, bay, plies, rules)
    typed_size = tool.kind != "tool"
    room, limit = _room(tool, plan, bay)
    made = make_pocket(
        outline.region,
        PocketRule(
            fit_mm=room.gap_mm,
            depth_mm=None if depth.through else depth.depth_mm,
            cutter_radius_mm=rules.corner_mm,
            tolerance_mm=wall_tolerance_mm(outline.region),
            tongue_mm=rules.feature_mm,
        ),
        pocket_id=tool.pocket_id,
        wall=room.wall,
        name=outline.name,
        revision=outline.revision,
    )
    region = largest_polygon(made.pocket.region.simplify(_FLAT_MM))
    pocket = PanelPocket(
        pocket_id=tool.pocket_id,
        number=number,
        name=outline.name,
        outline_id="" if typed_size else outline.outline_id,
        outline_revision=0 if typed_size else outline.revision,
        placement=tool.lie,
        outline=outline.region,
        region=region,
        wall=room.wall,
        fit_mm=room.gap_mm,
        fit_probability=room.probability,
        widths_mm=(round(room.least_mm, 2), round(room.most_mm, 2)),
        height_mm=above_foam_mm(tool, plan),
        depth_mm=depth.depth_mm,
        through=depth.through,
        mass_kg=typed.mass_kg if typed.mass_kg is not None else tool.mass_kg,
        floor_insert=_insert(region, depth.insert, rules),
        kind=tool.kind,
    )
    return pocket, (*limit, *(c for c in made.checks if c.slug != "relief-cut"))


def _room(tool: Tool, plan: PanelPlan, bay: Bay) -> tuple[Room, list[Check]]:
    """Where the wall is to stand, and whether a limit keeps it closer than asked."""
    outline = tool.outline
    if tool.kind != "tool":  # a typed size is the pocket's own
        at = outline.region.representative_point()
        return Room(outline.region, 0.0, 1.0, 0.0, 0.0, 0.0, (at.x, at.y)), []
    fit = FITS[plan.tool(tool.pocket_id).fit or plan.fit or default_fit(bay.kind)]
    check_limit(plan.loosest_mm, fit)
    room = room_for(outline, fit, plan.fit_probability, loosest_mm=plan.loosest_mm)
    found = limit_check(outline, room, plan.fit_probability, fit, subject_id=tool.pocket_id)
    return room, [*found, *islands_left_out(outline, tool.pocket_id)]


def _insert(region: Polygon, stock: Stock | None, rules: Rules) -> FloorInsert | None:
    """A little larger than the pocket, so that it stays without glue showing."""
    if stock is None:
        return None
    return FloorInsert(largest_polygon(grown(region, rules.insert_press_mm)), stock)


def _fixings(panel: Panel, plan: PanelPlan, rules: Rules) -> tuple[Fixing, ...]:
    if not plan.fixings.wanted or panel.bay.kind is not BayKind.WALL:
        return ()
    taken = [opening(p) for p in panel.pockets] + beside_pockets(panel)
    clear = rules.emblem_fixing_mm - rules.fixing_clear_mm
    taken += [grown(i.region, clear) for i in panel.inlays if clear > 0]
    taken += [c.whole for c in panel.back_cavities]
    seams = seam_lines(panel.tiles, panel.shape)
    return tuple(
        place_fixings(
            panel.shape, taken, seams, panel.pockets, pitch_mm=plan.fixings.pitch_mm, rules=rules
        )
    )
