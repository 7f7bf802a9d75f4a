"""The tool list as a CSV file that any spreadsheet writes.

Columns ``name, x_px, y_px`` and any of ``height_mm, edge, mass_kg, depth_mm, quantity, tilt_deg,
packed, known_mm, pose, lay``; other columns are kept as they are, and so are notes: lines that
begin with ``#`` and say no place. Accepted: comma, semicolon or tab, decimal commas where the comma
does not separate, quotes, empty lines, headings in any case, and any usual encoding
(`tracer.project.text_encoding`).
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from tracer.errors import TracerError
from tracer.lengths import parse_length_mm
from tracer.model.outline import EdgeModel
from tracer.model.report import Check, Severity
from tracer.model.tool_list import RowSource, ToolRow
from tracer.project.list_file import ListLayout, Record, changed_line, csv_line, is_note, records
from tracer.project.text_encoding import Decoded, decoded, encoded
from tracer.ranges import COUNTS, LONGEST_TEXT, MOST_BYTES, TOOL_LIST, shown
from tracer.spelling import one_line

__all__ = ["ToolList", "format_tool_list", "parse_tool_list"]

COLUMNS = ("name", "x_px", "y_px", "height_mm", "edge", "mass_kg", "depth_mm", "quantity")
OPTIONAL = ("tilt_deg", "packed", "known_mm", "pose", "lay")
_EDGES = {m.value: m for m in EdgeModel if m not in (EdgeModel.VIEWS, EdgeModel.FRACTION)}
_TRUE, _FALSE = {"1", "yes", "y", "true", "x"}, {"", "0", "no", "n", "false", "-"}
MOST_ROWS = int(COUNTS["rows of a tool list"].high)
MOST_COLUMNS = int(COUNTS["columns of a tool list"].high)


@dataclass(frozen=True)
class ToolList:
    """Rows of a tool list, and how its file is written.

    ``notes`` are findings of reading it, for the person who gave it.
    """

    rows: tuple[ToolRow, ...] = ()
    delimiter: str = ","
    layout: ListLayout = field(default_factory=ListLayout)
    notes: tuple[Check, ...] = ()

    def with_rows(self, rows: Iterable[ToolRow]) -> ToolList:
        """The same file with other rows; lines above a row that goes stay, at the end."""
        new = tuple(rows)
        staying = {id(row.source) for row in new}
        orphans = [
            line
            for row in self.rows
            if row.source is not None and id(row.source) not in staying
            for line in row.source.above
        ]
        layout = replace(self.layout, below=(*orphans, *self.layout.below))
        return replace(self, rows=new, layout=layout)


def parse_tool_list(data: bytes, name: str, encoding: str | None = None) -> ToolList:
    """Read a tool list.

    Parameters
    ----------
    data
        The file's bytes.
    name
        File name, for messages.
    encoding
        What the person says the file is in.

    Raises
    ------
    TracerError
        ``tool-list-unreadable`` with the line and the column at fault, ``list-encoding-unsure``.
    """
    _refuse_size(len(data), name)
    found = decoded(data, name, encoding)
    delimiter = _delimiter(found.text)
    lines = _bounded(records(found.text, delimiter), name)
    first = next((i for i, r in enumerate(lines) if not (r.empty or is_note(r, ()))), None)
    if first is None:
        layout = ListLayout(found.encoding, below=tuple(r.text for r in lines))
        return ToolList((), delimiter, layout)
    head = [cell.strip().lower() for cell in lines[first].cells]
    missing = [c for c in ("x_px", "y_px") if c not in head]
    if len(head) > MOST_COLUMNS:
        raise _unreadable(name, f"it has {len(head)} columns, and at most {MOST_COLUMNS} are read")
    if missing:
        raise TracerError(
            "tool-list-unreadable",
            f"{name} has no column {' and '.join(missing)} in its first line.",
            f"The first line must read {','.join(COLUMNS[:4])} (more columns may follow).",
        )
    places = (head.index("x_px"), head.index("y_px"))
    rows: list[ToolRow] = []
    above: list[str] = []
    for record in lines[first + 1 :]:
        if record.empty or is_note(record, places):
            above.append(record.text)
            continue
        row = _row(_values(head, record.cells), _Place(name, record.line, delimiter != ","))
        rows.append(replace(row, source=RowSource(record.text, record.cells, tuple(above))))
        above = []
    layout = ListLayout(
        encoding=found.encoding,
        head=lines[first].cells,
        head_text=lines[first].text,
        above=tuple(r.text for r in lines[:first]),
        below=tuple(above),
    )
    return ToolList(tuple(rows), delimiter, layout, _encoding_notes(found, name))


def _values(head: Sequence[str], cells: Sequence[str]) -> dict[str, str]:
    """Cells by heading; where two columns have one heading, the first counts."""
    values: dict[str, str] = {}
    for heading, cell in zip(head, cells, strict=False):
        values.setdefault(heading, cell.strip())
    return values


def _encoding_notes(found: Decoded, name: str) -> tuple[Check, ...]:
    if not found.guessed or not found.sample:
        return ()
    return (
        Check(
            "list-encoding",
            Severity.NOTE,
            f"{name} is no Unicode text; it was read as {found.encoding}, so that line"
            f" {found.line} reads {shown(found.sample)}.",
            "The job's tools.csv is written as UTF-8 from now on. If that name is wrong, say what"
            " it is in.",
        ),
    )


def format_tool_list(tools: ToolList) -> bytes:
    """Write a tool list; `parse_tool_list` gives the same rows back.

    What came from a file is written as it stood there, but for the cells that changed; columns
    that the file lacks are added behind its own.
    """
    layout = tools.layout
    typed = [cell.strip().lower() for cell in layout.head]
    lacking = [c for c in _columns_used(tools.rows, new=not typed) if c not in typed]
    columns = [*typed, *lacking]
    head_text = layout.head_text
    if lacking:
        head_text = csv_line([*layout.head, *lacking], tools.delimiter, layout.line_end)
    lines = [*layout.above, head_text]
    for row in tools.rows:
        source = row.source or RowSource()
        lines += source.above
        lines.append(_line(row, source, columns, tools))
    lines += layout.below
    ended = [t if t.endswith(("\n", "\r")) else t + layout.line_end for t in lines[:-1] if t]
    return encoded("".join([*ended, *lines[-1:]]), layout.encoding)


def _columns_used(rows: Sequence[ToolRow], *, new: bool) -> list[str]:
    """Columns that the rows need, in their usual order; a new list has the common ones at least."""
    used = {c for row in rows for c, text in _cells(row, comma=False).items() if text}
    if all(row.lay == 1 for row in rows):
        used.discard("lay")
    extra = list(dict.fromkeys(key for row in rows for key in row.extra))
    known = [c for c in (*COLUMNS, *OPTIONAL) if c in used or (new and c in COLUMNS)]
    return [*known, *(key for key in extra if new or key in used)]


def _line(row: ToolRow, source: RowSource, columns: Sequence[str], tools: ToolList) -> str:
    """A row's line: as it stood, where it says the same."""
    comma = tools.delimiter != ","
    cells = _cells(row, comma=comma)
    end = tools.layout.line_end
    if not (source.cells and tools.layout.head):  # new here, or from another file
        return csv_line([cells.get(c, "") for c in columns], tools.delimiter, end)
    head = [cell.strip().lower() for cell in tools.layout.head]
    was = _cells(_row(_values(head, source.cells), _Place("", row.line, comma)), comma=comma)
    changed = {
        columns.index(c): text
        for c, text in cells.items()
        if c in columns and text != was.get(c, "")
    }
    return changed_line(source, changed, tools.delimiter, end) if changed else source.text


