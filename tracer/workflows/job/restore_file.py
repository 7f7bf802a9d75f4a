"""Bring a person's file of the job back to a former state; nothing is lost by doing so."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

from tracer.errors import TracerError, UsageError
from tracer.project.former import Former, former_files
from tracer.project.store import JobFolder

__all__ = ["Restored", "Shown", "listed_formers", "restore_file"]


@dataclass(frozen=True)
class Shown:
    """A former state as a person picks it.

    Attributes
    ----------
    until
        When it was replaced, local time.
    lines
        How many lines it has.
    line, text
        The first line that is not in the present file; 0 and empty where there is none.
    """

    former: Former
    until: datetime.datetime
    lines: int
    line: int
    text: str


@dataclass(frozen=True)
class Restored:
    """What was brought back."""

    former: Former
    changed: bool


def listed_formers(folder: JobFolder) -> list[Shown]:
    """Former states of the job's files, newest first.

    Raises
    ------
    UsageError
        ``job-missing``.
    """
    _refuse_missing(folder)
    return [_shown(folder, former) for former in reversed(former_files(folder.path))]


def restore_file(folder: JobFolder, which: str) -> Restored:
    """Put a former state in place, by its number, or the latest of a file by its name.

    The present state is kept in the history like any other.

    Raises
    ------
    UsageError
        ``job-missing``, ``former-unknown``.
    TracerError
        ``file-saved-meanwhile``, ``job-locked``.
    """
    _refuse_missing(folder)
    with folder.locked():
        found = [
            f
            for f in former_files(folder.path)
            if f.name == which or (which.isdecimal() and f.number == int(which))
        ]
        if not found:
            raise UsageError(
                "former-unknown",
                f"The job {folder.name} keeps no former file '{which}'.",
                "List what there is with tracer restore and the job's name.",
            )
        former = found[-1]
        data = folder.read(former.kept_as)
        changed = not folder.has(former.name) or folder.read(former.name) != data
        if changed:
            folder.commit({former.name: data}, if_as_read=True)
    return Restored(former, changed)


def _refuse_missing(folder: JobFolder) -> None:
    if not folder.exists():
        raise UsageError(
            "job-missing",
            f"There is no job {folder.name} here.",
            "Trace the photos of a lay to make one.",
        )


def _shown(folder: JobFolder, former: Former) -> Shown:
    path = folder.path / former.kept_as
    try:
        until = datetime.datetime.fromtimestamp(path.stat().st_mtime)
    except OSError as error:
        raise TracerError(
            "job-incomplete",
            f"The job {folder.name} has no readable file {former.kept_as} ({error.strerror}).",
        ) from error
    lines = _text(folder.read(former.kept_as)).splitlines()
    now = _text(folder.read(former.name)).splitlines() if folder.has(former.name) else []
    present = set(now)
    for number, line in enumerate(lines, start=1):
        if line not in present:
            return Shown(former, until, len(lines), number, line)
    return Shown(former, until, len(lines), 0, "")


def _text(data: bytes) -> str:
    """Roughly the file's text, to be looked at."""
    encoding = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    return data.decode(encoding, errors="replace")
