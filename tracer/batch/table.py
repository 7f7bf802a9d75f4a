"""``results.csv``: one row a lay, whole at every moment."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from tracer.batch.order import LayRow, State

__all__ = ["COLUMNS", "by_doubt", "table_csv"]

COLUMNS = (
    "lay",
    "state",
    "tools",
    "findings",
    "failed_checks",
    "worst_sigma_mm",
    "files",
    "seconds",
    "memory_mb",
    "reason",
    "sentence",
    "digest",
)


def table_csv(rows: Iterable[LayRow]) -> bytes:
    """The table, in UTF-8 with a byte order mark so that spreadsheets read names rightly."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")  # RFC 4180
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow(
            [
                _harmless(row.name),
                row.state.value,
                row.tools,
                row.findings,
                row.failed_checks,
                "" if row.worst_sigma_mm is None else row.worst_sigma_mm,
                row.files,
                row.seconds,
                row.memory_mb,
                row.slug,
                _harmless(row.sentence),
                row.digest,
            ]
        )
    return b"\xef\xbb\xbf" + out.getvalue().encode()


def _harmless(text: str) -> str:
    """Text that a spreadsheet shows and does not calculate with."""
    return f"'{text}" if text[:1] in "=+-@\t" and text else text


def by_doubt(rows: Iterable[LayRow]) -> Sequence[LayRow]:
    """The rows that want a look first, first: failed, failed checks, findings, uncertainty."""
    return sorted(
        rows,
        key=lambda r: (
            r.state is State.WAITING,
            r.state is not State.FAILED,
            -r.failed_checks,
            -r.findings,
            -(r.worst_sigma_mm or 0.0),
            r.name,
        ),
    )
