"""Files of a job that a person writes too, and their former states in the job's history.

A run that writes such a file anew first keeps the one that was there, as
``history/former/NUMBER-NAME``; numbers rise and are never given twice. None is pruned: which of
them holds the words that a person misses is not the program's to guess, and a state is as small as
a list or a plan is (some kB; a thousand of them take less room than one photo of the job).
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

__all__ = [
    "FORMER",
    "Beside",
    "Former",
    "file_digest",
    "former_files",
    "former_name",
    "is_personal",
]

FORMER = "history/former"
_NAME = re.compile(r"^(\d{4,})-(.+)$")


@dataclass(frozen=True)
class Former:
    """A former state of a person's file: its number, whose it is, where it is kept."""

    number: int
    name: str
    kept_as: str


@dataclass(frozen=True)
class Beside:
    """A person's file that was saved while a run went on, and so was left alone.

    ``put_as`` is where the run's own was put; empty where it had nothing to write.
    """

    name: str
    put_as: str


def is_personal(name: str) -> bool:
    """True for a file at the top of the job that people edit: tool list, plan, machine profiles.

    Examples
    --------
    >>> [is_personal(n) for n in ("tools.csv", "panel.toml", "job.json", "history/r1/tools.csv")]
    [True, True, False, False]
    """
    path = PurePosixPath(name)
    return len(path.parts) == 1 and (name == "tools.csv" or path.suffix == ".toml")


def file_digest(path: Path) -> str | None:
    """Digest of a file's bytes, None where there is no plain file: a pipe or device has no end."""
    if not path.is_file():
        return None
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except FileNotFoundError:
        return None


def former_files(job: Path) -> list[Former]:
    """All former states in a job folder, oldest first."""
    found = []
    for path in (job / FORMER).glob("*"):
        match = _NAME.match(path.name)
        if match and path.is_file():
            found.append(Former(int(match[1]), match[2], f"{FORMER}/{path.name}"))
    return sorted(found, key=lambda f: f.number)


def former_name(number: int, name: str) -> str:
    """Where the former state of this number is kept.

    Examples
    --------
    >>> former_name(3, "tools.csv")
    'history/former/0003-tools.csv'
    """
    return f"{FORMER}/{number:04d}-{name}"
