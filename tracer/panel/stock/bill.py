"""Sheets to buy, weight, cost, consumables; cautions of the work."""

from __future__ import annotations

from collections.abc import Sequence

from shapely.geometry import Polygon

from tracer.model.bill import BillLine
from tracer.model.machine import Machine
from tracer.model.panel import BayKind, Panel, Slab
from tracer.model.stack import Stock
from tracer.panel.rules import Rules
from tracer.panel.stock.inlays import inlay_pieces
from tracer.panel.stock.nest import nest

__all__ = ["bill_of_sheets", "cautions", "consumables"]


def bill_of_sheets(panel: Panel, rules: Rules) -> tuple[BillLine, ...]:
    """Sheets by stock; tiles and inserts small enough share a sheet."""
    wanted: dict[Stock, list[Polygon]] = {}
    purpose: dict[Stock, list[str]] = {}
    thickness: dict[Stock, float] = {}
    for slab in panel.slabs:
        stock = slab.plies[0].stock
        wanted.setdefault(stock, []).extend(t.region for t in panel.tiles if t.slab == slab.index)
        purpose.setdefault(stock, []).append(_name(slab))
        thickness[stock] = slab.thickness_mm
    for pocket in panel.pockets:
        if pocket.floor_insert is not None:
            stock = pocket.floor_insert.stock
            wanted.setdefault(stock, []).append(pocket.floor_insert.region)
            if "floor inserts" not in purpose.setdefault(stock, []):
                purpose[stock].append("floor inserts")
            thickness.setdefault(stock, stock.thickness_mm)
    for inlay in panel.inlays:
        wanted.setdefault(inlay.stock, []).extend(inlay_pieces(inlay))
        if "inlays" not in purpose.setdefault(inlay.stock, []):
            purpose[inlay.stock].append("inlays")
        thickness.setdefault(inlay.stock, inlay.stock.thickness_mm)
    lines = []
    for stock, pieces in wanted.items():
        places, whole = nest(
            pieces, stock.size_mm, gap_mm=rules.nest_gap_mm, rim_mm=0.0, grain=stock.grain
        )
        sheets = max((p.sheet for p in places), default=0) + len(whole)
        area = sum(p.area for p in pieces) / 1e6
        density = stock.density_kg_m3
        mass = None if density is None else area * thickness[stock] / 1000 * density
        price = None if stock.price is None else stock.price * sheets
        lines.append(BillLine(stock, ", ".join(purpose[stock]), sheets, mass, price))
    return tuple(lines)


def _name(slab: Slab) -> str:
    return " and ".join(dict.fromkeys(p.role.value for p in slab.plies))


def consumables(panel: Panel) -> tuple[str, ...]:
    """What else is needed, from the panel itself."""
    area = panel.shape.area / 1e6
    glued = max(len(panel.slabs) - 1, 0)
    polyethylene = any(p.stock.material == "pe" for p in panel.plies)
    found = []
    if glued:
        why = (
            ": polyethylene has a low surface energy, needs an abraded skin and an adhesive made "
            "for it"
            if polyethylene
            else ""
        )
        found.append(
            f"Adhesive for {glued} joint{'s' if glued > 1 else ''} of {area:.2f} m2, as the "
            f"foam's maker advises{why}. Make a trial piece first."
        )
    if panel.fixings:
        found.append(f"{len(panel.fixings)} screws with washers for the backing board.")
    if panel.mounts:
        many = sum(len(m.holes) for m in panel.mounts)
        found.append(f"{many} screws for the mounts, by their holes and the board's thickness.")
    if panel.rail is not None:
        found.append(
            f"Rest rail {panel.rail.length_mm:.0f} x {panel.rail.height_mm:g} x "
            f"{panel.rail.thickness_mm:g} mm, {len(panel.rail.holes)} screws and plugs for this "
            "wall."
        )
    if any(p.label for p in panel.pockets):
        found.append(
            "Labels or an engraved strip: ordinary stickers hold badly on "
            f"{'polyethylene' if polyethylene else 'foam'}."
        )
    return tuple(found)


def cautions(panel: Panel, machine: Machine, material: Sequence[str]) -> tuple[str, ...]:
    """Cautions that apply to this panel on this machine, the machine's own first."""
    found = list(material)
    if len(panel.slabs) > 1:
        found.append(
            "Spray glue: ventilate, no flame, spark or charger near, gloves, and the safety data "
            "sheet first. Mask pockets and base: overspray shows for ever."
        )
    found.append(
        "Blades: fresh blade, cut away from body and holding hand, cut-resistant glove on that "
        "hand (it does not stop a stab), blade closed or in its tin when put down."
    )
    if panel.bay.kind is BayKind.WALL:
        found.append(
            "Fixing sizes and places are a sketch: use the anchor maker's data for the real wall, "
            "local building rules, and a competent or licensed person where required. Hollow "
            "plasterboard alone is not a support. Check for cables and pipes before drilling."
        )
        found.append("Nothing heavy over heads: hang heavy tools between hip and shoulder.")
    powered = any(p.kind == "powered" for p in panel.pockets)
    if powered or any(m.powered for m in panel.mounts):
        found.append(
            "Batteries and chargers: never charge in a foam pocket, on or under soft things, or "
            "in a closed drawer; charge on a hard bare non-combustible plate with the maker's air "
            "gap; store batteries off the charger, terminals covered. Polyethylene foam burns."
        )
    if panel.back_cavities:
        found.append(
            "Leads behind the foam: no mains lead coiled under load, trapped or stapled, no joints "
            "inside the foam, strain relief at the exit; local electrical rules count."
        )
    found.append(f"Machine: {machine.title}. Its maker's manual and local rules come first.")
    return tuple(dict.fromkeys(found))
