"""Emblems: one shape for the hole in the face and for the inlay that closes it.

The inlay is the hole's shape grown by the press allowance; both are cut from it, so that nothing
but that allowance lies between them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import shapely
from shapely import affinity
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from tracer.errors import TracerError, UsageError
from tracer.geometry.rings import polygons_in
from tracer.model.fitting_plans import EmblemPlan, Islands
from tracer.model.fittings import Drawn, Inlay
from tracer.model.panel import Panel, PlyRole
from tracer.model.panel_plan import PanelPlan
from tracer.model.report import Check, Severity
from tracer.model.stack import Stock
from tracer.panel.rules import Rules

__all__ = ["MadeEmblem", "make_emblem", "make_emblems", "with_bridges", "without_small_islands"]

_EPS_MM = 1e-6
#: points of a shape nearer to its line than this tell nothing
_FLAT_MM = 0.002
#: a bridge ends this far inside the foam on either side
_OVERLAP_MM = 0.05
#: cap height that letters are drawn at before they are scaled
_CAP_MM = 100.0


@dataclass(frozen=True, eq=False)
class MadeEmblem:
    """An emblem in its place, and what was decided on the way."""

    inlay: Inlay
    checks: tuple[Check, ...]


def make_emblems(
    panel: Panel, plan: PanelPlan, drawn: Drawn, rules: Rules
) -> tuple[tuple[Inlay, ...], tuple[Check, ...]]:
    """All emblems of a plan, numbered E1, E2 ...

    Raises
    ------
    TracerError
        As `make_emblem`.
    """
    made = [
        make_emblem(f"E{n}", emblem, drawn.emblems.get(n), panel, rules)
        for n, emblem in enumerate(plan.emblems, start=1)
    ]
    return tuple(m.inlay for m in made), tuple(c for m in made for c in m.checks)


def make_emblem(
    inlay_id: str, plan: EmblemPlan, shape: BaseGeometry | None, panel: Panel, rules: Rules
) -> MadeEmblem:
    """An emblem in its place.

    Raises
    ------
    TracerError
        ``emblem-source`` where its shape is not at hand, ``emblem-stock-missing``.
    """
    if shape is None or shape.is_empty:
        raise TracerError(
            "emblem-source",
            f"The emblem '{plan.name}' has no shape.",
            "Type a text for it, or name a drawing or an outline.",
        )
    stock = plan.stock or _stock(panel, plan)
    depth = stock.thickness_mm if plan.depth_mm is None else plan.depth_mm
    through = depth >= panel.face_mm - _EPS_MM
    depth = min(depth, panel.face_mm) if through else depth
    placed = _areas(_placed(shape, plan, panel))
    region, checks = without_small_islands(placed, inlay_id, plan.name, rules.island_mm)
    loose: tuple[Polygon, ...] = ()
    if through and plan.islands is Islands.BRIDGED:
        region = with_bridges(region, rules.bridge_mm)
    elif through and plan.islands is Islands.LOOSE:
        loose = tuple(orient(Polygon(ring)) for p in region for ring in p.interiors)
    elif plan.islands is Islands.FILLED:
        region = [Polygon(p.exterior) for p in region]
    press = float(rules.insert_press_mm if plan.press_mm is None else plan.press_mm)
    whole = MultiPolygon(region) if len(region) > 1 else region[0]
    inlay = Inlay(inlay_id, whole, stock, plan.name, depth, press, through, loose)
    return MadeEmblem(inlay, tuple(checks))


def _stock(panel: Panel, plan: EmblemPlan) -> Stock:
    base = [p.stock for p in panel.plies if p.role is PlyRole.BASE]
    found = panel.insert or (base[0] if base else None)
    if found is None:
        raise UsageError(
            "emblem-stock-missing",
            f"The emblem '{plan.name}' has no sheet to be cut from.",
            "Name one as its stock, or an [insert] sheet for the panel.",
        )
    return found


def _placed(shape: BaseGeometry, plan: EmblemPlan, panel: Panel) -> BaseGeometry:
    """The shape scaled, turned and set down, middle of its box on the place."""
    x0, y0, x1, y1 = shape.bounds
    shape = affinity.translate(shape, -(x0 + x1) / 2, -(y0 + y1) / 2)
    factor = _factor(plan, x1 - x0, y1 - y0)
    turned = affinity.rotate(affinity.scale(shape, factor, factor, origin=(0, 0)), plan.turn_deg)
    if factor == 1.0 and plan.within_mm is not None and not _sized(plan):
        a0, b0, a1, b1 = turned.bounds
        share = min(plan.within_mm[2] / (a1 - a0), plan.within_mm[3] / (b1 - b0))
        if share <= 0:
            raise UsageError(
                "emblem-source",
                f"The region that the emblem '{plan.name}' is fitted into has no size.",
                "within_mm is left, bottom, width and height.",
            )
        turned = affinity.scale(turned, share, share, origin=(0, 0))
    a0, b0, a1, b1 = turned.bounds
    x, y = _middle(plan, panel)
    return affinity.translate(turned, x - (a0 + a1) / 2, y - (b0 + b1) / 2)


def _sized(plan: EmblemPlan) -> bool:
    return plan.width_mm is not None or plan.height_mm is not None


def _factor(plan: EmblemPlan, width: float, height: float) -> float:
    if plan.text is not None and plan.height_mm is not None:
        return plan.height_mm / _CAP_MM
    shares = [
        wanted / size
        for wanted, size in ((plan.width_mm, width), (plan.height_mm, height))
        if wanted is not None
    ]
    return min(shares, default=1.0)


def _middle(plan: EmblemPlan, panel: Panel) -> tuple[float, float]:
    x0, y0, x1, y1 = panel.shape.bounds
    if plan.within_mm is not None:
        left, low, width, height = plan.within_mm
        x0, y0, x1, y1 = left, low, left + width, low + height
    x = (x0 + x1) / 2 if plan.x_mm is None else plan.x_mm
    y = (y0 + y1) / 2 if plan.y_mm is None else plan.y_mm
    return x, y


def _areas(shape: BaseGeometry) -> list[Polygon]:
    simple = shape.simplify(_FLAT_MM)
    parts = polygons_in(simple if simple.is_valid else shape)
    return [orient(p) for p in parts]


def _across(ring: Polygon) -> float:
    """Diameter of the largest disc in a region."""
    return 2 * float(shapely.maximum_inscribed_circle(ring, tolerance=0.05).length)


def without_small_islands(
    region: Sequence[Polygon], inlay_id: str, name: str, least_mm: float
) -> tuple[list[Polygon], list[Check]]:
    """Areas without the islands that are too small to be cut and to hold."""
    out, filled = [], []
    for area in region:
        kept = []
        for ring in area.interiors:
            across = _across(Polygon(ring))
            if across >= least_mm - _EPS_MM:
                kept.append(ring)
            else:
                filled.append(across)
        out.append(orient(Polygon(area.exterior, kept)))
    if not filled:
        return out, []
    check = Check(
        slug="emblem-island-filled",
        severity=Severity.NOTE,
        sentence=f"{inlay_id} ({name}): {len(filled)} "
        f"{'piece' if len(filled) == 1 else 'pieces'} of foam inside it, the least "
        f"{min(filled):.1f} mm across, would not hold and {'is' if len(filled) == 1 else 'are'} "
        f"left out; {least_mm:g} mm are the least.",
        remedy="Make the emblem larger to keep them.",
        subject_id=inlay_id,
        value=round(min(filled), 2),
        limit=least_mm,
        unit="mm",
    )
    return out, [check]


def with_bridges(region: Sequence[Polygon], width_mm: float) -> list[Polygon]:
    """Areas with each island tied to the foam around by a bridge, where it is nearest."""
    whole: BaseGeometry = shapely.union_all(list(region))
    for area in region:
        for ring in area.interiors:
            island, rim = Polygon(ring), area.exterior
            line = shapely.shortest_line(island, rim)
            if line.length < _EPS_MM:
                continue
            (ax, ay), (bx, by) = shapely.get_coordinates(line)
            ux, uy = (bx - ax) / line.length, (by - ay) / line.length
            # into the foam on both sides by half the bridge: no slit is left at a round rim
            more = width_mm / 2 + _OVERLAP_MM
            tie = shapely.LineString(
                [(ax - ux * more, ay - uy * more), (bx + ux * more, by + uy * more)]
            )
            whole = whole.difference(tie.buffer(width_mm / 2, cap_style="flat"))
    return _areas(whole)
