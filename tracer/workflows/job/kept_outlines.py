"""Outlines that a run over a lay's photos must leave alone: swapped in, added, taken out.

The photos of the lay still show the old tool. What a run finds in its place is recognised by the
old outline in ``history/`` and left out; the kept outline stays where it was in the order.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from tracer.geometry.compare import iou
from tracer.model.outline import Outline
from tracer.model.tool_list import ToolRow
from tracer.project.outlines_file import OutlinesFile, load_outlines
from tracer.project.schema import JobRecord
from tracer.workflows.tracing.naming import SAME_TOOL_IOU
from tracer.workflows.tracing.trace import Trace

__all__ = ["with_kept"]

SAME_PX = 3.0  # a row's point and its outline's are the same within this; both are rounded


def with_kept(
    done: Trace,
    record: JobRecord,
    before: OutlinesFile,
    rows: Sequence[ToolRow],
    lay: int,
    read: Callable[[str], bytes],
) -> Trace:
    """A lay's trace with the kept outlines, and their rows, in their places.

    Parameters
    ----------
    done
        What the run found.
    before
        Outlines before the run.
    rows
        The lay's tool list before the run.
    read
        Gives the bytes of a file of the job.
    """
    if not record.kept:
        return done
    old = [
        outline
        for outline_id, kept in record.kept.items()
        if kept.before
        for outline in load_outlines(read(kept.before), kept.before).outlines
        if outline.outline_id == outline_id
    ]
    row_of = {o.outline_id: r for o, r in zip(done.outlines, done.rows, strict=False)}
    fresh = [
        o
        for o in done.outlines
        if o.outline_id not in record.kept
        and not any(iou(o.region, gone.region) > SAME_TOOL_IOU for gone in old)
    ]
    mine = [o for o in before.outlines if before.lay_of[o.outline_id] == lay]
    staying = [o for o in mine if o.outline_id in record.kept]
    for outline in staying:
        row_of[outline.outline_id] = _row_of(outline, rows)
    order = {o.outline_id: i for i, o in enumerate(mine)}
    # new finds go to the end; everything known keeps its place in the file
    outlines = sorted([*fresh, *staying], key=lambda o: order.get(o.outline_id, len(order)))
    taken = {id(row_of[o.outline_id]) for o in staying}
    others = [row for row in done.rows[len(done.outlines) :] if id(row) not in taken]
    return replace(
        done,
        outlines=tuple(outlines),
        rows=(*(row_of[o.outline_id] for o in outlines), *others),
    )


def _row_of(outline: Outline, rows: Sequence[ToolRow]) -> ToolRow:
    x, y = outline.point_px
    for row in rows:
        if max(abs(row.x_px - x), abs(row.y_px - y)) <= SAME_PX:
            return row
    return ToolRow(name=outline.name, x_px=x, y_px=y, height_mm=outline.height_mm)
