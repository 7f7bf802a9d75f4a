"""A check: one finding about the job, from photo to cutting file."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Check", "Severity", "tool_at"]


class Severity(StrEnum):
    """How much a finding matters."""

    NOTE = "note"
    WARN = "warn"
    FAIL = "fail"


@dataclass(frozen=True)
class Check:
    """One finding, in a form that both a person and a program can read.

    Attributes
    ----------
    slug
        Stable name with an entry in ``docs/messages.md``.
    severity
        ``fail`` turns the exit code into 3.
    sentence
        What was found and where, in one sentence.
    remedy
        What to do about it, in one sentence; may be empty.
    subject_id
        The outline, card, photo, pocket or file it is about.
    value, limit, unit
        The measured figure and the limit it was held against, where there is one.
    where_mm
        Place on the sheet (or panel) in mm, where there is one.
    """

    slug: str
    severity: Severity
    sentence: str
    remedy: str = ""
    subject_id: str | None = None
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    where_mm: tuple[float, float] | None = None


def tool_at(where_mm: tuple[float, float]) -> str:
    """How a sentence names a tool that has no number yet: by a place on the sheet.

    Once numbers are given, `tracer.workflows.tracing.tool_findings` puts them in the place of
    these words.

    Examples
    --------
    >>> tool_at((152.3, -121.8))
    'the tool at (152, -122) mm'
    """
    return f"the tool at ({where_mm[0]:.0f}, {where_mm[1]:.0f}) mm"
