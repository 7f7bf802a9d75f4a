"""From an outline to the wall of its pocket.

The order of the steps matters: take thin tongues away and fit the islands, round for the cutter,
then lines and arcs; then hold the result against what was asked. Lines and arcs leave the wall
asked for by no more than their tolerance to either side, and by nothing in the mean.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from tracer.errors import TracerError
from tracer.geometry.arc_walls import FLAT_MM, arcs_along, centred_arcs
from tracer.geometry.loops import polygon_of, reversed_loop
from tracer.geometry.offset import cut_relief, grown, opened, shortfall, thin_gaps
from tracer.geometry.rings import largest_polygon, polygons_in, roughness_mm
from tracer.model.drawing import Loop
from tracer.model.pocket import Pocket, PocketRule
from tracer.model.report import Check, Severity

__all__ = ["MadePocket", "make_pocket", "wall_tolerance_mm"]

#: how far lines and arcs may lie from a wall, own choice: they do by 0.05 mm in the root mean
#: square, a third of a cut's own scatter; a closer fit follows the tracing's noise with more pieces
_TOLERANCE_MM, _MOST_TOLERANCE_MM, _NOISE_FACTOR = 0.2, 0.3, 3.0
#: a wall may miss what is promised by this area: rounding of coordinates
_PROMISE_AREA_MM2 = 1e-3
#: a wall may miss what is promised by this beyond its tolerance: by what centring it moved it
_AIM_MM = 0.05
_ATTEMPTS = 4
#: cut-outs smaller than the first are not worth a word, larger than the second show
_RELIEF_NOTE_MM, _RELIEF_WARN_MM = 0.2, 1.0
#: parts thinner than twice the press plus this keep their full width
_PRESS_KEEPS_MM = 1.0
#: what opening leaves in mere corners is smaller than this
_SLIM_MM2 = 2.0


@dataclass(frozen=True, eq=False)
class MadePocket:
    """A pocket and what was noticed while making it."""

    pocket: Pocket
    checks: tuple[Check, ...]


def wall_tolerance_mm(outline: Polygon) -> float:
    """How far lines and arcs may lie from the wall of an outline: more where it is rough."""
    noise = roughness_mm(np.asarray(outline.exterior.coords)[:-1, :2])
    return min(max(_TOLERANCE_MM, _NOISE_FACTOR * noise), _MOST_TOLERANCE_MM)


def _without_tongues(
    region: Polygon, rule: PocketRule, pocket_id: str
) -> tuple[Polygon, list[Check]]:
    gaps = thin_gaps(Polygon(region.exterior), rule.tongue_mm)
    checks = [
        Check(
            slug="tongue-removed",
            severity=Severity.NOTE,
            sentence=f"{pocket_id}: foam narrower than {rule.tongue_mm:.0f} mm between parts of "
            f"the tool is taken away ({gap.area:.0f} mm2).",
            remedy="Nothing to do; such a tongue would tear off in use.",
            subject_id=pocket_id,
            value=float(gap.area),
            unit="mm2",
            where_mm=(gap.centroid.x, gap.centroid.y),
        )
        for gap in gaps
    ]
    # a hair more than the gap itself, so that no seam is left between it and the region
    joined = shapely.union_all([region, *(gap.buffer(0.01) for gap in gaps)])
    return largest_polygon(joined), checks


def _islands(region: Polygon, rule: PocketRule) -> list[Polygon]:
    """Holes worth keeping as foam, as polygons, already rounded for the cutter's outside."""
    if rule.depth_mm is None:
        return []  # in a through cut an island would fall out
    kept = []
    for hole in region.interiors:
        island = largest_polygon(
            grown(grown(Polygon(hole), -rule.tongue_mm / 2), rule.tongue_mm / 2)
        )
        if island.is_empty or island.area < rule.island_area_mm2:
            continue
        if shapely.maximum_inscribed_circle(island).length >= rule.island_radius_mm:
            kept.append(island)
    return kept


def _reach(
    wanted: Polygon, required: BaseGeometry, rule: PocketRule, pocket_id: str
) -> tuple[Polygon, list[Check]]:
    """The part of the wanted area that the cutter reaches, with relief where promised."""
    radius = rule.cutter_radius_mm
    if radius <= 0:
        return wanted, []
    reachable = opened(wanted, radius)
    if required.difference(reachable).area < _PROMISE_AREA_MM2:
        return largest_polygon(reachable), []
    if not rule.relief:
        return largest_polygon(reachable), []
    enlarged, parts = cut_relief(required, reachable, grown(wanted, -radius), radius)
    return largest_polygon(enlarged), _relief_check(enlarged, parts, wanted, rule, pocket_id)


def _relief_check(
    enlarged: BaseGeometry,
    parts: list[Polygon],
    wanted: Polygon,
    rule: PocketRule,
    pocket_id: str,
) -> list[Check]:
    """One finding for all cut-outs of a pocket, at the largest of them."""
    beyond, place = shortfall(enlarged, wanted)
    if beyond < _RELIEF_NOTE_MM:
        return []
    where = "place" if len(parts) == 1 else "places"
    return [
        Check(
            slug="relief-cut",
            severity=Severity.WARN if beyond > _RELIEF_WARN_MM else Severity.NOTE,
            sentence=f"{pocket_id}: a cutter of radius {rule.cutter_radius_mm:.1f} mm would leave "
            f"foam where the tool lies in {len(parts)} {where}; the wall is cut out there, most at "
            f"({place[0]:.1f}, {place[1]:.1f}), {beyond:.1f} mm beyond the pocket.",
            remedy="A smaller cutter or a looser fit makes the cut-out smaller.",
            subject_id=pocket_id,
            value=beyond,
            limit=_RELIEF_WARN_MM,
            unit="mm",
            where_mm=place,
        )
    ]


