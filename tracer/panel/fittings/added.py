"""What is added to placed pockets: wells, finger notches, labels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.errors import TracerError
from tracer.model.panel import Notch, Panel, PanelPocket, Placement
from tracer.model.panel_plan import PanelPlan
from tracer.panel.fittings.labels import label_box, place_label
from tracer.panel.fittings.notches import needs_notch, notch_at, propose_notch, shared_slot
from tracer.panel.fittings.openings import Near, beside_pockets, opening
from tracer.panel.fittings.steps import with_steps
from tracer.panel.fittings.wells import in_panel, make_well
from tracer.panel.rules import Rules

__all__ = ["add_labels", "add_notches", "add_steps", "add_wells", "notch_depth_mm"]

Lies = Mapping[str, tuple[Placement, Polygon]]

#: letters keep this far from the panel's rim
_LABEL_RIM_MM = 5.0


def add_steps(panel: Panel, lies: Lies, plan: PanelPlan) -> tuple[PanelPocket, ...]:
    """Pockets with raised floors under the thin parts typed for their tools.

    Raises
    ------
    TracerError
        ``step-outside``, ``step-too-high``.
    """
    return tuple(
        with_steps(p, plan.tool(p.pocket_id).steps, *lies[p.pocket_id])
        if p.pocket_id in lies and plan.tool(p.pocket_id).steps
        else p
        for p in panel.pockets
    )


def add_wells(panel: Panel, lies: Lies, plan: PanelPlan, rules: Rules) -> tuple[PanelPocket, ...]:
    """Pockets with the wells that were typed for them; those not in ``lies`` as they are."""
    out = []
    for pocket in panel.pockets:
        for wanted in plan.tool(pocket.pocket_id).wells if pocket.pocket_id in lies else ():
            lie, outline = lies[pocket.pocket_id]
            well, region = make_well(
                wanted,
                lie=lie,
                placement=pocket.placement,
                outline=outline,
                region=pocket.region,
                depth_mm=pocket.depth_mm,
                rules=rules,
            )
            pocket = replace(pocket, region=region, wells=(*pocket.wells, well))
        out.append(pocket)
    return tuple(out)


def notch_depth_mm(pocket: PanelPocket, face_mm: float, rules: Rules) -> float:
    """To the tool's underside, but leaving a skin over the base so that the shape stays clear."""
    return min(pocket.depth_mm, max(face_mm - rules.floor_mm, pocket.depth_mm / 2))


def add_notches(panel: Panel, lies: Lies, plan: PanelPlan, rules: Rules) -> tuple[PanelPocket, ...]:
    """Pockets with finger notches: shared slots, typed places, then proposals.

    Pockets not in ``lies`` keep the notches they have.
    """
    pockets = {p.pocket_id: p for p in panel.pockets}
    slotted = _slots(panel, plan, rules)
    for first, notch in slotted.items():
        pockets[first] = replace(pockets[first], notches=(notch,))
    served = {i for first, notch in slotted.items() for i in (first, *notch.shared_with)}
    own = {i: opening(p) for i, p in pockets.items()}
    near = Near([*own.values(), *beside_pockets(panel)])
    room = panel.shape.buffer(-rules.web_least_mm)
    for pocket_id, pocket in pockets.items():
        typed = plan.tool(pocket_id)
        if pocket_id in served or pocket_id not in lies or typed.notch is False:
            continue
        depth = notch_depth_mm(pocket, panel.face_mm, rules)
        notches: tuple[Notch, ...] = ()
        if typed.notches:
            lie, outline = lies[pocket_id]
            notches = tuple(
                notch_at(
                    pocket.region,
                    in_panel(n.x_mm, n.y_mm, lie, outline, pocket.placement),
                    both=n.both,
                    depth_mm=depth,
                    hand=plan.hand,
                    rules=rules,
                )
                for n in typed.notches
            )
        elif typed.notch or needs_notch(pocket.height_mm, pocket.depth_mm, rules):
            reach = 2 * rules.finger_mm + rules.web_mm
            others = near.within(
                pocket.region, reach + rules.notch_mm(plan.hand), but=(own[pocket_id],)
            )
            found = propose_notch(
                pocket.region,
                depth_mm=depth,
                kind=panel.bay.kind,
                neighbours=others,
                room=room,
                hand=plan.hand,
                rules=rules,
            )
            notches = (found,) if found else ()
        for notch in notches:
            near.add(notch.region)
        pockets[pocket_id] = replace(pocket, notches=notches)
    return tuple(pockets.values())


def _slots(panel: Panel, plan: PanelPlan, rules: Rules) -> dict[str, Notch]:
    known = {p.pocket_id: p for p in panel.pockets}
    out = {}
    for slot in plan.slots:
        missing = [i for i in slot.pocket_ids if i not in known]
        if missing or len(slot.pocket_ids) < 2:
            raise TracerError(
                "panel-unknown-tool",
                f"A finger slot names {missing[0] if missing else 'fewer than two tools'}"
                f"{', which the panel does not have' if missing else ''}.",
                "Name two or more tools that lie side by side.",
            )
        members = [known[i] for i in slot.pocket_ids]
        depth = min(notch_depth_mm(p, panel.face_mm, rules) for p in members)
        regions = [p.region for p in members]
        out[members[0].pocket_id] = shared_slot(regions, slot.pocket_ids, depth, plan.hand, rules)
    return out


def add_labels(panel: Panel, plan: PanelPlan, rules: Rules) -> tuple[PanelPocket, ...]:
    """Pockets with labels where there is room."""
    shapes: dict[str, BaseGeometry] = {p.pocket_id: opening(p) for p in panel.pockets}
    near = Near([*shapes.values(), *beside_pockets(panel)])
    room = panel.shape.buffer(-_LABEL_RIM_MM)
    shapely.prepare(room)
    out = []
    for pocket in panel.pockets:
        text = plan.tool(pocket.pocket_id).label
        shape = shapes[pocket.pocket_id]
        name = pocket.name if text is None else text
        taken = shapely.union_all(near.within(shape, 60.0 + 10 * rules.cap_height_mm))
        label = place_label(pocket.number, name, shape, taken=taken, room=room, rules=rules)
        if label is not None:
            near.add(label_box(label))
        out.append(replace(pocket, label=label))
    return tuple(out)
