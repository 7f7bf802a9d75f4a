"""Findings about silhouettes, told of the tools that came of them.

A stage that works on one photo knows its tools by place alone. Here each finding gets the number
and name under which the rest of the report, the tool list and the pictures know the tool.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from shapely.geometry import Point, Polygon

from tracer.errors import TracerError
from tracer.model.outline import Outline
from tracer.model.reading import EdgeReading
from tracer.model.report import Check, Severity, tool_at
from tracer.model.silhouette import Segmentation
from tracer.model.tool_list import ToolRow
from tracer.model.view import View
from tracer.parallax.single_view.plausible import doubtful_height
from tracer.workflows.tracing.lay_tools import Defaults, LayTool, LayTools

__all__ = [
    "about_tool",
    "edges_moved",
    "label",
    "lay_findings",
    "photo_findings",
    "refuse_above_camera",
    "typed_height",
]

#: their subject is a row of the tool list
_ABOUT_ROWS = ("row-without-tool", "rows-on-one-tool")
_SAME_PLACE_MM = 1.0


def label(outline_id: str, name: str) -> str:
    """Number and name of a tool; the number alone where it has no name of its own.

    Examples
    --------
    >>> label("T03", "cable cutters"), label("T04", "T04")
    ('T03 (cable cutters)', 'T04')
    """
    return outline_id if name in ("", outline_id) else f"{outline_id} ({name})"


def about_tool(check: Check, outline_id: str, name: str) -> Check:
    """The same finding with the tool's number and name.

    They take the place of the words that named it by place, or of its silhouette's id; a sentence
    that names no tool gets them in front.
    """
    called = label(outline_id, name)
    sentence = check.sentence
    words = () if check.where_mm is None else (tool_at(check.where_mm),)
    silhouette = () if check.subject_id is None else (check.subject_id,)
    for old in (*words, *silhouette):
        if old in sentence:
            sentence = sentence.replace(old, called)
            break
    else:
        if name not in sentence and outline_id not in sentence:
            sentence = f"{called}: {sentence}"
    return replace(check, sentence=sentence, subject_id=outline_id)


def photo_findings(
    before: Sequence[Segmentation],
    after: Sequence[Segmentation],
    tools: Sequence[LayTool],
    outlines: Sequence[Outline],
) -> list[Check]:
    """What was noticed in each photo, told of outlines.

    Parameters
    ----------
    before
        Per photo, as segmented: the ids in its findings are those of its silhouettes.
    after
        The same with the maker's corrections, findings included.
    tools, outlines
        The lay's tools and what became of them, in the same order.

    Notes
    -----
    A finding about something that a correction took away is withdrawn with it. One about a
    silhouette that became no tool (a cable, a shadow that other photos contradict) stays as it is.
    """
    found = []
    for raw, mended in zip(before, after, strict=True):
        region_of = {s.silhouette_id: s.region for s in raw.silhouettes}
        seen = [
            (region, outline)
            for tool, outline in zip(tools, outlines, strict=True)
            for region in _regions_in(tool, raw.photo_id)
        ]
        own = {id(check) for check in raw.checks}
        for check in mended.checks:
            region = region_of.get(check.subject_id or "") if id(check) in own else None
            if region is None:
                found.append(check)
            elif (outline := _most_common(region, seen)) is not None:
                found.append(about_tool(check, outline.outline_id, outline.name))
            elif any(region.intersects(s.region) for s in mended.silhouettes):
                found.append(check)
    return found


def lay_findings(found: LayTools, outlines: Sequence[Outline]) -> list[Check]:
    """What several photos together showed, told of outlines.

    The photos count their silhouettes each for itself, so that an id means a tool only where it
    lies in the place that the finding points at. Otherwise the finding keeps its words.
    """
    told = []
    for check in found.checks:
        if check.slug not in _ABOUT_ROWS:
            outline = _meant(check, found.tools, outlines)
            if outline is None:
                check = replace(check, subject_id=None)
            else:
                check = about_tool(check, outline.outline_id, outline.name)
        told.append(check)
    return told


def typed_height(tool: LayTool, outline: Outline, defaults: Defaults) -> tuple[Check, ...]:
    """Findings about the height that was typed for a tool, or for all that have none.

    A default holds for tools of several heights, so only one that the photo excludes is told.
    """
    typed = tool.row.height_mm if tool.row is not None else None
    height = defaults.height_mm if typed is None else typed
    if height is None or not isinstance(tool.view, View):  # what a scan says of it is known
        return ()
    called = label(outline.outline_id, outline.name)
    found = doubtful_height(tool.silhouette.region, tool.view, height, called, outline.outline_id)
    if typed is None:
        return tuple(
            replace(c, severity=Severity.WARN) for c in found if c.slug != "height-doubtful"
        )
    return found


def edges_moved(shift_mm: float | None) -> list[Check]:
    """A note where all edges of a lay were moved, by what trials of its phone had shown."""
    if not shift_mm:
        return []
    return [
        Check(
            "edges-moved",
            Severity.NOTE,
            f"Every edge of this lay is moved outward by {shift_mm:+.2f} mm, as trials of its phone"
            " had shown when it was first traced.",
            value=shift_mm,
            unit="mm",
        )
    ]


def readings_ignored(unread: Sequence[EdgeReading], outline: Outline) -> list[Check]:
    """A finding where gaps were read at an outline that lay elsewhere."""
    if not unread:
        return []
    marks = ", ".join(r.mark for r in unread)
    called = label(outline.outline_id, outline.name)
    return [
        Check(
            "gaps-left-out",
            Severity.WARN,
            f"What was read on the template at {marks} of {called} lies far from its outline now, "
            "and is left out.",
            "Read the gaps again on a new template, or forget them.",
            subject_id=outline.outline_id,
        )
    ]


def refuse_above_camera(
    rows: Sequence[ToolRow], views: Sequence[View], default_mm: float | None, where: str
) -> None:
    """Stop at a height that reaches up to a camera, naming the row that says so.

    Raises
    ------
    TracerError
        ``height-above-camera``.
    """
    lowest = min((view.height_mm for view in views), default=math.inf)
    typed = [(row.height_mm, _row_words(row, where)) for row in rows if row.height_mm is not None]
    if default_mm is not None:
        typed.append((default_mm, "What was typed for all tools"))
    for height, said_by in typed:
        if not height < lowest:
            raise TracerError(
                "height-above-camera",
                f"{said_by} gives a height of {height:g} mm, but the camera was only "
                f"{lowest:.0f} mm above the sheet.",
                "Check the unit and the decimal point.",
            )


def _row_words(row: ToolRow, where: str) -> str:
    name = f" ({row.name})" if row.name else ""
    return f"Row {row.line} of {where}{name}" if row.line else f"{where}{name}"


def _meant(check: Check, tools: Sequence[LayTool], outlines: Sequence[Outline]) -> Outline | None:
    for tool, outline in zip(tools, outlines, strict=True):
        if tool.silhouette.silhouette_id == check.subject_id and check.where_mm is not None:
            region = tool.silhouette.region if tool.solved is None else tool.solved.region
            if region.convex_hull.distance(Point(check.where_mm)) <= _SAME_PLACE_MM:
                return outline
    return None


def _regions_in(tool: LayTool, photo_id: str) -> list[Polygon]:
    silhouettes = tool.solved.silhouettes if tool.solved is not None else (tool.silhouette,)
    return [s.region for s in silhouettes if s.photo_id == photo_id]


def _most_common(region: Polygon, candidates: Sequence[tuple[Polygon, Outline]]) -> Outline | None:
    """The outline whose silhouette has most in common with a region; None where none has any."""
    shared = [(region.intersection(other).area, outline) for other, outline in candidates]
    area, best = max(shared, key=lambda pair: pair[0], default=(0.0, None))
    return best if area > 0 else None
