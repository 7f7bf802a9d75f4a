"""A panel taken apart into pieces to be cut: every slab, tile and section, and loose inserts.

A cut that reaches depth d goes right through a slab that ends above d, is a pocket in the slab
that d ends in, and does not touch the slabs behind. So one panel serves machines that mill a depth
and machines that only cut through.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry import Point, Polygon
from shapely.geometry.base import BaseGeometry

from tracer.geometry.offset import grown
from tracer.geometry.rings import largest_polygon, polygons_in
from tracer.model.drawing import Layer, Operation
from tracer.model.machine import Machine
from tracer.model.panel import Panel, PanelPocket, PlyRole, Slab, Stock, Tile
from tracer.model.pocket import Pocket, PocketRule
from tracer.model.report import Check, Severity
from tracer.model.sheet import Feature, SheetText, SheetWork
from tracer.panel.fittings.openings import parts
from tracer.panel.pocket.pockets import make_pocket, wall_tolerance_mm
from tracer.panel.rules import Rules
from tracer.panel.stock.back import opening_features, pilot_features
from tracer.panel.stock.inlays import hole_features
from tracer.panel.stock.nest import nest
from tracer.panel.stock.sections import Section, bed_sections

__all__ = ["Walls", "insert_sheets", "make_walls", "slab_sheets"]

_EPS_MM = 1e-3
#: hole in the backing board for a screw (common practice, no source)
_SCREW_HOLE_MM = 5.0
_NUMBER_CAP_MM = 6.0
#: lines and arcs lie to both sides of a loose piece's wall within this
_PIECE_SPARE_MM = 0.2
#: letters of the mark in a layer's corner, and their distance from its edges
_MARK_CAP_MM, _MARK_MM = 3.5, 3.0


@dataclass(frozen=True, eq=False)
class Walls:
    """Finished walls of all pockets for one machine, and what was noticed while making them."""

    by_id: dict[str, Pocket]
    checks: tuple[Check, ...]


def make_walls(panel: Panel, machine: Machine) -> Walls:
    """Walls of lines and arcs with the machine's inside radius, in the panel's frame."""
    made: dict[str, Pocket] = {}
    checks: list[Check] = []
    thickest = max(s.thickness_mm for s in panel.slabs if s.plies[0].role is not PlyRole.BACKING)
    for pocket in panel.pockets:
        # over a sheet's thickness the wall runs in: the fit is to hold at the tight face
        deep = min(pocket.cut_depth_mm, thickest)
        offset = machine.wall_offset_mm(deep)
        rule = PocketRule(
            fit_mm=pocket.fit_mm + offset,
            depth_mm=None if pocket.through else pocket.depth_mm,
            cutter_radius_mm=machine.inside_radius_mm,
            relief=machine.relief,
            tolerance_mm=wall_tolerance_mm(pocket.outline),
        )
        one = make_pocket(
            pocket.outline,
            rule,
            pocket_id=pocket.pocket_id,
            wall=largest_polygon(grown(pocket.wall, offset)),
            name=pocket.name,
            revision=pocket.outline_revision,
        )
        made[pocket.pocket_id] = one.pocket
        checks += one.checks
    return Walls(made, tuple(checks))


def slab_sheets(
    panel: Panel, machine: Machine, walls: Walls, rules: Rules
) -> tuple[list[SheetWork], tuple[Check, ...]]:
    """Work for every section of every tile of every slab."""
    sheets: list[SheetWork] = []
    checks: list[Check] = []
    for slab in panel.slabs:
        features = [f for p in panel.pockets for f in _features(p, slab, walls)]
        features += [*hole_features(panel, slab), *opening_features(panel, slab)]
        features = _united(features) + _common_features(panel, slab)
        tiles = [t for t in panel.tiles if t.slab == slab.index]
        for tile in tiles:
            own = [f for f in features if _mostly_in(f.region, tile.region)]
            parted = [Section(1, tile.region, tile.region.bounds, ())]
            if slab.plies[0].role is not PlyRole.BACKING:  # a board is sawn and drilled elsewhere
                parted = bed_sections(tile.region, machine.bed_mm, [f.region for f in own], rules)
            checks += [_too_large(slab, tile, machine)] if not parted else []
            for section in parted or [Section(1, tile.region, tile.region.bounds, ())]:
                many = len(parted) > 1
                sheets.append(_work(panel, slab, tile, section, own, len(tiles) > 1, many))
    return sheets, tuple(checks)


def _features(pocket: PanelPocket, slab: Slab, walls: Walls) -> list[Feature]:
    """What a pocket does to a slab."""
    wall = walls.by_id[pocket.pocket_id]
    main, *others = parts(pocket)
    through: list[Polygon] = []
    found: list[Feature] = []
    operations = [Operation.WELL] * len(pocket.wells) + [Operation.NOTCH] * len(pocket.notches)
    cuts = [(wall.region, main[1], Operation.POCKET)]
    cuts += [(r, d, o) for (r, d), o in zip(others, operations, strict=True)]
    for region, depth, operation in cuts:
        if depth <= slab.front_mm + _EPS_MM:
            continue
        if depth >= slab.back_mm - _EPS_MM:
            through.append(region)
            continue
        local = round(depth - slab.front_mm, 3)
        loops = (wall.wall, *wall.islands) if operation is Operation.POCKET else ()
        found.append(Feature(Layer(operation, local), region, pocket.pocket_id, loops))
    if through:
        alone = len(through) == 1 and through[0] is wall.region
        for region in [wall.region] if alone else polygons_in(shapely.union_all(through)):
            outer = Polygon(region.exterior)  # what would stand inside falls out
            loops = (wall.wall,) if alone else ()
            found.append(Feature(Layer(Operation.THROUGH), outer, pocket.pocket_id, loops))
    return found


def _united(features: Sequence[Feature]) -> list[Feature]:
    """Features of one layer that run into one another as one: a slot that a row of tools shares.

    Two walls that cross would be cut twice, and no reader could tell inside from outside.
    """
    found: list[Feature] = []
    for feature in features:
        own = feature
        for other in [f for f in found if f.layer == own.layer and f.region.overlaps(own.region)]:
            both = shapely.union_all([own.region, other.region])
            if len(polygons_in(both)) != 1:
                continue
            found.remove(other)
            ids = dict.fromkeys([*other.subject_id.split("+"), *own.subject_id.split("+")])
            region = polygons_in(both)[0]
            if own.layer.operation is Operation.THROUGH:
                region = Polygon(region.exterior)
            own = Feature(own.layer, region, "+".join(ids))
        found.append(own)
    return found


def _common_features(panel: Panel, slab: Slab) -> list[Feature]:
    """Holes of keep-outs in every slab, screw holes in the backing board."""
    found = [Feature(Layer(Operation.THROUGH), k.region, k.name) for k in panel.keep_outs if k.hole]
    if slab.plies[0].role is PlyRole.BACKING:
        found += [
            Feature(
                Layer(Operation.FIXING),
                Point(f.x_mm, f.y_mm).buffer(_SCREW_HOLE_MM / 2, quad_segs=32),
                f"screw {number}",
            )
            for number, f in enumerate(panel.fixings, start=1)
        ]
        found += pilot_features(panel)
    return found


def _mostly_in(region: BaseGeometry, area: BaseGeometry) -> bool:
    """Whether a region is this piece's business; one across a seam is cut on both sides."""
    return float(region.intersection(area).area) > 1.0


