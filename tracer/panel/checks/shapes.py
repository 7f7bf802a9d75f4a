"""Checks of shape: webs, rims, seams, screws, keep-outs, labels.

Distances are those between the openings as they are cut, notches and wells included, layer by
layer where they differ.
"""

from __future__ import annotations

from collections.abc import Iterator

import shapely
from shapely import STRtree
from shapely.geometry.base import BaseGeometry

from tracer.model.panel import Panel, PanelPocket, PlyRole
from tracer.model.report import Check, Severity
from tracer.panel.fittings.openings import opening, openings_in
from tracer.panel.rules import Rules
from tracer.panel.stock.seams import seam_lines

__all__ = ["check_shapes", "thin_webs"]


def thin_webs(
    regions: list[BaseGeometry], limit_mm: float
) -> list[tuple[int, int, float, tuple[float, float]]]:
    """Pairs of regions nearer than a limit: indices, distance, and the middle of the web."""
    if len(regions) < 2:
        return []
    tree = STRtree(regions)
    i, j = tree.query(regions, predicate="dwithin", distance=limit_mm)
    found = []
    for a, b in zip(i, j, strict=True):
        if a >= b:
            continue
        first, second = regions[int(a)], regions[int(b)]
        distance = float(shapely.distance(first, second))
        if distance >= limit_mm:
            continue
        where = shapely.shortest_line(first, second).centroid
        if distance == 0.0:
            where = first.intersection(second).centroid
        found.append((int(a), int(b), distance, (float(where.x), float(where.y))))
    return sorted(found)


def check_shapes(panel: Panel, rules: Rules) -> Iterator[Check]:
    """All checks that look at shapes alone."""
    yield from _webs(panel, rules)
    yield from _rims(panel, rules)
    yield from _keep_outs(panel, rules)
    yield from _seams(panel)
    yield from _fixings(panel, rules)
    for pocket in panel.pockets:
        if pocket.label is None:
            yield Check(
                slug="label-no-room",
                severity=Severity.NOTE,
                sentence=f"{_who(pocket)} has no label: there is no room beside it.",
                remedy="Leave more room around it, or label the place by hand.",
                subject_id=pocket.pocket_id,
            )


def _who(pocket: PanelPocket) -> str:
    return f"{pocket.number} ({pocket.name})"


def _webs(panel: Panel, rules: Rules) -> Iterator[Check]:
    whole = [opening(p) for p in panel.pockets]
    slots = {
        frozenset((p.pocket_id, *n.shared_with))
        for p in panel.pockets
        for n in p.notches
        if n.shared_with
    }
    for a, b, distance, where in thin_webs(whole, rules.web_mm):
        first, second = panel.pockets[a], panel.pockets[b]
        if any({first.pocket_id, second.pocket_id} <= s for s in slots):
            distance = float(shapely.distance(first.region, second.region))
            if distance >= rules.web_least_mm:
                continue
        fatal = distance < rules.web_least_mm
        limit = rules.web_least_mm if fatal else rules.web_mm
        yield Check(
            slug="web-thin",
            severity=Severity.FAIL if fatal else Severity.WARN,
            sentence=f"{_who(first)} and {_who(second)} run into each other."
            if distance == 0
            else f"Only {distance:.1f} mm of foam stands between {_who(first)} and "
            f"{_who(second)}; {limit:g} mm are wanted.",
            remedy="Move one of them, or turn it.",
            subject_id=first.pocket_id,
            value=round(distance, 2),
            limit=limit,
            unit="mm",
            where_mm=where,
        )


def _rims(panel: Panel, rules: Rules) -> Iterator[Check]:
    rim = panel.shape.exterior
    for pocket in panel.pockets:
        shape = opening(pocket)
        inside = panel.shape.contains(shape)
        distance = float(shapely.distance(rim, shape)) if inside else 0.0
        point = shapely.shortest_line(rim, shape).centroid
        where = (float(point.x), float(point.y))
        if distance < rules.web_least_mm:
            yield Check(
                slug="panel-edge-thin",
                severity=Severity.FAIL,
                sentence=f"{_who(pocket)} reaches over the edge of the panel."
                if not inside
                else f"Only {distance:.1f} mm of foam stands between {_who(pocket)} and the edge "
                f"of the panel; never leave less than {rules.web_least_mm:g} mm.",
                remedy="Move the tool inward, or make the panel larger.",
                subject_id=pocket.pocket_id,
                value=round(distance, 2),
                limit=rules.web_least_mm,
                unit="mm",
                where_mm=where,
            )
            continue
        tool = float(shapely.distance(rim, pocket.region))
        # the rule is for tools; their notches may reach into the margin
        if tool < rules.edge_mm - 1.0:
            yield Check(
                slug="panel-edge-near",
                severity=Severity.NOTE,
                sentence=f"{_who(pocket)} lies {tool:.1f} mm from the edge of the panel; "
                f"{rules.edge_mm:g} mm are usual.",
                subject_id=pocket.pocket_id,
                value=round(tool, 2),
                limit=rules.edge_mm,
                unit="mm",
                where_mm=where,
            )


