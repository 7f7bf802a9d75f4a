"""Checks of emblems, mounts, ledges and the rest rail: room, strokes, board, weight, cautions."""

from __future__ import annotations

import math
from collections.abc import Iterator

import shapely
from shapely.geometry import Point, Polygon
from shapely.geometry.base import BaseGeometry

from tracer.geometry.offset import opened, thin_gaps
from tracer.geometry.rings import polygons_in
from tracer.model.fittings import Inlay, Mount
from tracer.model.panel import Panel, PlyRole
from tracer.model.report import Check, Severity
from tracer.panel.checks.cavities import check_cavities
from tracer.panel.checks.contrast import contrast
from tracer.panel.checks.ledges import check_ledges
from tracer.panel.fittings.openings import opening
from tracer.panel.fittings.rail import HEAVIEST_KG, known_load_kg
from tracer.panel.rules import Rules

__all__ = ["check_additions"]

_EPS_MM = 1e-6
#: an inlay nearer to flush than this is flush to the finger (common practice, no source)
_FLUSH_MM = 0.5
#: a stroke is longer than this many times the width that it lacks; corners are not
_LONG = 1.5


def check_additions(panel: Panel, rules: Rules) -> Iterator[Check]:
    """All checks of what a panel has beside pockets."""
    yield from _room(panel, rules)
    for inlay in panel.inlays:
        yield from _strokes(inlay, rules)
        yield from _inlay(panel, inlay, rules)
    for mount in panel.mounts:
        yield from _mount(panel, mount, rules)
    yield from check_cavities(panel, rules)
    yield from check_ledges(panel, rules)
    yield from _rail(panel)


def _middle(shape: BaseGeometry) -> tuple[float, float]:
    at = shape.representative_point()
    return float(at.x), float(at.y)


def _face_things(panel: Panel) -> list[tuple[str, str, BaseGeometry]]:
    """What is cut into the face beside pockets: id, name, area."""
    found: list[tuple[str, str, BaseGeometry]] = [
        (i.inlay_id, i.name, i.region) for i in panel.inlays
    ]
    found += [(m.mount_id, m.name, m.opening) for m in panel.mounts if m.opening is not None]
    return found


def _room(panel: Panel, rules: Rules) -> Iterator[Check]:
    """Foam between emblems and mounts, pockets, cut-outs and the panel's rim."""
    things = _face_things(panel)
    others = [(str(p.number), p.name, opening(p)) for p in panel.pockets]
    others += [("keep-out", k.name, k.region) for k in panel.keep_outs]
    mounts = {m.mount_id for m in panel.mounts}
    for n, (one, name, shape) in enumerate(things):
        rim = float(panel.shape.exterior.distance(shape)) if panel.shape.contains(shape) else 0.0
        if rim < rules.web_least_mm - _EPS_MM:
            yield Check(
                slug="fitting-off-panel",
                severity=Severity.FAIL,
                sentence=f"{one} ({name}) leaves {rim:.1f} mm of foam to the edge of the panel; "
                f"{rules.web_least_mm:g} mm are the least.",
                remedy="Move it inward, or make it smaller.",
                subject_id=one,
                value=round(rim, 2),
                limit=rules.web_least_mm,
                unit="mm",
                where_mm=_middle(shape),
            )
        for other, other_name, there in [*others, *things[:n]]:
            if one in mounts and other in mounts:
                continue  # mounts share their air; bodies have a check of their own
            yield from _pair(f"{one} ({name})", one, shape, f"{other} ({other_name})", there, rules)


def _pair(
    who: str, one: str, shape: BaseGeometry, other: str, there: BaseGeometry, rules: Rules
) -> Iterator[Check]:
    distance = float(shape.distance(there))
    if distance >= rules.web_least_mm - _EPS_MM:
        return
    at = shapely.shortest_line(shape, there).centroid
    yield Check(
        slug="fitting-too-near",
        severity=Severity.FAIL,
        sentence=f"{who} and {other} run into each other."
        if distance == 0
        else f"Only {distance:.1f} mm of foam stands between {who} and {other}; "
        f"{rules.web_least_mm:g} mm are the least.",
        remedy="Move one of them.",
        subject_id=one,
        value=round(distance, 2),
        limit=rules.web_least_mm,
        unit="mm",
        where_mm=(float(at.x), float(at.y)),
    )


# -- emblems ------------------------------------------------------------------------------------


def _slim(region: BaseGeometry, width_mm: float) -> list[tuple[float, Polygon]]:
    """Strokes narrower than a width, with how wide they are.

    What an opening by half the width takes away is a stroke where it is longer than wide, or where
    a piece falls apart without it; the rest are corners.
    """
    kept = opened(region, width_mm / 2).buffer(0.01)
    apart = len(polygons_in(kept)) > len(polygons_in(region))
    found = []
    for part in polygons_in(region.difference(kept)):
        x, y = shapely.get_coordinates(part.minimum_rotated_rectangle)[:3].T
        sides = sorted(math.hypot(x[k + 1] - x[k], y[k + 1] - y[k]) for k in range(2))
        joins = sum(part.distance(p) < 0.02 for p in polygons_in(kept)) > 1
        if sides[1] > _LONG * width_mm or (apart and joins):
            across = 2 * float(shapely.maximum_inscribed_circle(part, tolerance=0.02).length)
            found.append((across, part))
    return found