def _work(
    panel: Panel,
    slab: Slab,
    tile: Tile,
    section: Section,
    features: Sequence[Feature],
    many_tiles: bool,
    many_sections: bool,
) -> SheetWork:
    ply = slab.plies[0]
    many_slabs = len(panel.slabs)
    key = slab.name
    title = f"{panel.title}, {ply.role.value}, {ply.stock.colour} {slab.thickness_mm:g} mm"
    if many_slabs > 1:
        title += f", layer {slab.index + 1} of {many_slabs}"
    if many_tiles:
        key, title = f"{key}-tile{tile.number}", f"{title}, tile {tile.number}"
    if many_sections:
        key, title = f"{key}-part{section.number}", f"{title}, part {section.number}"
    cell = section.cell
    own = [_clipped(f, tile.region) for f in features if _mostly_in(f.region, cell)]
    own += [
        Feature(Layer(Operation.FIXING), Point(*pin).buffer(3.0, quad_segs=32), "register pin")
        for pin in section.pins_mm
    ]
    shown = ply.role is PlyRole.FACE and slab.front_mm == 0
    inside = [p for p in panel.pockets if cell.contains(p.outline.representative_point())]
    texts = [
        SheetText(label.text, label.x_mm, label.y_mm, label.cap_height_mm, p.pocket_id)
        for p in inside
        if shown and (label := p.label) is not None
    ]
    if many_slabs > 1 and not many_sections:
        texts.append(_layer_mark(panel, slab, tile))
    return SheetWork(
        key=key,
        title=f"{title}, saw and drill" if ply.role is PlyRole.BACKING else f"{title}, front",
        stock=ply.stock,
        role=ply.role,
        thickness_mm=slab.thickness_mm,
        edge=None if many_sections else tile.region,
        window_mm=section.window_mm,
        features=tuple(own),
        outlines=tuple((p.pocket_id, p.outline) for p in inside)
        if ply.role is not PlyRole.BACKING
        else (),
        texts=tuple(texts),
    )


