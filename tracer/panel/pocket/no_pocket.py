"""Which outlines get no pocket, and why."""

from __future__ import annotations

from tracer.model.outline import Outline
from tracer.model.report import Check, Severity

__all__ = ["no_pocket_for"]


def no_pocket_for(outline: Outline) -> Check | None:
    """Why an outline gets no pocket; None where it gets one."""
    if not (outline.cut_by_frame or outline.cable):
        return None
    why = "a loose cable" if outline.cable else "not wholly in the picture"
    return Check(
        "outline-not-cut",
        Severity.NOTE if outline.cable else Severity.WARN,
        f"{outline.name} is {why} and gets no pocket.",
        "Photograph it wholly in view, or leave it out.",
        subject_id=outline.outline_id,
    )
