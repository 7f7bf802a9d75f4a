"""Rows of tool lists brought together: a run's with the file's, another list's with the job's."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from tracer.model.report import Check, Severity
from tracer.model.tool_list import RowSource, ToolRow
from tracer.project.tool_list import ToolList, format_tool_list, parse_tool_list

__all__ = ["in_file_order", "merged_lists", "rows_of_no_lay"]

SAME_PX = 3.0  # two points mean the same place within this; both are written rounded
_TYPED = ("height_mm", "edge", "mass_kg", "depth_mm", "tilt_deg", "known_mm", "pose")


def in_file_order(given: ToolList, rows: Sequence[ToolRow], lays: int) -> ToolList:
    """The list after a run: each row where it stood, new ones at the end.

    Rows of lays that the job does not have (yet) are nobody's to delete: they stay.

    Parameters
    ----------
    given
        The list before the run.
    rows
        What the run made of the rows of its lays.
    lays
        How many lays the job has.
    """
    place = {id(row.source): i for i, row in enumerate(given.rows) if row.source is not None}
    others = [row for row in given.rows if not 1 <= row.lay <= lays]
    ordered = sorted([*rows, *others], key=lambda r: place.get(id(r.source), len(place)))
    return given.with_rows(ordered)


def rows_of_no_lay(tools: ToolList, lays: int, where: str) -> tuple[Check, ...]:
    """A finding for rows of lays that the job does not have."""
    strange = [row for row in tools.rows if not 1 <= row.lay <= lays]
    if not strange:
        return ()
    shown = ", ".join(f"{row.line} ({row.name or 'no name'})" for row in strange[:5])
    return (
        Check(
            "row-of-no-lay",
            Severity.NOTE,
            f"{len(strange)} row{'s' if len(strange) > 1 else ''} of {where} belong to lay"
            f" {strange[0].lay}, which the job does not have: line {shown}.",
            "They are kept and used when that lay is added; mend the column lay if it is a slip.",
            value=len(strange),
        ),
    )


def merged_lists(
    own: ToolList | None, given: ToolList, lay: int | None, where: str
) -> tuple[ToolList, tuple[Check, ...]]:
    """The job's list with another one taken in, row by row; nothing is taken out.

    A row of the other list belongs to the job's row of the same lay and place, else to the only
    one of its name there; what it says goes before what that row said. Others come first, as the
    latest word on their tools.

    Parameters
    ----------
    own
        The job's list; None where there is none.
    given
        The list that was named.
    lay
        The lay that rows without a lay are meant for; None: as they say.
    where
        Name of the given list, for findings.
    """
    given = _for_lay(given, lay)
    if own is None or not (own.rows or own.layout.head or own.layout.below):
        return given, given.notes
    rows = list(own.rows)
    new: list[ToolRow] = []
    touched = 0
    for row in given.rows:
        index = _same_row(rows, row, given.rows)
        if index is None:
            above = row.source.above if row.source else ()
            new.append(replace(row, source=RowSource(above=above)))
            continue
        updated = _updated(rows[index], row)
        touched += updated != rows[index]
        rows[index] = updated
    notes = tuple(t for t in (*given.layout.above, *given.layout.below) if t.strip())
    below = own.layout.below
    layout = replace(own.layout, below=(*below, *(t for t in notes if t not in below)))
    merged = replace(own.with_rows([*new, *rows]), layout=layout)
    # as it will stand in the file, so that findings name its lines
    read = parse_tool_list(format_tool_list(merged), "tools.csv")
    told = Check(
        "list-merged",
        Severity.NOTE,
        f"{where} was taken into the job's tools.csv: {touched} of its rows changed,"
        f" {len(new)} are new, none was taken out.",
        "The list as it was before is kept in the job's history.",
    )
    return read, (*given.notes, *((told,) if touched or new else ()))


def _for_lay(given: ToolList, lay: int | None) -> ToolList:
    """Rows whose lay is not typed, moved to the one that is meant."""
    if lay is None:
        return given
    head = [cell.strip().lower() for cell in given.layout.head]
    column = head.index("lay") if "lay" in head else None

    def typed(row: ToolRow) -> bool:
        cells = row.source.cells if row.source else ()
        return column is not None and column < len(cells) and bool(cells[column].strip())

    return given.with_rows([r if typed(r) else replace(r, lay=lay) for r in given.rows])


def _same_row(rows: Sequence[ToolRow], row: ToolRow, all_given: Sequence[ToolRow]) -> int | None:
    mine = [i for i, r in enumerate(rows) if r.lay == row.lay]
    for i in mine:
        if max(abs(rows[i].x_px - row.x_px), abs(rows[i].y_px - row.y_px)) <= SAME_PX:
            return i
    named = [i for i in mine if row.name and rows[i].name == row.name]
    alike = [r for r in all_given if r.lay == row.lay and r.name == row.name]
    return named[0] if len(named) == 1 and len(alike) == 1 else None


def _updated(old: ToolRow, new: ToolRow) -> ToolRow:
    """The old row with what the new one says; what it leaves empty stays."""
    said = {f: getattr(new, f) for f in _TYPED if getattr(new, f) is not None}
    if "edge" in said:
        said["edge_fraction"] = new.edge_fraction
    if new.name and not (old.name and re.fullmatch(r"T\d+", new.name)):
        said["name"] = new.name
    if new.quantity != 1:
        said["quantity"] = new.quantity
    if new.packed:
        said["packed"] = True
    extra = {**old.extra, **{k: v for k, v in new.extra.items() if v}}
    return replace(old, **said, extra=extra, x_px=new.x_px, y_px=new.y_px)