def _cells(row: ToolRow, *, comma: bool) -> dict[str, str]:
    """What a row says, by column."""
    return {
        **row.extra,
        "name": row.name or "",
        "x_px": _text(row.x_px, comma),
        "y_px": _text(row.y_px, comma),
        "height_mm": _text(row.height_mm, comma),
        "edge": _edge_text(row, comma),
        "mass_kg": _text(row.mass_kg, comma),
        "depth_mm": _text(row.depth_mm, comma),
        "quantity": "" if row.quantity == 1 else str(row.quantity),
        "tilt_deg": _text(row.tilt_deg, comma),
        "packed": "yes" if row.packed else "",
        "known_mm": " x ".join(_text(size, comma) for size in row.known_mm or ()),
        "pose": row.pose or "",
        "lay": str(row.lay),
    }


@dataclass(frozen=True)
class _Place:
    """Where a cell stands, and how its numbers are written."""

    file: str
    line: int
    decimal_comma: bool

    def error(self, column: str, cell: str, wanted: str) -> TracerError:
        return TracerError(
            "tool-list-unreadable",
            f"{self.file}, line {self.line}, column {column}: {shown(cell)} is not {wanted}.",
            "Lengths are read like 12, 12mm, 1.2cm or 0.5in; an empty cell says nothing."
            if column.endswith("_mm")
            else "",
        )

    def number(self, cell: str, column: str) -> float | None:
        """A number within the column's range, or None for an empty cell."""
        if cell in ("", "-", "?"):
            return None
        text = cell.replace(",", ".") if self.decimal_comma or cell.count(",") == 1 else cell
        try:
            value = parse_length_mm(text) if column.endswith("_mm") else float(text)
        except (TracerError, ValueError):
            wanted = "a length" if column.endswith("_mm") else "a number"
            raise self.error(column, cell, wanted) from None
        span = TOOL_LIST[column]
        if value not in span:
            ends = span.span.replace(" to ", " and ")
            raise self.error(column, cell, f"between {ends}")
        return value