def _broken_promise(
    required: BaseGeometry, region: BaseGeometry, rule: PocketRule, pocket_id: str
) -> list[Check]:
    value, place = shortfall(required, region)
    if value <= rule.tolerance_mm + _AIM_MM:
        return []
    return [
        Check(
            slug="pocket-misses-outline",
            severity=Severity.FAIL,
            sentence=f"{pocket_id}: the pocket keeps {value:.2f} mm away from the outline moved by "
            f"{rule.fit_mm:+.2f} mm at ({place[0]:.1f}, {place[1]:.1f}).",
            remedy="Use a smaller cutter, allow relief cuts, or choose a looser fit.",
            subject_id=pocket_id,
            value=float(value),
            limit=rule.tolerance_mm,
            unit="mm",
            where_mm=place,
        )
    ]


def make_pocket(
    outline: Polygon,
    rule: PocketRule,
    *,
    pocket_id: str,
    wall: Polygon | None = None,
    name: str = "",
    revision: int = 1,
) -> MadePocket:
    """The pocket of an outline.

    Parameters
    ----------
    outline
        Estimated outline, mm, in the frame in which it is to be cut.
    wall
        Where the wall is asked for, islands as holes (`tracer.panel.pocket.clearance`); without
        one, the outline moved by ``rule.fit_mm``.

    Returns
    -------
    MadePocket
        Its wall is the one asked for, as far as the cutter reaches, within the tolerance. Where
        foam is left in the outline moved by ``rule.fit_mm``, beyond the tolerance, a check of
        severity *fail* gives place and value.

    Raises
    ------
    TracerError
        When a press fit leaves nothing of the outline.
    """
    required = grown(outline, rule.fit_mm, outside=rule.fit_mm > 0)
    base = _moved(outline, rule.fit_mm) if wall is None else wall
    if required.is_empty:
        raise TracerError(
            "outline-vanishes",
            f"{pocket_id}: moved inward by {-rule.fit_mm:.1f} mm nothing is left of the outline.",
            "Choose a looser fit for this tool.",
        )
    base, checks = _without_tongues(base, rule, pocket_id)
    filled = Polygon(base.exterior)
    # with a press fit the promise may fall into pieces: one pocket holds them all
    pieces = [required, _moved(outline, rule.fit_mm)]
    if wall is not None:  # where the wall is asked to run inside the outline, it may
        required = required.intersection(filled)
        pieces = [piece.intersection(filled) for piece in pieces]
    promised = shapely.union_all([Polygon(p.exterior) for one in pieces for p in polygons_in(one)])
    reached, relief = _reach(filled, promised, rule, pocket_id)
    wanted = Polygon(reached.exterior)
    checks += relief
    made = centred_arcs(wanted, rule.tolerance_mm)
    islands = _island_loops(base, rule, outline)
    region = polygon_of(made, FLAT_MM)
    for island in islands:
        region = largest_polygon(region.difference(polygon_of(island, FLAT_MM)))
    # the holes of the outline count only where an island stands in them
    checks += _broken_promise(required if islands else promised, region, rule, pocket_id)
    pocket = Pocket(
        pocket_id, name or pocket_id, made, tuple(islands), rule, region, outline, wanted, revision
    )
    return MadePocket(pocket, tuple(checks))


def _moved(outline: Polygon, clearance_mm: float) -> Polygon:
    """The outline moved; pressed inward, its thin parts keep their width and it stays whole."""
    if clearance_mm >= 0:
        return largest_polygon(grown(outline, clearance_mm, outside=True))
    thick = opened(outline, _PRESS_KEEPS_MM - clearance_mm)
    slim = [
        part.buffer(0.05 - clearance_mm).intersection(outline)
        for part in polygons_in(outline.difference(thick))
        if part.area > _SLIM_MM2
    ]
    pressed = shapely.union_all([grown(outline, clearance_mm), *slim])
    whole = largest_polygon(pressed.intersection(outline))
    return whole if whole.area > 0.99 * pressed.area else outline


def _island_loops(base: Polygon, rule: PocketRule, outline: Polygon) -> list[Loop]:
    """Loops of the islands, clockwise, shrunk where arcs would bulge into the tool."""
    loops = []
    for island in _islands(base, rule):
        keep_off = grown(outline, rule.fit_mm, outside=rule.fit_mm > 0)
        loop, less = arcs_along(island, rule.tolerance_mm), 0.0
        for _ in range(_ATTEMPTS):
            inside = polygon_of(loop, FLAT_MM).intersection(keep_off)
            if inside.area < _PROMISE_AREA_MM2 / 2:
                break
            less += rule.tolerance_mm / 2
            loop = arcs_along(largest_polygon(grown(island, -less)), rule.tolerance_mm)
        loops.append(reversed_loop(loop))
    return loops
