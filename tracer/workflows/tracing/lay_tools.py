"""The tools of one lay: from silhouettes in one or several photos to outlines with names.

One photo: each silhouette is brought down by its typed height and edge model. Several: the
silhouettes are solved together, and what a single photo shows alone is treated as in the first
case.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tracer.model.calibration import Calibration
from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.model.photo import Photo
from tracer.model.report import Check
from tracer.model.scan_map import ScanMap
from tracer.model.silhouette import Kind, Segmentation, Silhouette
from tracer.model.tool_list import ToolRow
from tracer.model.view import PlaneMap, View
from tracer.parallax.shared.symmetry import evened
from tracer.parallax.single_view.scan import outline_from_scan
from tracer.parallax.single_view.single import outline_from_silhouette
from tracer.workflows.tracing.cache import StageCache
from tracer.workflows.tracing.naming import assign_rows, reading_order

if TYPE_CHECKING:  # a single photo does without, and starts sooner
    from tracer.parallax.multi_view.views import SolvedTool, TypedHeight

__all__ = ["Defaults", "LayTool", "LayTools", "find_tools", "outline_of"]


@dataclass(frozen=True)
class Defaults:
    """What holds for tools that the list says nothing about."""

    height_mm: float | None = None
    edge: EdgeModel | None = None
    keep_cables: bool = False
    source: HeightSource = HeightSource.DEFAULT


@dataclass(frozen=True, eq=False)
class LayTool:
    """One tool of a lay.

    Attributes
    ----------
    silhouette
        As the first photo that shows it sees it.
    view
        That photo's camera, or the scan's map.
    solved
        What several photos gave together; None where a single one has to do.
    row
        Its row of the tool list.
    alone
        Before photos were added it was known from its one silhouette, and may not get less sure.
    """

    silhouette: Silhouette
    view: View | ScanMap
    solved: SolvedTool | None = None
    row: ToolRow | None = None
    alone: bool = False


@dataclass(frozen=True, eq=False)
class LayTools:
    """All tools in reading order, and findings whose ``subject_id`` names silhouettes."""

    tools: tuple[LayTool, ...]
    checks: tuple[Check, ...]


def find_tools(
    photos: Sequence[Photo],
    segmentations: Sequence[Segmentation],
    calibration: Calibration,
    rows: Sequence[ToolRow],
    list_name: str,
    defaults: Defaults,
    progress: Callable[[float], None] | None = None,
    *,
    added: Sequence[int] | None = None,
    cache: StageCache | None = None,
) -> LayTools:
    """Tools of a lay in reading order of the first photo, each with its row.

    ``added`` tells which photos came later, see `tracer.parallax.multi_view.views.solve_views`;
    ``cache`` holds solutions of earlier runs.
    """
    views = calibration.views
    view_of = {view.photo_id: view for view in views}
    checks: tuple[Check, ...] = ()
    if len(photos) == 1:
        found = [LayTool(s, views[0]) for s in segmentations[0].silhouettes]
    else:
        from tracer.parallax.multi_view.views import solve_views

        typed = _typed(rows, photos[0].photo_id)
        solution = (cache or StageCache()).get(
            ("views", *segmentations, repr((typed, added))),
            lambda: solve_views(
                [s.silhouettes for s in segmentations],
                calibration.cameras,
                calibration=calibration,
                typed=typed,
                added=added,
                progress=progress,
            ),
        )
        later = {v.photo_id: time for v, time in zip(views, added or [0] * len(views), strict=True)}
        found = [
            LayTool(t.silhouettes[0], view_of[t.silhouettes[0].photo_id], t, alone=_alone(t, later))
            for t in solution.tools
        ]
        found += [LayTool(s, view_of[s.photo_id]) for s in solution.lone]
        checks = solution.checks
    found = [t for t in found if t.silhouette.kind is not Kind.CABLE or defaults.keep_cables]
    order = reading_order(_points_px(found, views[0]), photos[0].size_px[1])
    found = [found[i] for i in order]
    points = views[0].to_sheet([[r.x_px, r.y_px] for r in rows]) if rows else np.empty((0, 2))
    seen = [
        t.silhouette.region if t.view is views[0] or t.solved is None else t.solved.region
        for t in found
    ]
    left_out = [
        c.where_mm
        for c in segmentations[0].checks
        if c.slug == "something-left-out" and c.where_mm is not None
    ]
    assigned = assign_rows(rows, points, seen, list_name, left_out)
    tools = tuple(
        replace(tool, row=None if index is None else rows[index])
        for tool, index in zip(found, assigned.row_of, strict=True)
    )
    return LayTools(tools, (*assigned.checks, *checks))


def _alone(tool: SolvedTool, later: dict[str, int]) -> bool:
    """Whether only one of a tool's photos was there from the start."""
    return (
        sum(later[photo_id] == 0 for photo_id in tool.photo_ids) == 1
        and len(later) > 1
        and any(later.values())
    )