def _strokes(inlay: Inlay, rules: Rules) -> Iterator[Check]:
    """Strokes of the emblem, and foam between them, thin enough to tear."""
    slim = _slim(inlay.region, rules.feature_mm)
    if slim:
        across, part = min(slim, key=lambda s: s[0])
        yield Check(
            slug="emblem-stroke-thin",
            severity=Severity.WARN,
            sentence=f"{inlay.inlay_id} ({inlay.name}) has strokes about {across:.1f} mm wide; "
            f"foam narrower than {rules.feature_mm:g} mm tears when it is pressed in.",
            remedy="Make the emblem larger or bolder.",
            subject_id=inlay.inlay_id,
            value=round(across, 2),
            limit=rules.feature_mm,
            unit="mm",
            where_mm=_middle(part),
        )
    gaps = thin_gaps(inlay.region, rules.feature_mm)
    if gaps:
        widths = [
            2 * float(shapely.maximum_inscribed_circle(g, tolerance=0.02).length) for g in gaps
        ]
        worst = min(range(len(gaps)), key=widths.__getitem__)
        yield Check(
            slug="emblem-web-thin",
            severity=Severity.WARN,
            sentence=f"Between strokes of {inlay.inlay_id} ({inlay.name}) stand {widths[worst]:.1f}"
            f" mm of face foam; less than {rules.feature_mm:g} mm tears.",
            remedy="Make the emblem larger, or set its letters wider.",
            subject_id=inlay.inlay_id,
            value=round(widths[worst], 2),
            limit=rules.feature_mm,
            unit="mm",
            where_mm=_middle(gaps[worst]),
        )


def _inlay(panel: Panel, inlay: Inlay, rules: Rules) -> Iterator[Check]:
    who, at = f"{inlay.inlay_id} ({inlay.name})", _middle(inlay.region)
    stands = inlay.stock.thickness_mm - inlay.depth_mm
    if abs(stands) > _FLUSH_MM:
        yield Check(
            slug="inlay-not-flush",
            severity=Severity.WARN,
            sentence=f"The inlay of {who} {'stands out of' if stands > 0 else 'lies below'} the "
            f"face by {abs(stands):.1f} mm: its sheet is {inlay.stock.thickness_mm:g} mm thick and "
            f"its hole {inlay.depth_mm:g} mm deep.",
            remedy="Cut it from a sheet as thick as the hole is deep, or pack it up from below.",
            subject_id=inlay.inlay_id,
            value=round(stands, 2),
            limit=_FLUSH_MM,
            unit="mm",
            where_mm=at,
        )
    left = panel.face_mm - inlay.depth_mm
    behind = panel.thickness_mm(PlyRole.BASE, PlyRole.BACKING)
    if (not inlay.through and left < rules.floor_mm - _EPS_MM) or (inlay.through and behind == 0):
        yield Check(
            slug="emblem-floor-thin",
            severity=Severity.FAIL,
            sentence=f"{who} goes through the face and nothing lies behind it."
            if inlay.through
            else f"{who} leaves {max(left, 0):.1f} mm of face under it; {rules.floor_mm:g} mm are "
            "needed.",
            remedy="Take a thinner sheet for it, or one as thick as the face with a base behind.",
            subject_id=inlay.inlay_id,
            value=round(left, 2),
            limit=rules.floor_mm,
            unit="mm",
            where_mm=at,
        )
    face = next(p.stock for p in panel.plies if p.role is PlyRole.FACE)
    seen = contrast(face.rgb, inlay.stock.rgb)
    if seen.ratio < rules.contrast_ratio:
        yield Check(
            slug="emblem-contrast-low",
            severity=Severity.NOTE,
            sentence=f"{who}: {inlay.stock.colour} on {face.colour} has a contrast of "
            f"{seen.ratio:.1f} : 1; {rules.contrast_ratio:g} : 1 are wanted.",
            remedy="Take a lighter sheet for it.",
            subject_id=inlay.inlay_id,
            value=round(seen.ratio, 2),
            limit=rules.contrast_ratio,
            where_mm=at,
        )
    if inlay.loose:
        yield Check(
            slug="emblem-loose-pieces",
            severity=Severity.NOTE,
            sentence=f"{who}: {len(inlay.loose)} "
            f"{'piece' if len(inlay.loose) == 1 else 'pieces'} of face foam inside it come loose "
            "and are glued back.",
            remedy='Keep them by their numbers, or type islands = "bridged" or "filled".',
            subject_id=inlay.inlay_id,
            where_mm=at,
        )


