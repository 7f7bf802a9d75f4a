"""Checks of cable rooms: skin, height, bend, volume, exit, and what lies in front of them."""

from __future__ import annotations

from collections.abc import Iterator

import shapely
from shapely.geometry import Point
from shapely.geometry.base import BaseGeometry

from tracer.model.panel import BackCavity, Panel
from tracer.model.report import Check, Severity
from tracer.panel.fittings.cavities import cable_volume_mm3, room_height_mm
from tracer.panel.fittings.openings import opening
from tracer.panel.rules import Rules

__all__ = ["check_cavities"]

_EPS_MM = 1e-6
#: where a way for a lead joins its exit it runs on by 3 mm, at a slanting edge a little more
_RUN_IN_MM = 3.5


def check_cavities(panel: Panel, rules: Rules) -> Iterator[Check]:
    """All checks of cable rooms and ways for leads."""
    for cavity in panel.back_cavities:
        yield from _depth(panel, cavity, rules)
        yield from _cable(panel, cavity, rules)
        yield from _in_front(panel, cavity, rules)
        yield from _exit(panel, cavity, rules)
    if panel.back_cavities:
        yield Check(
            slug="cable-caution",
            severity=Severity.NOTE,
            sentence="Leads lie behind the foam: a mains lead that is coiled, trapped or stapled "
            "gets warm, and nobody sees it.",
            remedy="No coil under load, no joint inside the foam, strain relief at the exit; the "
            "maker's data sheet and local electrical rules count.",
        )


def _who(cavity: BackCavity) -> str:
    return f"{cavity.cavity_id} ({cavity.name})"


def _fail(
    slug: str,
    cavity: BackCavity,
    sentence: str,
    remedy: str,
    *,
    value: float | None = None,
    limit: float | None = None,
    unit: str = "mm",
    severity: Severity = Severity.FAIL,
    where: BaseGeometry | None = None,
) -> Check:
    at = (where or cavity.region).representative_point()
    return Check(
        slug,
        severity,
        sentence,
        remedy,
        subject_id=cavity.cavity_id,
        value=None if value is None else round(value, 3),
        limit=limit,
        unit=unit,
        where_mm=(float(at.x), float(at.y)),
    )


def _depth(panel: Panel, cavity: BackCavity, rules: Rules) -> Iterator[Check]:
    if cavity.skin_mm < rules.skin_mm - _EPS_MM:
        yield _fail(
            "cavity-skin-thin",
            cavity,
            f"{_who(cavity)} leaves {cavity.skin_mm:g} mm of face in front of it; "
            f"{rules.skin_mm:g} mm are the least.",
            "Leave a thicker skin (skin_mm), or take a thicker face.",
            value=cavity.skin_mm,
            limit=rules.skin_mm,
        )
    height = room_height_mm(panel, cavity.skin_mm)
    if height < cavity.cable_mm - _EPS_MM:
        yield _fail(
            "cavity-too-shallow",
            cavity,
            f"Behind a skin of {cavity.skin_mm:g} mm the face of {panel.face_mm:g} mm leaves "
            f"{max(height, 0):.1f} mm for a cable of {cavity.cable_mm:g} mm.",
            "Take a thicker face, or lead the cable elsewhere.",
            value=height,
            limit=cavity.cable_mm,
        )


def _cable(panel: Panel, cavity: BackCavity, rules: Rules) -> Iterator[Check]:
    least = rules.bend_diameters * cavity.cable_mm
    if cavity.bend_mm < least - 0.01:
        yield _fail(
            "cavity-bend-tight",
            cavity,
            f"{_who(cavity)} bends the cable to a radius of {max(cavity.bend_mm, 0):.0f} mm; "
            f"{least:.0f} mm are the least for a diameter of {cavity.cable_mm:g} mm.",
            "Make the room wider or its radius larger; the cable's data sheet has its own figure.",
            value=cavity.bend_mm,
            limit=least,
        )
    width = 2 * float(shapely.maximum_inscribed_circle(cavity.region, tolerance=0.02).length)
    if width < cavity.cable_mm + rules.cable_clear_mm - 0.05:
        yield _fail(
            "cavity-narrow",
            cavity,
            f"{_who(cavity)} is {width:.1f} mm wide; a cable of {cavity.cable_mm:g} mm wants "
            f"{cavity.cable_mm + rules.cable_clear_mm:g} mm.",
            "Make it wider (width_mm).",
            value=width,
            limit=cavity.cable_mm + rules.cable_clear_mm,
        )
    if cavity.length_mm <= 0:
        return
    room = cavity.region.area * max(room_height_mm(panel, cavity.skin_mm), 0.0)
    share = cable_volume_mm3(cavity.cable_mm, cavity.length_mm) / max(room, 1e-9)
    if share > rules.coil_share + 1e-9:
        yield _fail(
            "cavity-too-small",
            cavity,
            f"{cavity.length_mm / 1000:.2f} m of cable fill {share:.0%} of {_who(cavity)}, which "
            f"holds {room / 1000:.0f} cm3; more than {rules.coil_share:.0%} does not go in by "
            "hand.",
            "Make the room larger, or leave part of the cable outside.",
            value=share,
            limit=rules.coil_share,
            unit="",
        )