def _unreadable(name: str, why: str) -> TracerError:
    return TracerError(
        "tool-list-unreadable",
        f"The tool list {name} cannot be read: {why}.",
        "Save the list from the spreadsheet as CSV.",
    )


def _refuse_size(size: int, name: str) -> None:
    most = MOST_BYTES["tool list"]
    if size > most:
        raise _unreadable(name, f"it has {size / 1e6:.1f} MB, at most {most / 1e6:g} MB are read")


def _bounded(lines: Iterable[Record], name: str) -> list[Record]:
    """The lines of a list; a file with more of them than tools can be is none of ours."""
    found: list[Record] = []
    try:
        for record in lines:
            if len(found) > MOST_ROWS:
                raise _unreadable(name, f"it has more than {MOST_ROWS} rows")
            found.append(record)
    except csv.Error:
        why = f"line {len(found) + 1} holds a cell without end, or of too many letters"
        raise _unreadable(name, why) from None
    return found


def _delimiter(text: str) -> str:
    """The sign that separates the headings; the headings hold none of them otherwise."""
    lines = [line for line in text.splitlines() if line.strip(" ,;\t")]
    noted = [line for line in lines if not line.lstrip(' "').startswith("#")]
    head = next((line for line in lines if "x_px" in line.lower()), next(iter(noted), ""))
    return max(",;\t", key=head.count) if any(c in head for c in ",;\t") else ","


def _row(values: dict[str, str], at: _Place) -> ToolRow:
    def cell(column: str) -> str:
        return values.get(column, "")

    x, y = (at.number(cell(c), c) for c in ("x_px", "y_px"))
    if x is None or y is None:
        raise at.error("x_px" if x is None else "y_px", "", "a pixel position")
    edge, fraction = _edge(cell("edge"), at)
    quantity = at.number(cell("quantity"), "quantity")
    lay = at.number(cell("lay"), "lay")
    packed = cell("packed").lower()
    if packed not in _TRUE | _FALSE:
        raise at.error("packed", packed, "yes or no")
    for words in ("name", "pose"):
        if len(cell(words)) > LONGEST_TEXT:
            raise at.error(words, cell(words), f"a text of at most {LONGEST_TEXT} letters")
    known = {*COLUMNS, *OPTIONAL}
    return ToolRow(
        name=one_line(cell("name")) or None,
        x_px=x,
        y_px=y,
        height_mm=at.number(cell("height_mm"), "height_mm"),
        edge=edge,
        edge_fraction=fraction,
        mass_kg=at.number(cell("mass_kg"), "mass_kg"),
        depth_mm=at.number(cell("depth_mm"), "depth_mm"),
        quantity=int(quantity or 1),
        tilt_deg=at.number(cell("tilt_deg"), "tilt_deg"),
        packed=packed in _TRUE,
        lay=int(lay or 1),
        line=at.line,
        known_mm=_known(cell("known_mm"), at),
        pose=one_line(cell("pose")) or None,
        extra={k: v for k, v in values.items() if k and k not in known},
    )


def _known(cell: str, at: _Place) -> tuple[float, ...] | None:
    """A diameter, or two sides joined by x."""
    sides = [side.strip() for side in re.split("[xX×]", cell)]
    if len(sides) == 2 and all(sides):
        unit = re.search(r"[a-z\"]+$", sides[1], re.IGNORECASE)
        if unit is not None and sides[0][-1:].isdigit():
            sides[0] += unit[0]  # "60x20in" means inches twice
    sizes = [at.number(side, "known_mm") for side in sides]
    if len(sides) == 1 and sizes[0] is None:
        return None
    if len(sides) > 2 or any(size is None for size in sizes):
        raise at.error("known_mm", cell, "a diameter, or two sides like 60x20")
    return tuple(size for size in sizes if size is not None)


def _edge(cell: str, at: _Place) -> tuple[EdgeModel | None, float | None]:
    if not cell:
        return None, None
    if cell.lower() in _EDGES:
        return _EDGES[cell.lower()], None
    try:
        fraction = at.number(cell, "edge")
    except TracerError:
        raise at.error(
            "edge", cell, f"one of {', '.join(_EDGES)} or a fraction from 0 to 1"
        ) from None
    return (None, None) if fraction is None else (EdgeModel.FRACTION, fraction)


def _edge_text(row: ToolRow, comma: bool) -> str:
    if row.edge is EdgeModel.FRACTION:
        return _text(row.edge_fraction, comma)
    return row.edge.value if row.edge else ""


def _text(value: float | None, comma: bool) -> str:
    if value is None:
        return ""
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return text.replace(".", ",") if comma else text
