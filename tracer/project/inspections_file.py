"""``inspections.csv``: one line an inspection, kept for the shop's own list.

UTF-8 with a byte order mark, lines as RFC 4180 has them. Lines that a person added stay.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

from tracer.model.inspection import InspectedPanel, PocketState

__all__ = ["COLUMNS", "Record", "any_missing", "last_lines", "with_record"]

COLUMNS = (
    "when", "by", "photos", "present", "missing", "wrong", "unsure",
    "missing_tools", "wrong_tools", "unsure_tools",
)  # fmt: skip
_BOM = b"\xef\xbb\xbf"


@dataclass(frozen=True)
class Record:
    """When (ISO 8601, local time), by whom where typed, and what was found."""

    when: str
    by: str
    found: InspectedPanel

    def cells(self) -> list[str]:
        """In the order of `COLUMNS`."""
        states = [self.found.of_state(s) for s in PocketState]
        names = ["; ".join(f"{f.number} {f.name}" for f in those) for those in states[1:]]
        photos = "; ".join(self.found.sightings)
        counts = [str(len(those)) for those in states]
        return [_harmless(c) for c in (self.when, self.by, photos, *counts, *names)]


def with_record(before: bytes | None, record: Record) -> bytes:
    """The file with one line more."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    if before is None:
        writer.writerow(COLUMNS)
    writer.writerow(record.cells())
    kept = before if before is not None else _BOM
    if kept and kept != _BOM and not kept.endswith((b"\n", b"\r")):
        kept += b"\r\n"
    return kept + out.getvalue().encode()


def any_missing(data: bytes) -> bool:
    """Whether a line of the file tells of a missing tool; lines that make no sense tell nothing."""
    return any((row.get("missing") or "0").strip() not in {"", "0"} for row in _rows(data))


def last_lines(data: bytes, most: int) -> list[dict[str, str]]:
    """The last lines of the file by column, oldest first; none of a file that makes no sense."""
    return [{name: row.get(name) or "" for name in COLUMNS} for row in _rows(data)[-most:]]


def _rows(data: bytes) -> list[dict[str, str | None]]:
    try:
        text = data.decode("utf-8-sig")
        return list(csv.DictReader(io.StringIO(text, newline="")))
    except (UnicodeDecodeError, csv.Error):
        return []


def _harmless(text: str) -> str:
    """Text that a spreadsheet shows and does not calculate with."""
    return f"'{text}" if text[:1] in "=+-@\t" and text else text