def _in_front(panel: Panel, cavity: BackCavity, rules: Rules) -> Iterator[Check]:
    """Nothing is cut in front of a room, nor near it."""
    things: list[tuple[str, BaseGeometry]] = [
        (f"{p.number} ({p.name})", opening(p))
        for p in panel.pockets
        if p.pocket_id != cavity.pocket_id
    ]
    things += [(f"{i.inlay_id} ({i.name})", i.region) for i in panel.inlays]
    things += [(f"the cut-out '{k.name}'", k.region) for k in panel.keep_outs]
    for name, shape in things:
        yield from _near(cavity, cavity.whole, name, shape, rules)
    own = next((p for p in panel.pockets if p.pocket_id == cavity.pocket_id), None)
    if own is not None:
        yield from _near(cavity, cavity.region, f"{own.number} ({own.name})", opening(own), rules)
    for mount in panel.mounts:
        if mount.opening is not None and mount.mount_id != cavity.pocket_id:
            name = f"{mount.mount_id} ({mount.name})"
            yield from _near(cavity, cavity.region, name, mount.opening, rules)
    for other in panel.back_cavities:
        if other.cavity_id > cavity.cavity_id:
            yield from _near(cavity, cavity.whole, _who(other), other.whole, rules)
    inside = panel.shape.contains(cavity.region)
    rim = float(panel.shape.exterior.distance(cavity.region)) if inside else 0.0
    if rim < rules.web_least_mm - _RUN_IN_MM:
        yield _fail(
            "cavity-off-panel",
            cavity,
            f"{_who(cavity)} comes within {rim:.1f} mm of the panel's edge; "
            f"{rules.web_least_mm:g} mm are the least.",
            "Move it inward; only its exit may reach the edge.",
            value=rim,
            limit=rules.web_least_mm,
        )


def _near(
    cavity: BackCavity, room: BaseGeometry, name: str, shape: BaseGeometry, rules: Rules
) -> Iterator[Check]:
    distance = float(room.distance(shape))
    if distance >= rules.web_least_mm - _EPS_MM:
        return
    yield _fail(
        "cavity-under-pocket",
        cavity,
        f"{_who(cavity)} runs under {name}."
        if distance == 0
        else f"Only {distance:.1f} mm of foam stands between {_who(cavity)} and {name}; "
        f"{rules.web_least_mm:g} mm are the least.",
        "Move or turn the room, or the other.",
        value=distance,
        limit=rules.web_least_mm,
        where=shapely.shortest_line(room, shape).centroid.buffer(0.01),
    )


def _exit(panel: Panel, cavity: BackCavity, rules: Rules) -> Iterator[Check]:
    if cavity.exit is None:
        yield _fail(
            "cavity-no-exit",
            cavity,
            f"{_who(cavity)} has no exit: the cable cannot leave it.",
            "Name its pocket (pocket_id), or a point where it leaves (exit_mm).",
            severity=Severity.WARN,
        )
        return
    pocket = next((p for p in panel.pockets if p.pocket_id == cavity.pocket_id), None)
    wanted = cavity.cable_mm + rules.cable_clear_mm
    if pocket is not None:
        deep = panel.face_mm if pocket.through else min(pocket.cut_depth_mm, panel.face_mm)
        open_mm = deep - cavity.skin_mm
        if open_mm < wanted - _EPS_MM:
            yield _fail(
                "cavity-exit-closed",
                cavity,
                f"{_who(cavity)} opens into {pocket.number} ({pocket.name}) by "
                f"{max(open_mm, 0):.1f} mm of height; the cable wants {wanted:g} mm.",
                "Make the pocket deeper, or the skin thinner.",
                value=open_mm,
                limit=wanted,
                where=cavity.exit,
            )
    elif not _leaves(panel, cavity):
        yield _fail(
            "cavity-exit-closed",
            cavity,
            f"The exit of {_who(cavity)} ends in the foam: neither in an opening nor at the "
            "panel's edge.",
            "Type exit_mm as a point on the edge or in an opening.",
            where=cavity.exit,
        )


def _leaves(panel: Panel, cavity: BackCavity) -> bool:
    assert cavity.exit is not None
    if not panel.shape.buffer(-0.01).contains(cavity.exit):
        return True
    holes: list[BaseGeometry] = [m.opening for m in panel.mounts if m.opening is not None]
    holes += [k.region for k in panel.keep_outs if k.hole]
    holes += [p.region for p in panel.pockets if p.through]
    return any(h.intersects(cavity.exit) for h in holes) or any(
        Point(q).distance(panel.shape.exterior) < 0.5 for q in shapely.get_coordinates(cavity.exit)
    )