def _keep_outs(panel: Panel, rules: Rules) -> Iterator[Check]:
    for keep in panel.keep_outs:
        for pocket in panel.pockets:
            distance = float(shapely.distance(keep.region, opening(pocket)))
            limit = rules.web_least_mm if keep.hole else 0.0
            if distance < limit or distance == 0.0:
                at = keep.region.representative_point()
                yield Check(
                    slug="keep-out-cut",
                    severity=Severity.FAIL,
                    sentence=f"{_who(pocket)} is cut {'into' if distance == 0 else 'too near'} "
                    f"the keep-out '{keep.name}'.",
                    remedy="Move the tool clear of it.",
                    subject_id=pocket.pocket_id,
                    value=round(distance, 2),
                    limit=limit,
                    unit="mm",
                    where_mm=(float(at.x), float(at.y)),
                )


def _seams(panel: Panel) -> Iterator[Check]:
    for slab in panel.slabs:
        tiles = [t for t in panel.tiles if t.slab == slab.index]
        stock = slab.plies[0].stock
        if len(tiles) == 1 and not _fits(tiles[0].region, stock.size_mm):
            yield Check(
                slug="sheet-too-small",
                severity=Severity.FAIL,
                sentence=f"No seams were found that part the {stock.colour} layer into sheets of "
                f"{stock.size_mm[0]:g} x {stock.size_mm[1]:g} mm.",
                remedy="Name a larger sheet for this layer.",
                value=max(panel.size_mm),
                limit=max(stock.size_mm),
                unit="mm",
            )
        openings = openings_in(panel, slab)
        for line in seam_lines(tiles, panel.shape):
            for pocket in panel.pockets:
                shape = opening(pocket, slab.front_mm - 1e-3)
                if shape.is_empty or not line.crosses(shape):
                    continue
                if not any(line.crosses(o) for o in openings):
                    continue
                at = line.intersection(shape).centroid
                yield Check(
                    slug="seam-in-pocket",
                    severity=Severity.FAIL if slab.plies[0].role is PlyRole.FACE else Severity.WARN,
                    sentence=f"A seam of the {stock.colour} layer runs through {_who(pocket)}.",
                    remedy="Move the tool off the seam, or name a larger sheet.",
                    subject_id=pocket.pocket_id,
                    where_mm=(float(at.x), float(at.y)),
                )


def _fits(region: BaseGeometry, size: tuple[float, float]) -> bool:
    x0, y0, x1, y1 = region.bounds
    w, h = x1 - x0, y1 - y0
    return max(w, h) <= max(size) + 0.1 and min(w, h) <= min(size) + 0.1


def _fixings(panel: Panel, rules: Rules) -> Iterator[Check]:
    if not panel.fixings:
        return
    points = shapely.points([(f.x_mm, f.y_mm) for f in panel.fixings])
    openings = [opening(p) for p in panel.pockets]
    tree = STRtree(openings)
    hits = tree.query(points, predicate="dwithin", distance=rules.web_least_mm)
    for screw, index in sorted(zip(*(h.tolist() for h in hits), strict=True)):
        pocket, fixing = panel.pockets[index], panel.fixings[screw]
        distance = float(shapely.distance(points[screw], openings[index]))
        yield Check(
            slug="fixing-under-pocket",
            severity=Severity.FAIL,
            sentence=f"A screw lies {distance:.1f} mm from {_who(pocket)}.",
            remedy="Move the tool or leave the screw out.",
            subject_id=pocket.pocket_id,
            value=round(distance, 2),
            limit=rules.web_least_mm,
            unit="mm",
            where_mm=(fixing.x_mm, fixing.y_mm),
        )
    for pocket in panel.pockets:
        if pocket.mass_kg is None or pocket.mass_kg < rules.heavy_kg:
            continue
        distance = float(shapely.distance(points, pocket.region).min())
        if distance > rules.heavy_near_mm:
            yield Check(
                slug="fixing-far-from-heavy",
                severity=Severity.WARN,
                sentence=f"{_who(pocket)} weighs {pocket.mass_kg:g} kg and the nearest screw is "
                f"{distance:.0f} mm away.",
                remedy="Leave sound foam beside the tool for a screw.",
                subject_id=pocket.pocket_id,
                value=round(distance, 1),
                limit=rules.heavy_near_mm,
                unit="mm",
            )
