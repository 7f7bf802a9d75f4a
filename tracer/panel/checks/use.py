"""Checks of use: does a tool stay in, can it be taken out, does the drawer close, is an empty
place seen, and is what was traced still what is cut.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from tracer.model.outline import HeightSource
from tracer.model.panel import BayKind, Panel, PanelPocket, PlyRole
from tracer.model.panel_plan import PanelPlan
from tracer.model.report import Check, Severity
from tracer.panel.checks.contrast import contrast
from tracer.panel.checks.poses import check_poses
from tracer.panel.fittings.notches import needs_notch
from tracer.panel.fittings.openings import parts
from tracer.panel.layout.places import Tool
from tracer.panel.pocket.depth import closing_air_mm, least_clear_depth_mm, retention
from tracer.panel.rules import Rules

__all__ = ["check_use"]

#: what is drawn or typed is not asked how it was traced
_TRACED = "tool"


def check_use(
    panel: Panel, plan: PanelPlan, tools: Sequence[Tool], rules: Rules
) -> Iterator[Check]:
    """All checks that look at depth, hands, gravity and sight."""
    sources = {t.pocket_id: t for t in tools}
    yield from _contrast(panel, rules)
    if tools:
        yield from _partners(panel, plan, sources)
        yield from check_poses(panel.pockets, plan, sources)
    for pocket in panel.pockets:
        yield from _floor(panel, pocket, rules)
        yield from _closing(panel, pocket, rules)
        yield from _retention(panel, pocket, rules)
        yield from _fingers(panel, plan, pocket, rules)
        yield from _reach(panel, plan, pocket, rules)
        tool = sources.get(pocket.pocket_id)
        if tool is not None:
            yield from _source(pocket, tool)


def _who(pocket: PanelPocket) -> str:
    return f"{pocket.number} ({pocket.name})"


def _middle(pocket: PanelPocket) -> tuple[float, float]:
    point = pocket.region.representative_point()
    return float(point.x), float(point.y)


def _partners(panel: Panel, plan: PanelPlan, sources: dict[str, Tool]) -> Iterator[Check]:
    """Tools without a pocket, and pockets without a tool: the job has moved on."""
    known = {p.pocket_id for p in panel.pockets}
    for pocket_id, tool in sources.items():
        if pocket_id not in known and not plan.tool(pocket_id).skip:
            yield Check(
                slug="tool-without-pocket",
                severity=Severity.WARN,
                sentence=f"{pocket_id} ({tool.outline.name}) has no pocket: it came after the "
                "panel was arranged.",
                remedy="Arrange the panel again, or skip the tool in the plan.",
                subject_id=pocket_id,
            )
    for pocket in panel.pockets:
        if pocket.pocket_id not in sources:
            yield Check(
                slug="pocket-without-tool",
                severity=Severity.FAIL,
                sentence=f"{_who(pocket)} is a pocket for a tool that the job no longer has.",
                remedy="Arrange the panel again.",
                subject_id=pocket.pocket_id,
                where_mm=_middle(pocket),
            )


def _contrast(panel: Panel, rules: Rules) -> Iterator[Check]:
    face = next(p.stock for p in panel.plies if p.role is PlyRole.FACE)
    stocks = [p.stock for p in panel.plies if p.role is PlyRole.BASE]
    stocks += [p.floor_insert.stock for p in panel.pockets if p.floor_insert]
    grounds = dict.fromkeys((stock.colour, stock.rgb) for stock in stocks)
    if not grounds:
        yield Check(
            slug="contrast-none",
            severity=Severity.WARN,
            sentence="No layer of another colour lies behind the face: empty places are hard to "
            "see.",
            remedy="Add a base of a light colour.",
        )
    for colour, rgb in grounds:
        found = contrast(face.rgb, rgb)
        if found.lrv_points >= rules.lrv_points and found.ratio >= rules.contrast_ratio:
            continue
        poor = found.lrv_points < rules.lrv_points_bright or found.ratio < rules.contrast_ratio
        yield Check(
            slug="contrast-low",
            severity=Severity.WARN if poor else Severity.NOTE,
            sentence=f"{colour} behind {face.colour} differs by {found.lrv_points:.0f} points of "
            f"light reflectance (contrast {found.ratio:.1f} : 1); "
            f"{rules.lrv_points:g} points and {rules.contrast_ratio:g} : 1 are wanted.",
            remedy="Yellow, white or light orange show best under a dark face.",
            value=round(found.lrv_points, 1),
            limit=rules.lrv_points,
            unit="points",
        )
    for pocket in panel.pockets:
        if grounds and pocket.floor_insert is None and not panel.shows_base(pocket):
            yield Check(
                slug="floor-without-contrast",
                severity=Severity.NOTE,
                sentence=f"The floor of {_who(pocket)} has the colour of the face: an insert of "
                f"the contrast colour does not fit under it.",
                remedy="Name a thinner insert sheet, make the pocket shallower, or cut it through.",
                subject_id=pocket.pocket_id,
                where_mm=_middle(pocket),
            )


def _floor(panel: Panel, pocket: PanelPocket, rules: Rules) -> Iterator[Check]:
    foam = panel.thickness_mm(PlyRole.FACE, PlyRole.BASE)
    base = panel.thickness_mm(PlyRole.BASE)
    behind = panel.thickness_mm(PlyRole.BACKING)
    if pocket.through and base + behind == 0:
        yield Check(
            slug="floor-missing",
            severity=Severity.FAIL,
            sentence=f"{_who(pocket)} goes right through the panel: nothing lies behind it.",
            remedy="Add a base or a backing board.",
            subject_id=pocket.pocket_id,
            where_mm=_middle(pocket),
        )
    for _region, depth in parts(pocket):
        left = foam - depth
        cut_through_face = abs(depth - panel.face_mm) < 1e-6
        if cut_through_face or left >= rules.floor_mm - 1e-6:
            continue
        if abs(left) < 1e-6 and behind > 0:
            continue
        yield Check(
            slug="floor-thin",
            severity=Severity.FAIL,
            sentence=f"{_who(pocket)} leaves {max(left, 0):.1f} mm of foam under it; "
            f"{rules.floor_mm:g} mm are needed."
            if left > -1e-6
            else f"{_who(pocket)} is {-left:.1f} mm deeper than the foam is thick.",
            remedy="Make it shallower, or the panel thicker.",
            subject_id=pocket.pocket_id,
            value=round(left, 2),
            limit=rules.floor_mm,
            unit="mm",
            where_mm=_middle(pocket),
        )


def _closing(panel: Panel, pocket: PanelPocket, rules: Rules) -> Iterator[Check]:
    total = panel.thickness_mm()
    air = closing_air_mm(pocket, panel.bay, total)
    clear = panel.bay.clear_depth_mm
    if air is None or clear is None or air >= rules.closing_mm:
        return
    # right through to the base a tool stands as low as it can, however thick the face is
    needed = least_clear_depth_mm(
        pocket.height_mm, face_mm=panel.face_mm, stack_mm=total, rules=rules
    )
    if total + rules.closing_mm > clear and pocket.proud_mm <= 0:
        sentence = (
            f"The foam alone, {total:g} mm, does not fit the clear depth of {clear:g} mm with "
            f"{rules.closing_mm:g} mm of air."
        )
        remedy = f"Take thinner sheets, together no more than {clear - rules.closing_mm:g} mm."
    elif needed > clear:
        sentence = (
            f"The drawer is too shallow for {_who(pocket)}: {pocket.height_mm:g} mm high and right "
            f"on the base it needs a clear depth of {needed:g} mm, and {clear:g} mm are there."
        )
        remedy = (
            f"Choose a drawer of {math.ceil(needed)} mm; tools up to "
            f"{max(pocket.height_mm - (needed - clear), 0):g} mm high go into this one."
        )
    else:
        deep = math.ceil(total + pocket.height_mm + rules.closing_mm - clear - 1e-9)
        sentence = (
            f"{_who(pocket)} stands {-air:.1f} mm too high for the clear depth of {clear:g} mm."
            if air < 0
            else f"Only {air:.1f} mm of air is left over {_who(pocket)}; "
            f"{rules.closing_mm:g} mm are wanted."
        )
        remedy = f"Sink it {deep} mm deep; the face is {panel.face_mm:g} mm thick."
    yield Check(
        slug="does-not-close",
        severity=Severity.FAIL if air < 0 else Severity.WARN,
        sentence=sentence,
        remedy=remedy,
        subject_id=pocket.pocket_id,
        value=round(air, 2),
        limit=rules.closing_mm,
        unit="mm",
        where_mm=_middle(pocket),
    )


def _deeper(panel: Panel, least_mm: float) -> str:
    """What makes a pocket deep enough: its depth, or a thicker face, in whole millimetres."""
    deep = math.ceil(least_mm - 1e-9)
    if deep <= panel.face_mm:
        return f"Make the pocket {deep} mm deep."
    return f"It needs a face of {deep} mm of foam; this one is {panel.face_mm:g} mm thick."


def _retention(panel: Panel, pocket: PanelPocket, rules: Rules) -> Iterator[Check]:
    if pocket.height_mm <= 0:
        return
    share = pocket.depth_mm / pocket.height_mm
    if panel.bay.kind is BayKind.DRAWER:
        if share < rules.depth_share_least - 1e-6:
            yield Check(
                slug="pocket-shallow",
                severity=Severity.WARN,
                sentence=f"{_who(pocket)} is held over {share:.0%} of its height; "
                f"{rules.depth_share_least:.0%} are usual.",
                remedy=_deeper(panel, rules.depth_share_least * pocket.height_mm),
                subject_id=pocket.pocket_id,
                value=round(share, 3),
                limit=rules.depth_share_least,
                where_mm=_middle(pocket),
            )
        return
    held = retention(pocket)
    heavy = pocket.mass_kg is not None and pocket.mass_kg >= rules.heavy_kg
    if held.behind_mm < 0:
        yield Check(
            slug="falls-out",
            severity=Severity.FAIL,
            sentence=f"{_who(pocket)} would fall out: its centre of gravity lies "
            f"{-held.behind_mm:.1f} mm in front of the face.",
            remedy="Make the pocket deeper; a press fit alone is not enough over a walkway.",
            subject_id=pocket.pocket_id,
            value=round(held.behind_mm, 2),
            limit=0.0,
            unit="mm",
            where_mm=_middle(pocket),
        )
    elif held.lean_deg < rules.lean_deg:
        yield Check(
            slug="tips-easily",
            severity=Severity.FAIL if heavy else Severity.WARN,
            sentence=f"{_who(pocket)} tips out when the panel leans forward by "
            f"{held.lean_deg:.1f} degrees; {rules.lean_deg:g} are wanted.",
            remedy="Make the pocket deeper, or let it grip with a press fit.",
            subject_id=pocket.pocket_id,
            value=round(held.lean_deg, 2),
            limit=rules.lean_deg,
            unit="deg",
            where_mm=_middle(pocket),
        )
    if held.bearing_kpa is not None and held.bearing_kpa > rules.bearing_kpa:
        yield Check(
            slug="foam-overloaded",
            severity=Severity.WARN,
            sentence=f"{_who(pocket)} presses on the foam below it with {held.bearing_kpa:.0f} "
            f"kPa; more than {rules.bearing_kpa:g} kPa leaves a mark in time.",
            remedy="Let a wider part carry it, use denser foam, or add a rest.",
            subject_id=pocket.pocket_id,
            value=round(held.bearing_kpa, 1),
            limit=rules.bearing_kpa,
            unit="kPa",
            where_mm=_middle(pocket),
        )


def _stands(pocket: PanelPocket) -> str:
    if pocket.proud_mm < 0:
        return f"lies {-pocket.proud_mm:.1f} mm below the face"
    return f"stands {pocket.proud_mm:.1f} mm out of the face"


def _fingers(panel: Panel, plan: PanelPlan, pocket: PanelPocket, rules: Rules) -> Iterator[Check]:
    if pocket.notches or not needs_notch(pocket.height_mm, pocket.depth_mm, rules):
        return
    if any(pocket.pocket_id in n.shared_with for p in panel.pockets for n in p.notches):
        return
    unwanted = plan.tool(pocket.pocket_id).notch is False
    yield Check(
        slug="no-finger-access",
        severity=Severity.NOTE if unwanted else Severity.WARN,
        sentence=f"{_who(pocket)} {_stands(pocket)} and has no finger notch"
        + (", as asked." if unwanted else ": there is no sound foam for one beside it."),
        remedy="Leave more room beside the grip, or make the pocket shallower.",
        subject_id=pocket.pocket_id,
        value=round(pocket.proud_mm, 1),
        limit=rules.grip_mm,
        unit="mm",
        where_mm=_middle(pocket),
    )


def _reach(panel: Panel, plan: PanelPlan, pocket: PanelPocket, rules: Rules) -> Iterator[Check]:
    floor = panel.bay.above_floor_mm
    if panel.bay.kind is not BayKind.WALL or floor is None:
        return
    height = floor + float(pocket.outline.centroid.y)
    heavy = pocket.mass_kg is not None and pocket.mass_kg >= rules.heavy_kg
    daily = plan.tool(pocket.pocket_id).daily
    top = rules.reach_high_mm if heavy or daily else rules.reach_top_mm
    low = rules.reach_low_mm if heavy or daily else 0.0
    if low <= height <= top:
        return
    kind = "heavy" if heavy else "daily" if daily else "this"
    band = f"between {low:g} and {top:g} mm" if low else f"below {top:g} mm"
    overhead = heavy and height > rules.reach_high_mm
    yield Check(
        slug="out-of-reach",
        severity=Severity.FAIL if overhead and height > rules.reach_top_mm else Severity.WARN,
        sentence=f"{_who(pocket)} hangs {height:.0f} mm above the floor; {kind} tools belong "
        f"{band}.",
        remedy="Hang heavy and daily tools between hip and shoulder, light ones above."
        + (" Nothing heavy over heads." if overhead else ""),
        subject_id=pocket.pocket_id,
        value=round(height),
        limit=top if height > top else low,
        unit="mm",
        where_mm=_middle(pocket),
    )


def _source(pocket: PanelPocket, tool: Tool) -> Iterator[Check]:
    outline = tool.outline
    if pocket.kind == _TRACED and pocket.outline_revision != outline.revision:
        yield Check(
            slug="pocket-stale",
            severity=Severity.FAIL,
            sentence=f"{_who(pocket)} was made from revision {pocket.outline_revision} of its "
            f"outline, which is at revision {outline.revision} now.",
            remedy="Arrange the panel again.",
            subject_id=pocket.pocket_id,
            value=pocket.outline_revision,
            limit=outline.revision,
        )
    if outline.cut_by_frame:
        yield Check(
            slug="tool-incomplete",
            severity=Severity.FAIL,
            sentence=f"{_who(pocket)} was cut off by the edge of the photo.",
            remedy="Trace it again in full view, or leave it out.",
            subject_id=pocket.pocket_id,
        )
    if tool.kind == _TRACED and outline.height_source is HeightSource.ASSUMED:
        yield Check(
            slug="depth-without-height",
            severity=Severity.WARN,
            sentence=f"{_who(pocket)} has no height: its depth is a guess.",
            remedy="Type its height in tools.csv and trace again.",
            subject_id=pocket.pocket_id,
        )
    if pocket.wells and tool.tilt_deg is None and not tool.packed:
        yield Check(
            slug="tilt-unknown",
            severity=Severity.WARN,
            sentence=f"{_who(pocket)} has a well: on the table the part that it takes props the "
            f"tool up and tilts it, so the outline seen was another.",
            remedy="Photograph it packed level, and write so in tools.csv (packed, or tilt_deg).",
            subject_id=pocket.pocket_id,
        )
    if tool.kind == "powered":
        yield Check(
            slug="battery-caution",
            severity=Severity.NOTE,
            sentence=f"{_who(pocket)} is a charger or battery: never charge in a foam pocket or a "
            f"closed drawer, and keep foam off its vents.",
            remedy="Charge on a hard bare plate with the air gap its maker asks for; store "
            "batteries off the charger, terminals covered. Foam burns.",
            subject_id=pocket.pocket_id,
        )
