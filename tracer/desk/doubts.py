"""What is in doubt about a job, the costliest first, each with what a person can do about it.

The cost is how far an edge may be off, in mm, as far as the finding says: a pocket that is missing
costs most, a height that is not known costs what it does to the edge of a tool of usual height.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from tracer.model.outline import Outline
from tracer.model.report import Check, Severity
from tracer.project.schema import JobRecord

__all__ = ["doubts_record"]

USUAL_MM = 20.0  # a hand tool lying on its side (common practice, no source)
MISSING_MM = 30.0  # a tool without a pocket, a pocket without its end
COST_MM = {Severity.FAIL: 10.0, Severity.WARN: 3.0}  # of findings that give no length
LOOK_MM = 2.0  # an expected error above this is looked at whatever else is said
HEIGHT, EDGE = ("height",), ("edge",)
#: what helps against a finding; accept and drop are offered for every tool
FIXES: Mapping[str, tuple[str, ...]] = {
    "height-unknown": HEIGHT,
    "height-doubtful": HEIGHT,
    "height-excluded": HEIGHT,
    "typed-height-contradicted": HEIGHT,
    "too-tall-for-one-photo": ("height", "retake"),
    "flat-on-sheet": HEIGHT,
    "upright-collapsed": HEIGHT,
    "upright-pieces": HEIGHT,
    "cut-by-frame": ("retake",),
    "seen-in-one-photo": ("retake",),
    "not-confirmed": ("retake",),
    "tools-run-together": ("split",),
    "outline-doubtful": EDGE,
    "outline-uncertain": EDGE,
    "edge-faint": EDGE,
    "edge-from-one-side": EDGE,
    "something-left-out": ("keep",),
}
MISSING = {"something-left-out", "cut-by-frame"}
#: findings that are told about rows and places, and are nothing to look at in the photo
NO_PLACE = {"row-without-tool", "rows-on-one-tool", "further-photo"}


def doubts_record(
    outlines: Sequence[Outline], checks: Sequence[Check], record: JobRecord
) -> list[dict[str, Any]]:
    """One entry per tool or place in doubt, the costliest first; what was accepted is left out."""
    known = {o.outline_id: o for o in outlines}
    entries: dict[str, dict[str, Any]] = {}
    for check in [*checks, *_uncertain(outlines, checks)]:
        outline = known.get(check.subject_id or "")
        if check.severity is Severity.NOTE or check.slug in NO_PLACE:
            continue
        if outline is None and check.where_mm is None:
            continue  # about the photo as a whole: it stands with the findings
        key = outline.outline_id if outline else _place_key(check)
        mark = f"{check.slug}@{outline.revision}" if outline else check.slug
        if mark in record.accepted.get(key, ()):
            continue
        entry = entries.setdefault(
            key,
            {
                "key": key,
                "outline": outline.outline_id if outline else None,
                "where_mm": check.where_mm,
                "cost_mm": 0.0,
                "reasons": [],
                "fixes": [],
                "marks": [],
            },
        )
        entry["cost_mm"] = max(entry["cost_mm"], round(_cost_mm(check), 1))
        entry["where_mm"] = entry["where_mm"] or check.where_mm
        entry["reasons"].append({"slug": check.slug, "sentence": check.sentence})
        entry["marks"].append(mark)
        entry["fixes"] += [f for f in FIXES.get(check.slug, ()) if f not in entry["fixes"]]
    for entry in entries.values():
        entry["fixes"] += ["accept", "drop"] if entry["outline"] else ["accept"]
    return sorted(entries.values(), key=lambda e: (-e["cost_mm"], e["key"]))


def _place_key(check: Check) -> str:
    assert check.where_mm is not None
    return f"{check.slug} {check.where_mm[0]:.0f} {check.where_mm[1]:.0f}"


def _cost_mm(check: Check) -> float:
    if check.slug in MISSING:
        return MISSING_MM
    if check.slug == "height-unknown" and check.value is not None:
        return float(check.value) * USUAL_MM / 10
    if check.unit == "mm" and check.value is not None and check.slug.startswith("outline-"):
        return float(check.value)
    return COST_MM[check.severity]


def _uncertain(outlines: Iterable[Outline], checks: Sequence[Check]) -> list[Check]:
    """Outlines whose expected error (95 %) is large though no finding says so."""
    told = {c.subject_id for c in checks if c.severity is not Severity.NOTE}
    return [
        Check(
            "outline-uncertain",
            Severity.WARN,
            f"{o.name}: its edge may be out by {2 * o.sigma_mm:.1f} mm.",
            subject_id=o.outline_id,
            value=2 * o.sigma_mm,
            unit="mm",
        )
        for o in outlines
        if o.outline_id not in told and 2 * o.sigma_mm > LOOK_MM
    ]
