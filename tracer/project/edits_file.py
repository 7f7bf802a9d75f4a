"""``history/edits.json``: every correction by hand, in order, so that each can be undone.

An edit is a list of changes to single inputs of the job (`Change`). Undoing swaps what was and
what is. The list is kept without limit; edits after the cursor ``done`` have been undone and may
be done again.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

from pydantic import TypeAdapter

from tracer.errors import TracerError
from tracer.project.refusals import Wrong, checked
from tracer.project.schema import read_versioned
from tracer.ranges import JOB

__all__ = ["EDITS_NAME", "Change", "Edit", "Edits", "dump_edits", "load_edits"]

FORMAT = "tracer-edits"
VERSION = 1
EDITS_NAME = "history/edits.json"


@dataclass(frozen=True)
class Change:
    """One input of the job: its path, what it was, what it is now (JSON values).

    Of a list, ``was`` are items that go and ``now`` items that come; ``was_at`` and ``now_at`` say
    where in the list they stood and stand. They are empty until the change is made.
    """

    path: tuple[str, ...]
    was: Any
    now: Any
    was_at: tuple[int, ...] = ()
    now_at: tuple[int, ...] = ()

    @property
    def undone(self) -> Change:
        """The change back."""
        return Change(self.path, self.now, self.was, self.now_at, self.was_at)


@dataclass(frozen=True)
class Edit:
    """Changes that a person made in one go. ``kind`` and ``subject`` name it for people.

    ``files`` gives, for each file that people write too, the digests of what it was and what the
    edit made of it (empty where there was no file): as long as nobody else wrote it, undoing gives
    the very file back, spelling and notes included.
    """

    kind: str
    subject: str
    changes: tuple[Change, ...]
    files: dict[str, tuple[str, str]] = field(default_factory=dict)
    #: given by the page: an edit that is sent again, since the answer was lost, is made once
    key: str = ""


@dataclass(frozen=True)
class Edits:
    """All edits of a job; the first ``done`` of them are in force."""

    edits: tuple[Edit, ...] = ()
    done: int = 0

    def with_new(self, edit: Edit) -> Edits:
        """The edit made; what had been undone before it is gone."""
        return Edits((*self.edits[: self.done], edit), self.done + 1)

    @property
    def last(self) -> Edit | None:
        """What undo would take back."""
        return self.edits[self.done - 1] if self.done else None

    @property
    def next(self) -> Edit | None:
        """What redo would do again."""
        return self.edits[self.done] if self.done < len(self.edits) else None


def dump_edits(edits: Edits) -> bytes:
    """JSON bytes, one edit a line."""
    lines = ",\n".join(
        json.dumps(_edit_body(e), ensure_ascii=False, allow_nan=False) for e in edits.edits
    )
    text = f'{{"format": "{FORMAT}", "version": {VERSION}, "done": {edits.done}, "edits": [\n'
    return (text + lines + "\n]}\n").encode()


def _edit_body(edit: Edit) -> dict[str, Any]:
    changes = []
    for c in edit.changes:
        places = {"was_at": list(c.was_at), "now_at": list(c.now_at)}
        changes.append(
            {"path": list(c.path), "was": c.was, "now": c.now}
            | {name: at for name, at in places.items() if at}
        )
    body: dict[str, Any] = {"kind": edit.kind, "subject": edit.subject, "changes": changes}
    body |= {"files": edit.files} if edit.files else {}
    return body | ({"key": edit.key} if edit.key else {})


def load_edits(data: bytes, name: str = EDITS_NAME) -> Edits:
    """Read the edits.

    Raises
    ------
    TracerError
        ``job-damaged``, ``job-newer``.
    """
    body = read_versioned(data, name, FORMAT, VERSION, {})
    try:
        content: _Content = checked(_CONTENT, body, names=_NAMES, spans=JOB, longest=MOST_ENTRIES)
    except Wrong as wrong:
        raise TracerError(
            "job-damaged",
            f"{name} cannot be read: {wrong}.",
            "Delete it: the corrections stay, only undoing them is lost.",
        ) from None
    return Edits(content.edits, min(content.done, len(content.edits)))


#: what a person makes in years
MOST_ENTRIES = 100_000


@dataclass(frozen=True)
class _Content:
    edits: tuple[Edit, ...]
    done: int


_CONTENT = TypeAdapter(_Content)
_NAMES: dict[type, str] = {_Content: "edits", Edit: "edit", Change: "change"}
