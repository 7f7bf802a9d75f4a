"""Checks of ledges: what stands behind the thing, what is in the way when it is taken off."""

from __future__ import annotations

from collections.abc import Iterator

from tracer.model.panel import Panel
from tracer.model.report import Check, Severity
from tracer.panel.fittings.openings import opening
from tracer.panel.rules import Rules

__all__ = ["check_ledges"]

#: what stands further out of the face than this is in the way of a thing that is lifted past it
_IN_THE_WAY_MM = 10.0


def check_ledges(panel: Panel, rules: Rules) -> Iterator[Check]:
    """All checks of ledges."""
    for ledge in panel.ledges:
        who = f"{ledge.ledge_id} ({ledge.name})"
        at = (float(ledge.region.centroid.x), float(ledge.region.centroid.y))
        for pocket in panel.pockets:
            name = f"{pocket.number} ({pocket.name})"
            if opening(pocket).intersects(ledge.region):
                yield Check(
                    slug="ledge-covers",
                    severity=Severity.FAIL,
                    sentence=f"{who} stands in front of {name}: the tool cannot be taken out.",
                    remedy="Move the ledge or the tool.",
                    subject_id=ledge.ledge_id,
                    where_mm=at,
                )
            elif pocket.outline.intersects(ledge.room) and pocket.proud_mm > _IN_THE_WAY_MM:
                yield Check(
                    slug="ledge-blocked",
                    severity=Severity.WARN,
                    sentence=f"{name} stands {pocket.proud_mm:.0f} mm out of the face where {who} "
                    "is lifted or swung to be taken off.",
                    remedy="Leave that way free, or take the tool out first.",
                    subject_id=ledge.ledge_id,
                    value=round(pocket.proud_mm, 1),
                    limit=_IN_THE_WAY_MM,
                    unit="mm",
                    where_mm=at,
                )
        yield from _between(panel, ledge.ledge_id)
        floor = panel.bay.above_floor_mm
        heavy = ledge.mass_kg is not None and ledge.mass_kg >= rules.heavy_kg
        if floor is not None and heavy and floor + at[1] > rules.reach_high_mm:
            yield Check(
                slug="out-of-reach",
                severity=Severity.WARN,
                sentence=f"{who} hangs {floor + at[1]:.0f} mm above the floor; heavy things belong "
                f"below {rules.reach_high_mm:g} mm.",
                remedy="Hang heavy things between hip and shoulder. Nothing heavy over heads.",
                subject_id=ledge.ledge_id,
                value=round(floor + at[1]),
                limit=rules.reach_high_mm,
                unit="mm",
                where_mm=at,
            )
        if ledge.mass_kg is None:
            yield Check(
                slug="ledge-load-unknown",
                severity=Severity.WARN,
                sentence=f"Nothing is known of the weight on {who}.",
                remedy="Type its mass_kg: bracket and fixing go by it.",
                subject_id=ledge.ledge_id,
                where_mm=at,
            )


def _between(panel: Panel, ledge_id: str) -> Iterator[Check]:
    """Ledges whose rooms run into each other: one must go before the other can."""
    one = next(x for x in panel.ledges if x.ledge_id == ledge_id)
    for other in panel.ledges:
        if other.ledge_id != ledge_id and one.room.intersects(other.region):
            yield Check(
                slug="ledge-blocked",
                severity=Severity.WARN,
                sentence=f"{other.ledge_id} ({other.name}) is in the way where {one.ledge_id} "
                f"({one.name}) is lifted or swung to be taken off.",
                remedy="Set them further apart.",
                subject_id=ledge_id,
                value=other.out_mm,
                limit=_IN_THE_WAY_MM,
                unit="mm",
                where_mm=(float(other.region.centroid.x), float(other.region.centroid.y)),
            )
