"""The tools that a job offers to its panel: traced, from the shelf, drawn, copied, typed."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.optimize import linear_sum_assignment
from shapely.geometry import Polygon, box

from tracer.errors import TracerError
from tracer.model.lay_calibration import LayCalibration, of_lay
from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.model.panel import Placement
from tracer.model.panel_plan import CopyPlan, PanelPlan, PlainPocketPlan
from tracer.model.report import Check, Severity
from tracer.model.scan_map import ScanMap
from tracer.model.tool_list import ToolRow
from tracer.panel.layout.places import Tool
from tracer.panel.pocket.no_pocket import no_pocket_for
from tracer.project.outlines_file import OutlinesFile
from tracer.project.tool_list import ToolList

__all__ = ["job_tools", "rows_by_outline", "tool_digests", "upright"]

#: a point of the tool list and of an outline are the same within this; both are written rounded
_SAME_PX = 3.0
#: heights that read the same on a rule
_SAME_HEIGHT_MM = 0.1


def rows_by_outline(content: OutlinesFile, tools: ToolList | None) -> dict[str, ToolRow]:
    """Row of the tool list per outline id: by its point, else by its name.

    Tools of one name (three tyre levers) are told apart by their points: each row goes to the
    outline of its name that makes the sum of distances least.
    """
    found: dict[str, ToolRow] = {}
    left: dict[tuple[int, str], list[ToolRow]] = {}
    for row in tools.rows if tools else ():
        mine = [o for o in content.outlines if content.lay_of.get(o.outline_id, 1) == row.lay]
        near = [o for o in mine if max(np.abs(_away_px(o, row))) <= _SAME_PX]
        if near:
            found.setdefault(near[0].outline_id, row)
        elif row.name is not None:
            left.setdefault((row.lay, row.name), []).append(row)
    for (lay, name), rows in left.items():
        named = [
            o
            for o in content.outlines
            if o.name == name
            and content.lay_of.get(o.outline_id, 1) == lay
            and o.outline_id not in found
        ]
        distances = [[np.hypot(*_away_px(o, row)) for o in named] for row in rows]
        if named:
            for k, best in zip(*linear_sum_assignment(distances), strict=True):
                found[named[best].outline_id] = rows[k]
    return found


def _away_px(outline: Outline, row: ToolRow) -> tuple[float, float]:
    return outline.point_px[0] - row.x_px, outline.point_px[1] - row.y_px


def upright(calibration: Sequence[LayCalibration], lay: int) -> Placement:
    """Turn of a lay that makes its first photo's right the panel's right.

    Of a scan, which is seen from below, its top becomes the panel's top; left and right change.
    """
    view = of_lay(calibration, lay).first_view
    if view is None:
        return Placement(0.0, 0.0)  # drawn or imported: as it is
    x, y = -view.to_px[0, :2] if isinstance(view, ScanMap) else view.R[0, :2]
    angle = math.atan2(y, x)
    # the camera's own small roll is kept; only the card's chance direction is taken out
    return Placement(0.0, 0.0, -angle)


def job_tools(
    content: OutlinesFile,
    tools: ToolList | None,
    plan: PanelPlan,
    imported: Sequence[Outline] = (),
) -> tuple[list[Tool], list[Check]]:
    """Everything that gets a pocket, in the order of its numbers, and what does not.

    ``imported`` are outlines from the shelf or from drawings.
    """
    rows = rows_by_outline(content, tools)
    found: list[Tool] = []
    checks: list[Check] = []
    for outline in content.outlines:
        reason = no_pocket_for(outline)
        if reason is not None:
            checks.append(reason)
            continue
        lay = content.lay_of.get(outline.outline_id, 1)
        row = rows.get(outline.outline_id)
        if row is not None and row.known_mm is not None:
            checks.append(_only_measured(outline))
            continue
        if row is not None and _changed_height(outline, row):
            checks.append(_height_later(outline, row))
            outline = replace(
                outline, height_mm=row.height_mm or 0.0, height_source=HeightSource.TYPED
            )
        tool = Tool(outline.outline_id, outline, upright(content.calibration, lay), lay)
        found.append(tool if row is None else _with_row(tool, row))
    found += [Tool(o.outline_id, o, Placement(0.0, 0.0), 0) for o in imported]
    wanted = [
        CopyPlan(t.pocket_id)
        for t in found
        for _ in range(rows[t.pocket_id].quantity - 1 if t.pocket_id in rows else 0)
    ]
    found += _copies(found, [*wanted, *plan.copies])
    found += [_plain(p, n) for n, p in enumerate(plan.plain, start=1)]
    known = {t.pocket_id for t in found} | {o.outline_id for o in content.outlines}
    return found, [*checks, *_planned_for_nothing(plan, known)]


def tool_digests(tools: Sequence[Tool]) -> dict[str, str]:
    """By pocket id, a digest of what a panel takes from each tool.

    The outline counts by its revision, which rises with its shape.
    """
    return {
        t.pocket_id: hashlib.sha256(
            repr(
                (
                    (t.outline.name, t.outline.revision, round(t.outline.height_mm, 3)),
                    (t.outline.height_source.value, t.kind, t.lay),
                    [round(v, 6) for v in (t.lie.x_mm, t.lie.y_mm, t.lie.angle_rad)],
                    (t.lie.mirrored, t.wished),
                    (t.mass_kg, t.depth_mm, t.tilt_deg, t.packed),
                    *((t.pose,) if t.pose else ()),
                )
            ).encode()
        ).hexdigest()[:12]
        for t in tools
    }


def _changed_height(outline: Outline, row: ToolRow) -> bool:
    """Whether the list has another height than the outline was traced with."""
    return row.height_mm is not None and abs(row.height_mm - outline.height_mm) > _SAME_HEIGHT_MM


def _only_measured(outline: Outline) -> Check:
    return Check(
        "known-thing-no-pocket",
        Severity.NOTE,
        f"{outline.outline_id} ({outline.name}) is there to be measured and gets no pocket.",
        "If it is a tool of the set as well, empty its cell known_mm in tools.csv.",
        subject_id=outline.outline_id,
    )


def _height_later(outline: Outline, row: ToolRow) -> Check:
    return Check(
        "height-since-trace",
        Severity.WARN,
        f"{outline.outline_id} ({outline.name}): tools.csv has a height of {row.height_mm:g} mm, "
        f"and its outline was traced with {outline.height_mm:g} mm. Depth, notch and drawer go by "
        "the list; the outline is still that of the other height.",
        "Trace the job again, then arrange.",
        subject_id=outline.outline_id,
        value=row.height_mm,
        limit=outline.height_mm,
        unit="mm",
    )


def _planned_for_nothing(plan: PanelPlan, known: set[str]) -> list[Check]:
    """What the plan says of tools that are not there: most often a number mistyped."""
    return [
        Check(
            "plan-without-tool",
            Severity.NOTE,
            f"The plan says something of {typed.pocket_id}, but the job has no such tool.",
            "Mend the pocket_id of that [[tools]] entry in panel.toml, or delete it; tools.csv and"
            " the overlay picture show the ids.",
            subject_id=typed.pocket_id,
        )
        for typed in plan.tools
        if typed.pocket_id not in known
    ]


def _with_row(tool: Tool, row: ToolRow) -> Tool:
    return replace(
        tool,
        mass_kg=row.mass_kg,
        depth_mm=row.depth_mm,
        tilt_deg=row.tilt_deg,
        packed=row.packed,
        pose=row.pose,
    )


def _copies(originals: Sequence[Tool], plans: Sequence[CopyPlan]) -> list[Tool]:
    by_id = {t.pocket_id: t for t in originals}
    count: dict[str, int] = {}
    found = []
    for plan in plans:
        original = by_id.get(plan.of)
        if original is None:
            raise TracerError(
                "panel-unknown-tool",
                f"There is no tool {plan.of} to copy.",
                "The overlay picture and tools.csv show the tools' ids.",
            )
        n = count[plan.of] = count.get(plan.of, 1) + 1
        turn = Placement(0.0, 0.0, math.radians(plan.turn_deg), plan.mirrored)
        name = plan.name or f"{original.outline.name} ({'mirrored' if plan.mirrored else n})"
        found.append(
            replace(
                original,
                pocket_id=f"{plan.of}-{n}",
                outline=replace(original.outline, name=name),
                lie=original.lie.then(turn),
                lay=0,
                wished=(plan.x_mm, plan.y_mm),
            )
        )
    return found


def _plain(plan: PlainPocketPlan, number: int) -> Tool:
    if not (plan.width_mm > 0 and plan.height_mm > 0 and plan.thing_mm > 0):
        raise TracerError(
            "plain-pocket-impossible",
            f"The pocket '{plan.name}' has no size.",
            "Type its width and height, and the height of the thing that goes in.",
        )
    w, h = plan.width_mm / 2, plan.height_mm / 2
    corner = max(min(plan.corner_mm, 0.99 * w, 0.99 * h), 0.0)
    shape = box(-w, -h, w, h)
    if corner > 0:
        shape = shape.buffer(-corner).buffer(corner, quad_segs=32)
    pocket_id = f"B{number:02d}"
    outline = Outline(
        outline_id=pocket_id,
        name=plan.name,
        region=Polygon(shape.exterior),
        height_mm=plan.thing_mm,
        height_source=HeightSource.TYPED,
        method=EdgeModel.FRACTION,
        sigma_mm=0.0,
        sigma_ring_mm=np.empty(0),
        bias_bound_mm=0.0,
        confidence=1.0,
        photo_ids=(),
        point_px=(0.0, 0.0),
    )
    return Tool(
        pocket_id,
        outline,
        Placement(0.0, 0.0, math.radians(plan.turn_deg)),
        lay=0,
        mass_kg=plan.mass_kg,
        depth_mm=plan.depth_mm,
        wished=(plan.x_mm, plan.y_mm),
        kind="powered" if plan.powered else "plain",
    )
