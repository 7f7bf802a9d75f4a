"""A CSV file taken apart so that what is not changed is written back as it was, letter by letter.

Rows are kept with their text, headings in their order; lines that hold no row (empty ones, and
notes that begin with ``#``) stay with the row below them.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from tracer.model.tool_list import RowSource

__all__ = ["ListLayout", "Record", "changed_line", "csv_line", "is_note", "records"]


@dataclass(frozen=True)
class Record:
    """One record of a CSV file: its cells, its text with the line's end, its line from 1."""

    cells: tuple[str, ...]
    text: str
    line: int

    @property
    def empty(self) -> bool:
        """True where no cell holds anything."""
        return not any(cell.strip() for cell in self.cells)


@dataclass(frozen=True)
class ListLayout:
    """How a list's file is written, apart from its rows.

    Attributes
    ----------
    encoding
        As `tracer.project.text_encoding` names it; empty for a list that is no file yet.
    head, head_text
        Headings as typed, and their line.
    above, below
        Lines before the headings, and after the last row.
    """

    encoding: str = ""
    head: tuple[str, ...] = ()
    head_text: str = ""
    above: tuple[str, ...] = ()
    below: tuple[str, ...] = ()

    @property
    def line_end(self) -> str:
        """What ends a line of this file."""
        for end in ("\r\n", "\n", "\r"):
            if self.head_text.endswith(end):
                return end
        return "\r\n"


def records(text: str, delimiter: str) -> Iterator[Record]:
    """The records of a text; what stands in quotes may run over several lines.

    Raises
    ------
    csv.Error
        For what is no CSV.
    """
    lines = list(io.StringIO(text, newline=""))
    reader = csv.reader(iter(lines), delimiter=delimiter)
    start = 0
    for cells in reader:
        yield Record(tuple(cells), "".join(lines[start : reader.line_num]), start + 1)
        start = reader.line_num


def is_note(record: Record, places: Sequence[int]) -> bool:
    """True for a line that begins with ``#`` and says no place (the cells of these numbers).

    Examples
    --------
    >>> is_note(Record(("# measured in May", ""), "", 3), (1, 2))
    True
    >>> is_note(Record(("#2 driver", "100", "200"), "", 3), (1, 2))
    False
    """
    if not record.cells or not record.cells[0].lstrip().startswith("#"):
        return False
    return not any(i < len(record.cells) and record.cells[i].strip() for i in places)


def csv_line(cells: Sequence[str], delimiter: str, line_end: str) -> str:
    """One line of CSV (RFC 4180)."""
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=delimiter, lineterminator=line_end).writerow(cells)
    return out.getvalue()


def changed_line(source: RowSource, cells: Mapping[int, str], delimiter: str, line_end: str) -> str:
    """A row's text with some of its cells changed; all others as they were."""
    row = list(source.cells)
    row += [""] * (max(cells, default=-1) + 1 - len(row))
    for index, cell in cells.items():
        row[index] = cell
    return csv_line(row, delimiter, line_end)
