"""The tool list as a CSV file that any spreadsheet writes.

Columns ``name, x_px, y_px`` and any of ``height_mm, edge, mass_kg, depth_mm, quantity, tilt_deg,
packed, lay``; other columns are kept as they are. Accepted: byte order mark, comma, semicolon or
tab, decimal commas where the comma does not separate, quotes, UTF-8 or a western Windows code
page, empty lines, headings in any case.
"""

from __future__ import annotations

import csv
import io
import math
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, replace

from tracer.errors import TracerError
from tracer.lengths import parse_length_mm
from tracer.model.outline import EdgeModel
from tracer.model.tool_list import ToolRow

__all__ = ["ToolList", "format_tool_list", "parse_tool_list"]

COLUMNS = ("name", "x_px", "y_px", "height_mm", "edge", "mass_kg", "depth_mm", "quantity")
OPTIONAL = ("tilt_deg", "packed", "lay")
_EDGES = {m.value: m for m in EdgeModel if m not in (EdgeModel.VIEWS, EdgeModel.FRACTION)}
_TRUE, _FALSE = {"1", "yes", "y", "true", "x"}, {"", "0", "no", "n", "false", "-"}
MAX_HEIGHT_MM = (
    500.0  # taller things are not laid into foam; catches a height typed in the wrong unit
)


@dataclass(frozen=True)
class ToolList:
    """Rows of a tool list, and how its file is written."""

    rows: tuple[ToolRow, ...] = ()
    delimiter: str = ","

    def with_rows(self, rows: Iterable[ToolRow]) -> ToolList:
        """The same dialect with other rows."""
        return replace(self, rows=tuple(rows))


def parse_tool_list(data: bytes, name: str) -> ToolList:
    """Read a tool list.

    Parameters
    ----------
    data
        The file's bytes.
    name
        File name, for messages.

    Raises
    ------
    TracerError
        ``tool-list-unreadable`` with the line and the column at fault.
    """
    text = _decode(data, name)
    delimiter = _delimiter(text)
    lines = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
    first = next((i for i, cells in enumerate(lines) if any(c.strip() for c in cells)), None)
    if first is None:
        return ToolList((), delimiter)
    head = [cell.strip().lower() for cell in lines[first]]
    missing = [c for c in ("x_px", "y_px") if c not in head]
    if missing:
        raise TracerError(
            "tool-list-unreadable",
            f"{name} has no column {' and '.join(missing)} in its first line.",
            f"The first line must read {','.join(COLUMNS[:4])} (more columns may follow).",
        )
    rows = []
    for number, cells in enumerate(lines[first + 1 :], start=first + 2):
        if any(cell.strip() for cell in cells):
            values = dict(zip(head, (c.strip() for c in cells), strict=False))
            rows.append(_row(values, _Place(name, number, decimal_comma=delimiter != ",")))
    return ToolList(tuple(rows), delimiter)


def format_tool_list(tools: ToolList) -> bytes:
    """Write a tool list in its own dialect; `parse_tool_list` gives the same rows back."""
    rows = tools.rows
    optional = [
        c
        for c, used in zip(
            OPTIONAL,
            (
                any(r.tilt_deg is not None for r in rows),
                any(r.packed for r in rows),
                any(r.lay != 1 for r in rows),
            ),
            strict=True,
        )
        if used
    ]
    extra = list(dict.fromkeys(key for row in rows for key in row.extra))
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=tools.delimiter, lineterminator="\r\n")
    writer.writerow([*COLUMNS, *optional, *extra])
    comma = tools.delimiter != ","
    for row in rows:
        cells = {
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
            "lay": str(row.lay),
            **row.extra,
        }
        writer.writerow([cells.get(c, "") for c in (*COLUMNS, *optional, *extra)])
    text = out.getvalue()
    # spreadsheets take a file without the mark for a local code page
    return text.encode("utf-8" if text.isascii() else "utf-8-sig")


