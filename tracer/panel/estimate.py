"""What a pocket is made from: an outline's estimated edge, and which outlines get none."""

from __future__ import annotations

from shapely.geometry import Polygon

from tracer.geometry.rings import largest_polygon
from tracer.model.outline import Outline
from tracer.model.report import Check, Severity

__all__ = ["estimate_of", "no_pocket_for"]

LEAST_MM2 = 1.0  # a bound that adds less is rounding


def estimate_of(outline: Outline, subject_id: str) -> tuple[Polygon, tuple[Check, ...]]:
    """The region to make a pocket from: the outer bound where the photos leave the edge open."""
    if outline.outer is None or outline.outer.is_empty:
        return outline.region, ()
    region = largest_polygon(outline.outer.union(outline.region))
    wider = region.area - outline.region.area
    if wider < LEAST_MM2:
        return outline.region, ()
    note = Check(
        "edge-open",
        Severity.NOTE,
        f"{outline.name}: the photos leave part of its edge open; the pocket is made to "
        f"the outer bound, {wider:.0f} mm2 larger.",
        "A further photo from the other side would settle the edge.",
        subject_id=subject_id,
        value=round(wider),
        unit="mm2",
    )
    return region, (note,)


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