# -- mounts -------------------------------------------------------------------------------------


def _mount(panel: Panel, mount: Mount, rules: Rules) -> Iterator[Check]:
    who = f"{mount.mount_id} ({mount.name})"
    first = mount.holes[0]
    at = (first.x_mm, first.y_mm)
    if panel.thickness_mm(PlyRole.BACKING) == 0:
        yield Check(
            slug="mount-without-board",
            severity=Severity.WARN,
            sentence=f"{who} is screwed on, and the panel has no backing board: foam holds no "
            "screw.",
            remedy="Add a layer with the role backing, or fix it to the wall behind.",
            subject_id=mount.mount_id,
            where_mm=at,
        )
    reach = mount.body if mount.body is not None else panel.shape
    beyond = [h for h in mount.holes if not reach.buffer(_EPS_MM).covers(Point(h.x_mm, h.y_mm))]
    if beyond:
        yield Check(
            slug="mount-hole-outside",
            severity=Severity.WARN,
            sentence=f"{who}: {len(beyond)} of its {len(mount.holes)} holes lie outside "
            f"{'its own outline' if mount.body is not None else 'the panel'}, the first at "
            f"({beyond[0].x_mm:.1f}, {beyond[0].y_mm:.1f}).",
            remedy="Check places, size and turn of the pattern.",
            subject_id=mount.mount_id,
            where_mm=(beyond[0].x_mm, beyond[0].y_mm),
        )
    for other in panel.mounts:
        if other is mount or mount.body is None or other.body is None:
            continue
        air = max(mount.air_mm, other.air_mm)
        distance = float(mount.body.distance(other.body))
        if other.mount_id > mount.mount_id and (distance < air - _EPS_MM or distance == 0):
            yield Check(
                slug="mount-too-near",
                severity=Severity.FAIL,
                sentence=f"{who} and {other.mount_id} ({other.name}) are {distance:.1f} mm apart; "
                f"{air:g} mm of free air are wanted."
                if distance > 0
                else f"{who} and {other.mount_id} ({other.name}) overlap.",
                remedy="Raise their pitch, or move one of them.",
                subject_id=mount.mount_id,
                value=round(distance, 2),
                limit=air,
                unit="mm",
                where_mm=at,
            )
    if mount.powered:
        yield from _powered(mount, who, at, rules)


def _powered(mount: Mount, who: str, at: tuple[float, float], rules: Rules) -> Iterator[Check]:
    if mount.air_mm < rules.air_mm - _EPS_MM:
        yield Check(
            slug="mount-air-short",
            severity=Severity.WARN,
            sentence=f"{who} has {mount.air_mm:g} mm of free air round it; {rules.air_mm:g} mm are "
            "usual where its maker does not say.",
            remedy="Type the air_mm that its data sheet asks for.",
            subject_id=mount.mount_id,
            value=mount.air_mm,
            limit=rules.air_mm,
            unit="mm",
            where_mm=at,
        )
    yield Check(
        slug="charger-caution",
        severity=Severity.NOTE,
        sentence=f"{who} works on mains or charges batteries: foam burns, and it may heat what "
        "lies against it.",
        remedy="Bare, non-combustible plate behind it, its vents free, the air gap and the "
        "temperatures of its maker's data sheet; nothing charges unattended; mains work by "
        "whoever local rules allow.",
        subject_id=mount.mount_id,
        where_mm=at,
    )


# -- rail ---------------------------------------------------------------------------------------


def _rail(panel: Panel) -> Iterator[Check]:
    rail = panel.rail
    if rail is None:
        return
    load, known = known_load_kg(panel)
    if not known:
        yield Check(
            slug="rail-load-unknown",
            severity=Severity.WARN,
            sentence=f"The rest rail carries {load:.1f} kg and what has no weight in the plan: its "
            "screws are spaced for what is known.",
            remedy="Type mass_kg of the tools and density_kg_m3 of the sheets.",
            value=round(load, 2),
            unit="kg",
        )
    if load > HEAVIEST_KG:
        yield Check(
            slug="rail-load-heavy",
            severity=Severity.FAIL,
            sentence=f"{load:.0f} kg are too much for a rest rail by a rule of thumb.",
            remedy="Have the fixing designed for this wall and this load.",
            value=round(load, 1),
            limit=HEAVIEST_KG,
            unit="kg",
        )
    thick = panel.thickness_mm()
    if rail.thickness_mm < thick / 2:
        yield Check(
            slug="rail-thin",
            severity=Severity.WARN,
            sentence=f"The rest rail stands {rail.thickness_mm:g} mm out of the wall, and the "
            f"panel is {thick:g} mm thick: less than half of it rests on the rail.",
            remedy="Take a thicker rail, so that the board rests on it and not the foam.",
            value=rail.thickness_mm,
            limit=thick / 2,
            unit="mm",
        )
