"""What is said of a pocket that would have to be looser than its limit, and what helps most.

Each remedy is tried: the outline's uncertainty is replaced by what it would be then, and the room
is found again.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry import Polygon

from tracer.errors import UsageError
from tracer.model.machine import Machine
from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.model.pocket import Room
from tracer.model.report import Check, Severity
from tracer.panel.pocket.clearance import Cut, needed_mm
from tracer.panel.pocket.edge_errors import Evidence, evidence_of
from tracer.panel.pocket.fits import Fit

__all__ = ["Remedy", "best_remedy", "check_limit", "islands_left_out", "limit_check"]

#: a stretch in doubt that is drawn by hand: this long to both sides, and this sure, mm
_STRETCH_MM, _DRAWN_MM = 35.0, 0.5
#: edge of a tool that several photos show from both sides, mm
_SEEN_ROUND_MM = 0.6
#: a height that is typed is known to this, mm
_TYPED_MM = 1.0
#: smaller holes get no island anyway
_ISLAND_MM2 = 400.0
#: a remedy has to bring the needed width down to this share to be worth its work
_WORTH = 0.85
#: remedies this near to the best one are as good
_ALIKE = 1.1


@dataclass(frozen=True)
class Remedy:
    """Something to do, and how far the wall would have to stand off then."""

    words: str
    needed_mm: float


def check_limit(loosest_mm: float, fit: Fit, machine: Machine | None = None) -> None:
    """Refuse a limit that contradicts the fit or that the machine cannot hold.

    Raises
    ------
    UsageError
        ``loosest-below-fit``, ``loosest-below-machine``.
    """
    if not loosest_mm >= max(fit.gap_mm, 0.0):
        raise UsageError(
            "loosest-below-fit",
            f"No pocket is to be looser than {loosest_mm:g} mm a side, but the fit asked for "
            f"leaves {fit.gap_mm:g} mm where the edge is sure.",
            "Choose a closer fit, or a larger limit.",
        )
    if machine is not None and loosest_mm < 2 * machine.cut_sigma_mm:
        raise UsageError(
            "loosest-below-machine",
            f"No pocket is to be looser than {loosest_mm:g} mm a side, but the walls of the "
            f"{machine.title} scatter by {machine.cut_sigma_mm:g} mm.",
            f"Choose a limit of {2 * machine.cut_sigma_mm:g} mm or more.",
        )


def limit_check(
    outline: Outline,
    room: Room,
    probability: float,
    fit: Fit,
    cut: Cut | None = None,
    *,
    subject_id: str | None = None,
) -> list[Check]:
    """The finding about a pocket cut at its limit; none where it is not."""
    sought = min(probability, room.sought)
    if not room.limited or room.probability >= sought - 0.005:
        return _doubtful_press(outline, room, probability, subject_id or outline.outline_id)
    best = best_remedy(outline, room, probability, fit, cut)
    x, y = room.where_mm
    proof = "check it on the paper template before cutting."
    remedy = proof.capitalize()
    if best is not None:
        remedy = f"Best: {best.words} (then about {best.needed_mm:.1f} mm); or {proof}"
    return [
        Check(
            "pocket-at-limit",
            Severity.WARN,
            f"{subject_id or outline.outline_id} ({outline.name}): to go in with "
            f"{sought:.0%} its pocket would have to stand off {room.needed_mm:.1f} mm at "
            f"({x:.0f}, {y:.0f}); cut at {room.most_mm:.1f} mm it goes in with "
            f"{room.probability:.0%}.",
            remedy,
            subject_id=subject_id or outline.outline_id,
            value=round(room.needed_mm, 2),
            limit=round(room.most_mm, 2),
            unit="mm",
            where_mm=room.where_mm,
        )
    ]


def islands_left_out(outline: Outline, subject_id: str | None = None) -> list[Check]:
    """A note where the outline has a hole large enough for an island that is not sure."""
    large = [h for h in outline.region.interiors if Polygon(h).area > _ISLAND_MM2]
    if not large or evidence_of(outline) == Evidence.SEVERAL:
        return []
    at = Polygon(large[0]).representative_point()
    return [
        Check(
            "island-not-sure",
            Severity.NOTE,
            f"{subject_id or outline.outline_id} ({outline.name}): whether it is open at "
            f"({at.x:.0f}, {at.y:.0f}) is not sure from one photo; no island is left in its "
            "pocket.",
            "Photograph the lay from several places for an island.",
            subject_id=subject_id or outline.outline_id,
            where_mm=(at.x, at.y),
        )
    ]


def _doubtful_press(
    outline: Outline, room: Room, probability: float, subject_id: str
) -> list[Check]:
    """A press fit cannot be widened without ceasing to press: its probability is told instead."""
    if room.gap_mm >= 0 or room.probability >= probability:
        return []
    return [
        Check(
            "press-uncertain",
            Severity.NOTE,
            f"{subject_id} ({outline.name}) is pressed: its pocket is {-room.gap_mm:.1f} mm closer "
            f"than its edge, and it goes in with {room.probability:.0%}.",
            "Try it on the paper template, or choose snug.",
            subject_id=subject_id,
            value=room.probability,
            limit=probability,
        )
    ]


def best_remedy(
    outline: Outline, room: Room, probability: float, fit: Fit, cut: Cut | None = None
) -> Remedy | None:
    """What brings the needed width down most; None where nothing does by much."""
    found = [
        Remedy(words, needed_mm(better, fit, probability, cut))
        for words, better in _remedies(outline, room)
    ]
    least = min(remedy.needed_mm for remedy in found)
    if least > _WORTH * room.needed_mm:
        return None
    alike = (_ALIKE - 1) * abs(least)
    # they come in order of the work they make
    return next(remedy for remedy in found if remedy.needed_mm <= least + alike)


def _remedies(outline: Outline, room: Room) -> Iterator[tuple[str, Outline]]:
    ring = _sigma(outline)
    kind = evidence_of(outline)
    corners = shapely.get_coordinates(outline.region.exterior)[:-1]
    if kind == Evidence.ONE_OPEN:
        spread = outline.height_sigma_mm or _TYPED_MM
        share = min(_TYPED_MM / spread, 1.0)
        least = float(ring.min())
        typed = np.sqrt(least**2 + share**2 * (ring**2 - least**2))
        yield (
            "type its height in tools.csv",
            replace(outline, sigma_ring_mm=typed, height_source=HeightSource.TYPED),
        )
    away = np.hypot(*(corners - np.array(room.where_mm)).T)
    drawn = np.where(away < _STRETCH_MM, np.minimum(ring, _DRAWN_MM), ring)
    x, y = room.where_mm
    yield (
        f"draw its edge by hand near ({x:.0f}, {y:.0f})",
        replace(outline, sigma_ring_mm=drawn, in_doubt=False),  # a person has looked at it
    )
    if kind == Evidence.SEVERAL:
        seen = np.minimum(ring, max(float(np.median(ring)), _SEEN_ROUND_MM))
        words = f"one more photo from the side of ({x:.0f}, {y:.0f})"
        yield words, replace(outline, sigma_ring_mm=seen, outer=None)
    else:
        seen = np.minimum(ring, _SEEN_ROUND_MM)
        yield (
            "two more photos, from the left and from the right",
            replace(outline, sigma_ring_mm=seen, method=EdgeModel.VIEWS),
        )


def _sigma(outline: Outline) -> np.ndarray:
    count = len(outline.region.exterior.coords) - 1
    ring = np.asarray(outline.sigma_ring_mm, np.float64)
    ring = ring if len(ring) == count else np.full(count, outline.sigma_mm)
    return np.where(np.isfinite(ring), ring, outline.sigma_mm)
