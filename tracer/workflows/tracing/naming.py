"""Which row of the tool list belongs to which tool, and what each tool is numbered.

A row belongs to the tool around its point in the first photo. Numbers run in reading order of the
first photo, a tool keeps its number when the same lay is traced again, and a number is never
given twice in a job.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike
from shapely.geometry import Point, Polygon

from tracer.model.outline import Outline
from tracer.model.report import Check, Severity
from tracer.model.tool_list import ToolRow

__all__ = ["Assignment", "assign_rows", "keep_numbers", "reading_order", "unlikely_heights"]

REACH_MM = 8.0  # a point typed or clicked beside a thin tool still means it
SEEN_MM = 60.0  # a thing that was left out lies about its stated place: half a tool's length
_MANY = 3  # one or two rows may point at tools that were taken away
_FLAT_LAY_MM, _TALL_LAY_MM = 4.0, 100.0
SAME_TOOL_IOU = 0.5  # two different tools of one lay hardly overlap at all


def reading_order(points_px: ArrayLike, picture_height_px: float) -> list[int]:
    """Indices of points (N, 2) row by row from the top, each row from the left.

    Points belong to one row while they lie within a tenth of the picture's height.

    Examples
    --------
    >>> reading_order([[900, 110], [100, 100], [500, 800]], 1000)
    [1, 0, 2]
    """
    points = np.asarray(points_px, np.float64).reshape(-1, 2)
    order: list[int] = []
    row: list[int] = []
    for i in np.argsort(points[:, 1], kind="stable"):
        if row and points[i, 1] - points[row[0], 1] > picture_height_px / 10:
            order += sorted(row, key=lambda k: points[k, 0])
            row = []
        row.append(int(i))
    return order + sorted(row, key=lambda k: points[k, 0])


@dataclass(frozen=True)
class Assignment:
    """Row index per tool (None where no row was typed), and findings."""

    row_of: tuple[int | None, ...]
    checks: tuple[Check, ...]


def assign_rows(
    rows: Sequence[ToolRow],
    points_mm: ArrayLike,
    regions_mm: Sequence[Polygon],
    where: str,
    left_out_mm: Sequence[tuple[float, float]] = (),
) -> Assignment:
    """Give each tool the row whose point it surrounds.

    Parameters
    ----------
    rows
        Rows of the tool list.
    points_mm
        (N, 2) the rows' points on the sheet.
    regions_mm
        What the first photo shows of each tool, at z = 0.
    where
        Name of the list, for messages.
    left_out_mm
        Places of things that were seen and left out.

    Notes
    -----
    Holes count as inside: a point in a spanner's ring means the spanner. A point beside every
    tool goes to the nearest within 8 mm. Where most of three rows or more meet nothing at all, the
    list is another photo's, and one failed finding says so; where things were seen at their points
    and left out, it is not the list that is wrong.
    """
    filled = [Polygon(region.exterior) for region in regions_mm]
    points = np.asarray(points_mm, np.float64).reshape(-1, 2)
    row_of: list[int | None] = [None] * len(regions_mm)
    checks: list[Check] = []
    lost: list[Check] = []
    empty = 0
    # what a person typed comes before rows that a run wrote by itself
    for index in sorted(range(len(rows)), key=lambda i: rows[i].blank):
        row, xy = rows[index], points[index]
        distances = [region.distance(Point(xy)) for region in filled]
        best = min(range(len(filled)), key=lambda k: (distances[k], filled[k].area), default=None)
        label = f"Row {row.line} of {where}" + (f" ({row.name})" if row.name else "")
        missed = best is None or not distances[best] <= REACH_MM
        if row.blank and (missed or best is None or row_of[best] is not None):
            continue
        if missed or best is None:
            empty += not any(Point(xy).distance(Point(p)) < SEEN_MM for p in left_out_mm)
            lost.append(
                Check(
                    "row-without-tool",
                    Severity.WARN,
                    f"{label} points at ({row.x_px:.0f}, {row.y_px:.0f}), where no tool was found.",
                    "Mend its point by the picture, or delete the row.",
                    subject_id=row.name,
                )
            )
        elif row_of[best] is not None:
            checks.append(
                Check(
                    "rows-on-one-tool",
                    Severity.WARN,
                    f"{label} points at a tool that an earlier row names already; it was ignored.",
                    "If two tools were taken for one, part them.",
                    subject_id=row.name,
                )
            )
        else:
            row_of[best] = index
    typed = sum(not row.blank for row in rows)
    if len(lost) >= _MANY and empty > typed / 2:
        lost = [
            Check(
                "list-of-another-photo",
                Severity.FAIL,
                f"{len(lost)} of {typed} rows of {where} point at places where this photo shows no "
                "tool; the names and heights of the others may be wrong too.",
                "The list seems to belong to another photo, or its points were read in a picture "
                "of another size: name the list that goes with this photo.",
                value=len(lost),
                limit=typed / 2,
            )
        ]
    return Assignment(tuple(row_of), (*checks, *lost))


def unlikely_heights(rows: Sequence[ToolRow], where: str) -> tuple[Check, ...]:
    """A finding where the typed heights of a list look like those of another unit.

    Hand tools on a sheet are millimetres to some centimetres high. A list whose tallest tool has
    less than 4 mm was most likely measured in cm or inches; one whose middle height is above 100 mm
    has its decimal point elsewhere (common practice, no source). One or two tools say nothing.
    """
    heights = [row.height_mm for row in rows if row.height_mm]
    if len(heights) < _MANY:
        return ()
    highest, middle = max(heights), float(np.median(heights))
    if highest >= _FLAT_LAY_MM and middle <= _TALL_LAY_MM:
        return ()
    what = (
        f"No height in {where} is above {highest:.3g} mm."
        if highest < _FLAT_LAY_MM
        else f"Half of the heights in {where} are above {middle:.0f} mm."
    )
    return (
        Check(
            "heights-unlikely",
            Severity.WARN,
            what,
            "A number without a unit is mm; write 1.2cm or 0.5in where it was measured so.",
            value=highest if highest < _FLAT_LAY_MM else middle,
            limit=_FLAT_LAY_MM if highest < _FLAT_LAY_MM else _TALL_LAY_MM,
            unit="mm",
        ),
    )


def keep_numbers(
    regions_mm: Sequence[Polygon],
    earlier: Sequence[Outline],
    next_number: int,
    points_mm: Mapping[str, tuple[float, float]] | None = None,
) -> tuple[list[str], int]:
    """Outline ids for tools in reading order, and the next free number.

    A tool that covers an earlier outline of the same lay keeps its id; others get new numbers.
    ``points_mm`` gives by outline id where a point of the tool lies now: with another card size
    the whole lay grows or shrinks, and a thin tool far from the first card covers its old outline
    no more.
    """
    ids: list[str | None] = [None] * len(regions_mm)
    points = {outline_id: Point(xy) for outline_id, xy in (points_mm or {}).items()}
    pairs = []
    # an outline that was kept may cross itself by a trace, as rounding does
    regions = [shapely.make_valid(region) for region in regions_mm]
    kept = [shapely.make_valid(outline.region) for outline in earlier]
    for i, region in enumerate(regions):
        for outline, before in zip(earlier, kept, strict=True):
            common = region.intersection(before).area
            union = region.area + before.area - common
            if union > 0 and common / union > SAME_TOOL_IOU:
                pairs.append((common / union, i, outline.outline_id))
            elif outline.outline_id in points and region.contains(points[outline.outline_id]):
                pairs.append((0.0, i, outline.outline_id))
    taken: set[str] = set()
    for _, i, outline_id in sorted(pairs, key=lambda p: (-p[0], p[1])):
        if ids[i] is None and outline_id not in taken:
            ids[i] = outline_id
            taken.add(outline_id)
    final = []
    for outline_id_or_none in ids:
        if outline_id_or_none is None:
            outline_id_or_none = f"T{next_number:02d}"
            next_number += 1
        final.append(outline_id_or_none)
    return final, next_number
