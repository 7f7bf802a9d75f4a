"""What a run tells about files that a person writes too."""

from __future__ import annotations

from tracer.model.report import Check, Severity
from tracer.project.former import Beside
from tracer.project.store import JobFolder

__all__ = ["left_alone"]


def left_alone(folder: JobFolder) -> tuple[Check, ...]:
    """A finding for each person's file that was saved while a run went on, and so was left."""
    return tuple(_left_alone(beside) for beside in folder.beside)


def _left_alone(beside: Beside) -> Check:
    what = f"{beside.name} was saved by another program while this run went on"
    if beside.put_as:
        what += f": yours is left as it is, and what this run has to write is in {beside.put_as}."
        remedy = "Run again: it goes by your file. What you want of the other, copy over."
    else:
        what += ", which went by what was there before."
        remedy = "Run again: it goes by what you saved."
    return Check("file-left-alone", Severity.WARN, what, remedy, subject_id=beside.name)