def _typed(rows: Sequence[ToolRow], photo_id: str) -> list[TypedHeight]:
    """Heights as priors of the joint solution; the lay's default height is too vague for one."""
    from tracer.parallax.multi_view.views import TypedHeight

    return [
        TypedHeight(photo_id, (row.x_px, row.y_px), row.height_mm)
        for row in rows
        if row.height_mm is not None
    ]


def _points_px(tools: Sequence[LayTool], view: PlaneMap) -> NDArray[np.float64]:
    """Where each tool lies in the first photo, out of frame or not."""
    regions = [t.silhouette.region if t.solved is None else t.solved.region for t in tools]
    points = np.array([r.representative_point().coords[0] for r in regions]).reshape(-1, 2)
    return view.to_photo(points) if len(points) else points


def outline_of(
    tool: LayTool, outline_id: str, calibration: Calibration, defaults: Defaults
) -> tuple[Outline, tuple[Check, ...]]:
    """Outline of a tool, by its own row or the lay's defaults; of a symmetric one evened.

    What a person corrected or the frame cuts stays as it is drawn.
    """
    outline, checks = _as_seen(tool, outline_id, calibration, defaults)
    seen = tool.solved.silhouettes if tool.solved is not None else (tool.silhouette,)
    drawn = any(s.doubt is None for s in seen)
    if drawn or outline.cut_by_frame or outline.cable:
        return outline, checks
    return evened(outline), checks


def _as_seen(
    tool: LayTool, outline_id: str, calibration: Calibration, defaults: Defaults
) -> tuple[Outline, tuple[Check, ...]]:
    row = tool.row
    name = row.name if row is not None and row.name else outline_id
    if tool.solved is not None:
        solved = tool.solved.outline(outline_id, name)
        if not tool.alone:
            return solved, ()
        single, more = _as_seen(replace(tool, solved=None), outline_id, calibration, defaults)
        return (single, more) if single.sigma_mm < solved.sigma_mm else (solved, ())
    height, source = defaults.height_mm, defaults.source
    if row is not None and row.height_mm is not None:
        height, source = row.height_mm, HeightSource.TYPED
    if isinstance(tool.view, ScanMap):
        return outline_from_scan(
            tool.silhouette,
            tool.view,
            outline_id=outline_id,
            name=name,
            height_mm=height,
            height_source=source,
            sigma_map=calibration.sigma,
        )
    edge = row.edge if row is not None and row.edge is not None else defaults.edge
    return outline_from_silhouette(
        tool.silhouette,
        tool.view,
        outline_id=outline_id,
        name=name,
        height_mm=height,
        height_source=source,
        edge=edge,
        edge_fraction=row.edge_fraction if row is not None else None,
        pose_cov=calibration.pose_cov.get(tool.view.photo_id),
        sigma_map=calibration.sigma,
    )