def _layer_mark(panel: Panel, slab: Slab, tile: Tile) -> SheetText:
    """Which layer a piece is and where its corner belongs, in its lower left corner.

    All layers have the panel's edge: with the marked corners on one another, against a stop, the
    openings lie on one another.
    """
    x0, y0, _, _ = tile.region.bounds
    px, py, _, _ = panel.shape.bounds
    text = f"layer {slab.index + 1} of {len(panel.slabs)}, front up"
    if max(x0 - px, y0 - py) > _EPS_MM:
        text += f", corner at {x0 - px:.0f}, {y0 - py:.0f}"
    return SheetText(text, x0 + _MARK_MM, y0 + _MARK_MM, _MARK_CAP_MM, f"layer {slab.index + 1}")


def _clipped(feature: Feature, area: Polygon) -> Feature:
    """The feature, cut off at a seam where it runs across one."""
    if area.contains(feature.region):
        return feature
    part = largest_polygon(feature.region.intersection(area))
    return replace(feature, region=part, loops=())


def _longest(region: Polygon) -> float:
    x0, y0, x1, y1 = region.bounds
    return max(x1 - x0, y1 - y0)


def _too_large(slab: Slab, tile: Tile, machine: Machine) -> Check:
    return Check(
        slug="tile-exceeds-bed",
        severity=Severity.FAIL,
        sentence=f"Tile {tile.number} of layer {slab.index + 1} does not fit the bed of the "
        f"{machine.title}, and no line through it is free of openings.",
        remedy="Name smaller sheets in the plan, or leave a free line between tools.",
        value=_longest(tile.region),
        limit=max(machine.bed_mm),
        unit="mm",
    )


def insert_sheets(
    panel: Panel, machine: Machine, rules: Rules
) -> tuple[list[SheetWork], tuple[Check, ...]]:
    """Floor inserts nested on sheets of their stock that fit the bed, each with its number."""
    sheets: list[SheetWork] = []
    checks: list[Check] = []
    stocks: dict[Stock, list[PanelPocket]] = {}
    for pocket in panel.pockets:
        if pocket.floor_insert is not None:
            stocks.setdefault(pocket.floor_insert.stock, []).append(pocket)
    for stock, pockets in stocks.items():
        pieces = [p.floor_insert.region for p in pockets if p.floor_insert]
        size = (
            min(max(stock.size_mm), max(machine.bed_mm)),
            min(min(stock.size_mm), min(machine.bed_mm)),
        )
        spare = machine.kerf_mm + _PIECE_SPARE_MM
        places, too_large = nest(
            pieces,
            size,
            gap_mm=rules.nest_gap_mm + spare,
            rim_mm=rules.sheet_rim_mm + spare,
            grain=stock.grain,
        )
        checks += [_too_large_insert(pockets[i], stock, size) for i in too_large]
        for number in sorted({place.sheet for place in places}):
            features, texts = [], []
            for place in (p for p in places if p.sheet == number):
                pocket = pockets[place.piece]
                region = place.placement.apply_polygon(pieces[place.piece])
                features.append(
                    Feature(Layer(Operation.INSERT), region, pocket.pocket_id, outward=True)
                )
                texts.append(_number_on(region, pocket))
            name = stock.colour.replace(" ", "-")
            sheets.append(
                SheetWork(
                    key=f"inserts-{name}-{stock.thickness_mm:g}-{number}",
                    title=f"{panel.title}, floor inserts, {stock.colour} {stock.thickness_mm:g} mm,"
                    f" sheet {number}",
                    stock=stock,
                    role=None,
                    thickness_mm=stock.thickness_mm,
                    edge=None,
                    window_mm=_used(features, size, rules),
                    features=tuple(features),
                    texts=tuple(texts),
                )
            )
    return sheets, tuple(checks)


def _used(
    features: Sequence[Feature], size: tuple[float, float], rules: Rules
) -> tuple[float, float, float, float]:
    """The part of the sheet that is needed, from its lower left corner, in whole millimetres."""
    boxes = np.array([f.region.bounds for f in features])
    rim = rules.sheet_rim_mm + 1.0
    w, h = np.ceil(boxes[:, 2:].max(axis=0) + rim)
    return 0.0, 0.0, min(float(w), size[0]), min(float(h), size[1])


def _number_on(region: Polygon, pocket: PanelPocket) -> SheetText:
    spot = region.representative_point()
    return SheetText(
        str(pocket.number),
        spot.x,
        spot.y - _NUMBER_CAP_MM / 2,
        _NUMBER_CAP_MM,
        pocket.pocket_id,
        centred=True,
    )


def _too_large_insert(pocket: PanelPocket, stock: Stock, size: tuple[float, float]) -> Check:
    return Check(
        slug="insert-exceeds-sheet",
        severity=Severity.FAIL,
        sentence=f"The floor insert of {pocket.number} ({pocket.name}) is larger than a sheet of "
        f"{stock.colour} on this machine, {size[0]:g} x {size[1]:g} mm.",
        remedy="Name a larger sheet for inserts, or cut the pocket through.",
        subject_id=pocket.pocket_id,
        value=_longest(pocket.floor_insert.region) if pocket.floor_insert else None,
        limit=max(size),
        unit="mm",
    )
