"""Lifting a tool out as geometry: room for finger and thumb, below the widest section, way free.

Vocabulary
----------
finger gap
    Diameter of the largest disc that stands in a finger notch beside the tool: what a fingertip
    finds. With a notch across the grip there is one on each side, and the smaller one counts.
widest section
    Height at which the tool is widest. Not seen from above; taken at half the tool's height, as
    for anything round or rounded (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import shapely
from shapely.geometry import Polygon

from tracer.geometry.rings import polygons_in
from tracer.model.panel import Notch, Panel, PanelPocket
from tracer.model.report import Check, Severity
from tracer.panel.rules import Rules

__all__ = ["check_lifting", "finger_gap_mm"]

#: a fingertip of the slimmest hands; `Rules.finger_mm` is what is planned for (16-23 mm adults,
#: Pheasant, Bodyspace; from memory)
_LEAST_FINGER_MM = 12.0
#: what of a notch lies beside the tool and is no larger than this is a sliver
_SLIVER_MM2 = 20.0
#: a neighbour standing higher than this beside a notch is in the way of the hand
_IN_THE_WAY_MM = 10.0


def finger_gap_mm(notch: Notch, tool: Polygon) -> float:
    """Finger gap of a notch beside a tool; the smaller of two where it has two sides.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> round(finger_gap_mm(Notch(box(-30, -14, 30, 14), 20.0, 2), box(-10, -80, 10, 80)), 1)
    20.0
    """
    beside = [p for p in polygons_in(notch.region.difference(tool)) if p.area > _SLIVER_MM2]
    if not beside:
        return 0.0
    gap, at = max(((_disc(p), p) for p in beside), key=lambda d: d[0][0])[0]
    if notch.sides != 2:
        return gap
    # the thumb stands on the other side of the tool, also where the notch runs right round it
    middle = tool.intersection(notch.region).centroid
    away = (middle.x - at[0], middle.y - at[1])
    far = 4 * notch.region.length / max(math.hypot(*away), 1e-9)
    across = (-away[1] * far, away[0] * far)
    half = Polygon(
        [
            (middle.x + across[0], middle.y + across[1]),
            (middle.x - across[0], middle.y - across[1]),
            (middle.x - across[0] + far * away[0], middle.y - across[1] + far * away[1]),
            (middle.x + across[0] + far * away[0], middle.y + across[1] + far * away[1]),
        ]
    )
    there = [q for p in beside for q in polygons_in(p.intersection(half)) if q.area > _SLIVER_MM2]
    return min(gap, max((_disc(q)[0] for q in there), default=0.0))


def _disc(region: Polygon) -> tuple[float, tuple[float, float]]:
    """Diameter and centre of the largest disc in a region."""
    line = shapely.maximum_inscribed_circle(region, tolerance=0.05)
    x, y = shapely.get_coordinates(line)[0]
    return 2 * float(line.length), (float(x), float(y))


def check_lifting(panel: Panel, rules: Rules) -> Iterator[Check]:
    """The least finger gap of the panel, and notches too narrow, too shallow, or blocked."""
    found: list[tuple[float, PanelPocket]] = []
    for pocket in panel.pockets:
        for notch in pocket.notches:
            gap = finger_gap_mm(notch, pocket.outline)
            found.append((gap, pocket))
            yield from _narrow(pocket, gap)
            yield from _shallow(pocket, notch)
            yield from _blocked(panel, pocket, notch)
    if found:
        gap, pocket = min(found, key=lambda f: (f[0], f[1].number))
        yield Check(
            slug="finger-gap",
            severity=Severity.NOTE,
            sentence=f"Least finger gap: {gap:.0f} mm, at {pocket.number} ({pocket.name}); planned "
            f"for {rules.finger_mm:g} mm.",
            subject_id=pocket.pocket_id,
            value=round(gap, 1),
            limit=_LEAST_FINGER_MM,
            unit="mm",
        )


def _who(pocket: PanelPocket) -> str:
    return f"{pocket.number} ({pocket.name})"


def _narrow(pocket: PanelPocket, gap: float) -> Iterator[Check]:
    if gap >= _LEAST_FINGER_MM:
        return
    yield Check(
        slug="finger-gap-narrow",
        severity=Severity.WARN,
        sentence=f"{_who(pocket)}: a fingertip finds {gap:.0f} mm beside the tool; "
        f"{_LEAST_FINGER_MM:g} mm are the least.",
        remedy="Type a notch where the tool is slimmer, or leave more room beside it.",
        subject_id=pocket.pocket_id,
        value=round(gap, 1),
        limit=_LEAST_FINGER_MM,
        unit="mm",
    )


def _shallow(pocket: PanelPocket, notch: Notch) -> Iterator[Check]:
    """Fingers must get below the widest section to lift, unless it stands out of the face."""
    widest = pocket.depth_mm - pocket.height_mm / 2
    if widest <= 0 or notch.depth_mm >= widest - 1e-6:
        return
    yield Check(
        slug="finger-notch-shallow",
        severity=Severity.WARN,
        sentence=f"{_who(pocket)}: the notch is {notch.depth_mm:g} mm deep, and the tool is widest "
        f"at about {widest:.0f} mm: fingers do not get below it.",
        remedy="Make the notch deeper, or the pocket shallower.",
        subject_id=pocket.pocket_id,
        value=notch.depth_mm,
        limit=round(widest, 1),
        unit="mm",
    )


def _blocked(panel: Panel, pocket: PanelPocket, notch: Notch) -> Iterator[Check]:
    for other in panel.pockets:
        if other is pocket or other.pocket_id in notch.shared_with:
            continue
        if other.proud_mm <= _IN_THE_WAY_MM or not notch.region.intersects(other.outline):
            continue
        yield Check(
            slug="lift-blocked",
            severity=Severity.WARN,
            sentence=f"{_who(other)} stands {other.proud_mm:.0f} mm out of the face over the "
            f"finger notch of {_who(pocket)}.",
            remedy="Move one of the two, or the notch.",
            subject_id=pocket.pocket_id,
            value=round(other.proud_mm, 1),
            limit=_IN_THE_WAY_MM,
            unit="mm",
        )