@dataclass(frozen=True)
class _Place:
    """Where a cell stands, and how its numbers are written."""

    file: str
    line: int
    decimal_comma: bool

    def error(self, column: str, cell: str, wanted: str) -> TracerError:
        return TracerError(
            "tool-list-unreadable",
            f"{self.file}, line {self.line}, column {column}: '{cell}' is not {wanted}.",
            "Lengths are read like 12, 12mm, 1.2cm or 0.5in; an empty cell says nothing."
            if column.endswith("_mm")
            else "",
        )

    def number(self, cell: str, column: str, low: float, high: float) -> float | None:
        """A number within limits, or None for an empty cell."""
        if cell in ("", "-", "?"):
            return None
        text = cell.replace(",", ".") if self.decimal_comma or cell.count(",") == 1 else cell
        try:
            value = parse_length_mm(text) if column.endswith("_mm") else float(text)
        except (TracerError, ValueError):
            wanted = "a length" if column.endswith("_mm") else "a number"
            raise self.error(column, cell, wanted) from None
        if not (math.isfinite(value) and low <= value <= high):
            unit = " mm" if column.endswith("_mm") else ""
            raise self.error(column, cell, f"between {low:g} and {high:g}{unit}")
        return value


def _decode(data: bytes, name: str) -> str:
    if b"\0" in data[:4096] and not data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise TracerError(
            "tool-list-unreadable",
            f"{name} is not a text file.",
            "Save the list from the spreadsheet as CSV.",
        )
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def _delimiter(text: str) -> str:
    """The sign that separates the headings; the headings hold none of them otherwise."""
    head = next((line for line in text.splitlines() if line.strip()), "")
    return max(",;\t", key=head.count) if any(c in head for c in ",;\t") else ","


def _row(values: dict[str, str], at: _Place) -> ToolRow:
    def cell(column: str) -> str:
        return values.get(column, "")

    x, y = (at.number(cell(c), c, -1e6, 1e6) for c in ("x_px", "y_px"))
    if x is None or y is None:
        raise at.error("x_px" if x is None else "y_px", "", "a pixel position")
    edge, fraction = _edge(cell("edge"), at)
    quantity = at.number(cell("quantity"), "quantity", 1, 1000)
    lay = at.number(cell("lay"), "lay", 1, 1000)
    packed = cell("packed").lower()
    if packed not in _TRUE | _FALSE:
        raise at.error("packed", packed, "yes or no")
    known = {*COLUMNS, *OPTIONAL}
    return ToolRow(
        name=unicodedata.normalize("NFC", cell("name")) or None,
        x_px=x,
        y_px=y,
        height_mm=at.number(cell("height_mm"), "height_mm", 0, MAX_HEIGHT_MM),
        edge=edge,
        edge_fraction=fraction,
        mass_kg=at.number(cell("mass_kg"), "mass_kg", 0, 1000),
        depth_mm=at.number(cell("depth_mm"), "depth_mm", 0, MAX_HEIGHT_MM),
        quantity=int(quantity or 1),
        tilt_deg=at.number(cell("tilt_deg"), "tilt_deg", -90, 90),
        packed=packed in _TRUE,
        lay=int(lay or 1),
        line=at.line,
        extra={k: v for k, v in values.items() if k and k not in known},
    )


def _edge(cell: str, at: _Place) -> tuple[EdgeModel | None, float | None]:
    if not cell:
        return None, None
    if cell.lower() in _EDGES:
        return _EDGES[cell.lower()], None
    try:
        fraction = at.number(cell, "edge", 0, 1)
    except TracerError:
        raise at.error(
            "edge", cell, f"one of {', '.join(_EDGES)} or a fraction from 0 to 1"
        ) from None
    return EdgeModel.FRACTION, fraction


def _edge_text(row: ToolRow, comma: bool) -> str:
    if row.edge is EdgeModel.FRACTION:
        return _text(row.edge_fraction, comma)
    return row.edge.value if row.edge else ""


def _text(value: float | None, comma: bool) -> str:
    if value is None:
        return ""
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return text.replace(".", ",") if comma else text
