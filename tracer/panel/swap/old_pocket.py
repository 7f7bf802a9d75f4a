"""What to do with an old pocket when its tool is replaced.

Vocabulary
----------
void
    Part of the old pocket that the new one does not need: it would stay as a hole.
sliver
    A void too narrow to matter or to fill well.
plug
    A piece of foam glued into the old pocket (and a rim around it), across which the new pocket is
    cut.
strip
    A piece that fills one void only.
joint
    Where plug meets old foam: a glued seam, weaker than the foam.

The widths at which one remedy gives way to the next are common practice, no source: they are
named constants here and options of `plan_patch`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from tracer.model.report import Check, Severity

__all__ = ["Patch", "PatchRules", "Remedy", "plan_patch", "void_width_mm"]

QUAD_SEGMENTS = 32  # buffer arcs lie inside the true ones by r (1 - cos(pi / 128)): under 0.01 mm
SPECK_MM2 = 1.0  # voids below this area are rounding, not foam


class Remedy(StrEnum):
    """What a replaced tool asks for."""

    NOTHING = "nothing"  # the new pocket is the old one
    ENLARGE = "enlarge"  # the new pocket covers the old one: cut the rest away
    LEAVE = "leave"  # narrow voids stay
    STRIP = "strip"  # voids are filled with strips: visible, but sound
    PLUG = "plug"  # plug the old pocket, let the glue set, cut anew


@dataclass(frozen=True, kw_only=True)
class PatchRules:
    """Widths and distances of the patch, mm.

    Attributes
    ----------
    leave_mm
        Voids narrower than this stay.
    strip_mm
        Voids up to this are filled with strips.
    rim_mm
        How far a plug reaches beyond the old pocket.
    web_mm
        Least foam between a plug's rim and a neighbour's pocket, and least width of old foam
        between void and new pocket.
    press_mm
        How much larger a plug is cut than its hole, each side.
    joint_mm
        A joint nearer than this to the new wall is avoided by a larger plug.
    joint_share
        Share of the joint's length that may lie so near.
    radius_mm
        Smallest inside radius of the cutter.
    """

    leave_mm: float = 1.5
    strip_mm: float = 6.0
    rim_mm: float = 5.0
    web_mm: float = 10.0
    press_mm: float = 0.3
    joint_mm: float = 5.0
    joint_share: float = 0.3
    radius_mm: float = 3.0


@dataclass(frozen=True, eq=False)
class Patch:
    """The plan for one replaced tool; regions in the panel's frame, mm.

    Attributes
    ----------
    remedy
        What to do.
    opening
        Region to cut out of the panel so that the plug fits (empty without a plug).
    pieces
        Foam pieces to cut, press fit included: the plug, or the strips.
    recut
        Region to cut once pieces are glued in: the whole new pocket over a plug, else only what
        the old pocket lacks.
    void
        Old pocket less new pocket.
    void_width_mm
        Largest width of the void.
    checks
        What stands in the way.
    """

    remedy: Remedy
    opening: BaseGeometry
    pieces: tuple[Polygon, ...]
    recut: BaseGeometry
    void: BaseGeometry
    void_width_mm: float
    checks: tuple[Check, ...] = ()


def void_width_mm(void: BaseGeometry) -> float:
    """Largest width: twice the radius of the largest disc that fits.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> round(void_width_mm(box(0, 0, 100, 4)), 2)
    4.0
    """
    widest = 0.0
    for part in _parts(void):
        widest = max(widest, 2 * shapely.maximum_inscribed_circle(part, tolerance=0.01).length)
    return widest


def plan_patch(
    old: Polygon,
    new: Polygon,
    neighbours: Sequence[Polygon],
    subject_id: str,
    rules: PatchRules | None = None,
) -> Patch:
    """Plan the patch that turns an old pocket into a new one.

    Parameters
    ----------
    old, new
        Pocket as it is cut and as it shall be, panel frame.
    neighbours
        Everything else that is cut on the same sheet: pockets, notches, wells, the sheet's edge
        is not among them.
    subject_id
        The tool, for messages.
    """
    rules = rules or PatchRules()
    void, missing = _significant(old.difference(new)), _significant(new.difference(old))
    width = void_width_mm(void)
    nothing = Polygon()
    if void.is_empty and missing.is_empty:
        return Patch(Remedy.NOTHING, nothing, (), nothing, void, 0.0)
    if void.is_empty:
        return Patch(Remedy.ENLARGE, nothing, (), missing, void, 0.0)
    if width < rules.leave_mm:
        return Patch(Remedy.LEAVE, nothing, (), missing, void, width)
    if width <= rules.strip_mm and not _thin_web(void, new, rules):
        # pressed against the old walls; the side that faces the tool is the new pocket's wall
        strips = tuple(
            _largest(_pressed(part, rules).difference(new))
            for part in _parts(_cuttable(void, rules, old))
        )
        if strips:
            return Patch(Remedy.STRIP, nothing, strips, missing, void, width)
    opening, checks = _opening(old, new, neighbours, subject_id, rules)
    pieces = tuple(_pressed(part, rules) for part in _parts(opening))
    return Patch(Remedy.PLUG, opening, pieces, new, void, width, checks)


def _opening(
    old: Polygon,
    new: Polygon,
    neighbours: Sequence[Polygon],
    subject_id: str,
    rules: PatchRules,
) -> tuple[BaseGeometry, tuple[Check, ...]]:
    """Hole for the plug: the old pocket and a rim, kept off the neighbours, its joint kept off the
    new wall where the panel allows it.
    """
    barrier = shapely.union_all([n.buffer(rules.web_mm, QUAD_SEGMENTS) for n in neighbours])
    best: BaseGeometry = Polygon()
    near = 1.0
    for step in range(5):  # a rim of five steps is as much foam as a neighbour's web
        rim = rules.rim_mm * (1 + step)
        region = _smooth(old.buffer(rim, QUAD_SEGMENTS).difference(barrier).union(old), rules)
        share = _near_joint(region, new, rules.joint_mm)
        if best.is_empty or share < near - 1e-9:
            best, near = region, share
        if share <= rules.joint_share:
            break
    checks = []
    if near > rules.joint_share:
        checks.append(
            Check(
                "patch-joint-near-wall",
                Severity.WARN,
                f"{100 * near:.0f} % of the glued joint of {subject_id}'s plug lies within"
                f" {rules.joint_mm:g} mm of the new pocket's wall, since neighbours leave no room"
                " for a larger plug.",
                "Glue it well and let it set before cutting, or cut the sheet anew.",
                subject_id=subject_id,
                value=near,
                limit=rules.joint_share,
            )
        )
    blocked = best.buffer(rules.web_mm - 0.01).intersection(shapely.union_all(list(neighbours)))
    if not blocked.is_empty:
        point = blocked.representative_point()
        checks.append(
            Check(
                "patch-web-thin",
                Severity.WARN,
                f"Between {subject_id}'s plug and its neighbour less than {rules.web_mm:g} mm of"
                " foam is left: the old pocket itself lies that near.",
                "Support the web while cutting.",
                subject_id=subject_id,
                limit=rules.web_mm,
                unit="mm",
                where_mm=(point.x, point.y),
            )
        )
    return best, tuple(checks)


def _near_joint(region: BaseGeometry, new: Polygon, joint_mm: float) -> float:
    """Share of the joint that runs within ``joint_mm`` of the new wall; where the new pocket cuts
    the joint away, no joint is left.
    """
    joint = region.boundary.difference(new)
    if joint.length == 0:
        return 0.0
    return float(joint.intersection(new.buffer(joint_mm, QUAD_SEGMENTS)).length / joint.length)


def _thin_web(void: BaseGeometry, new: Polygon, rules: PatchRules) -> bool:
    """A strip would leave a sliver of old foam between itself and the new pocket."""
    between = void.buffer(rules.web_mm / 2).intersection(new.buffer(rules.web_mm / 2))
    foam = between.difference(void).difference(new)
    touching = void.distance(new) < 0.05
    return not touching and not foam.is_empty


def _cuttable(void: BaseGeometry, rules: PatchRules, old: Polygon) -> BaseGeometry:
    """Void with its thin tails widened into a piece that can be cut and glued: the part that a
    blade of the smallest width reaches, grown back, kept within the old pocket.
    """
    half = min(rules.leave_mm / 2, 0.75)
    body = void.buffer(-half, QUAD_SEGMENTS).buffer(half, QUAD_SEGMENTS)
    return _significant(body.intersection(old))


def _smooth(region: BaseGeometry, rules: PatchRules) -> BaseGeometry:
    """Corners rounded to what the cutter can do, outwards, so that the old pocket stays inside."""
    radius = rules.radius_mm
    closed = region.buffer(radius, QUAD_SEGMENTS).buffer(-radius, QUAD_SEGMENTS)
    opened = closed.buffer(-radius, QUAD_SEGMENTS).buffer(radius, QUAD_SEGMENTS)
    return _filled(opened.union(region) if opened.is_empty else opened.union(region.buffer(-0.5)))


def _pressed(part: Polygon, rules: PatchRules) -> Polygon:
    return _largest(part.buffer(rules.press_mm, QUAD_SEGMENTS))


def _largest(region: BaseGeometry) -> Polygon:
    return orient(max(_parts(region), key=lambda p: p.area), 1.0)


def _filled(region: BaseGeometry) -> BaseGeometry:
    return shapely.union_all([Polygon(p.exterior) for p in _parts(region)])


def _significant(region: BaseGeometry) -> BaseGeometry:
    parts = [p for p in _parts(region) if p.area >= SPECK_MM2]
    return MultiPolygon(parts) if len(parts) != 1 else parts[0]


def _parts(region: BaseGeometry) -> list[Polygon]:
    return [
        p for p in getattr(region, "geoms", [region]) if isinstance(p, Polygon) and not p.is_empty
    ]
