"""Emblems for one machine: what its cutter reaches of a shape, in the hole and round the inlay.

A cutter of radius r rounds the inner corners of the hole, and those of the inlay from outside. The
shape is rounded for both before it is cut, so that hole and inlay stay one shape: closed by r and
the press allowance (no foam corner that the inlay's cut could not follow), then opened by r (no
inlay corner that the hole's cut could not follow).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from tracer.geometry.offset import grown, shortfall
from tracer.geometry.rings import polygons_in
from tracer.model.drawing import Layer, Operation
from tracer.model.fittings import Inlay
from tracer.model.machine import Kerf, Machine
from tracer.model.panel import Panel, Slab, Stock
from tracer.model.report import Check, Severity
from tracer.model.sheet import Feature, SheetText, SheetWork
from tracer.panel.rules import Rules
from tracer.panel.stock.nest import nest

__all__ = ["EMBLEM_MM", "hole_features", "inlay_pieces", "inlay_sheets", "reachable_inlays"]

#: lines and arcs of hole and inlay lie this close to their common shape: both together well
#: within the 0.03 mm that the press allowance may be off
EMBLEM_MM = 0.006
_EPS_MM = 1e-3
_SPECK_MM2 = 0.5
#: of a piece that is not lost this much is left
_STANDS = 0.6
#: a rounding that shows
_SHOWS_MM = 1.0
_CAP_MM, _GAP_MM = 4.0, 2.0


def reachable_inlays(panel: Panel, machine: Machine) -> tuple[Panel, tuple[Check, ...]]:
    """The panel with its emblems as this machine can cut them."""
    if not panel.inlays:
        return panel, ()
    inlays: list[Inlay] = []
    checks: list[Check] = []
    for inlay in panel.inlays:
        radius = _radius_mm(machine)
        shape = _rounded(inlay.region, radius, inlay.press_mm)
        parts = _in_reading_order([p for p in polygons_in(shape) if p.area > _SPECK_MM2])
        checks += _lost(inlay, parts, radius, machine.title)
        if not parts:
            continue
        whole = MultiPolygon(parts) if len(parts) > 1 else parts[0]
        loose = tuple(orient(Polygon(r)) for p in parts for r in p.interiors if inlay.through)
        if len(loose) > len(inlay.loose):
            checks.append(_untied(inlay, len(loose), machine.title))
        inlays.append(replace(inlay, region=whole, loose=loose))
    return replace(panel, inlays=tuple(inlays)), tuple(checks)


def _radius_mm(machine: Machine) -> float:
    """Least inside radius; a beam rounds an inner corner by half its own width."""
    beam = machine.kerf_mm / 2 if machine.kerf is Kerf.FILE else 0.0
    return max(machine.inside_radius_mm, beam)


def _rounded(region: BaseGeometry, radius_mm: float, press_mm: float) -> BaseGeometry:
    if radius_mm <= 0:
        return region
    # grown by its allowance the inlay's inner corners are tighter by as much
    corner = radius_mm + max(press_mm, 0.0)
    closed = grown(grown(region, corner), -corner)
    return grown(grown(closed, -radius_mm), radius_mm)


def _lost(inlay: Inlay, parts: Sequence[Polygon], radius_mm: float, machine: str) -> list[Check]:
    kept = shapely.union_all(list(parts)) if parts else Polygon()
    gone = [p for p in polygons_in(inlay.region) if p.intersection(kept).area < _STANDS * p.area]
    if gone:
        at = gone[0].representative_point()
        return [
            Check(
                slug="emblem-too-fine",
                severity=Severity.FAIL,
                sentence=f"{inlay.inlay_id} ({inlay.name}): strokes narrower than "
                f"{2 * radius_mm:g} mm cannot be cut with the inside radius of {radius_mm:g} mm "
                f"of the {machine}, and {len(gone)} of its pieces are lost.",
                remedy="Make the emblem larger or bolder, or cut it with a finer cutter.",
                subject_id=inlay.inlay_id,
                value=2 * radius_mm,
                unit="mm",
                where_mm=(float(at.x), float(at.y)),
            )
        ]
    off, place = shortfall(inlay.region, kept)
    if off <= _SHOWS_MM:
        return []
    return [
        Check(
            slug="emblem-rounded",
            severity=Severity.WARN if off > 2 * radius_mm else Severity.NOTE,
            sentence=f"{inlay.inlay_id} ({inlay.name}): tips of its strokes are rounded by up to "
            f"{off:.1f} mm for the {machine}, in the hole and on the inlay alike.",
            remedy="A finer cutter keeps them sharper.",
            subject_id=inlay.inlay_id,
            value=round(off, 2),
            limit=_SHOWS_MM,
            unit="mm",
            where_mm=place,
        )
    ]


def _untied(inlay: Inlay, loose: int, machine: str) -> Check:
    at = inlay.region.representative_point()
    return Check(
        slug="emblem-loose-pieces",
        severity=Severity.WARN,
        sentence=f"{inlay.inlay_id} ({inlay.name}): a bridge is slimmer than the {machine} can cut "
        f"round, so {loose} {'piece' if loose == 1 else 'pieces'} of face foam come loose.",
        remedy="Raise the rule bridge_mm, or glue them back.",
        subject_id=inlay.inlay_id,
        value=float(loose),
        where_mm=(float(at.x), float(at.y)),
    )


def hole_features(panel: Panel, slab: Slab) -> list[Feature]:
    """Holes of the emblems in a slab; foam that stays inside a hole is an island of it."""
    found = []
    for inlay in panel.inlays:
        if inlay.depth_mm <= slab.front_mm + _EPS_MM:
            continue
        through = inlay.depth_mm >= slab.back_mm - _EPS_MM
        layer = Layer(Operation.THROUGH)
        if not through:
            layer = Layer(Operation.POCKET, round(inlay.depth_mm - slab.front_mm, 3))
        found += [
            Feature(layer, p, inlay.inlay_id, tolerance_mm=EMBLEM_MM)
            for p in polygons_in(inlay.region)
        ]
    return found


def inlay_pieces(inlay: Inlay) -> list[Polygon]:
    """Pieces of an inlay as they are cut: the hole grown by the press allowance."""
    return _in_reading_order(polygons_in(grown(inlay.region, inlay.press_mm)))


def _in_reading_order(parts: Sequence[Polygon]) -> list[Polygon]:
    """From left to right, from above down where they stand over each other."""
    return sorted(
        (orient(p) for p in parts), key=lambda p: (round(p.bounds[0], 2), -round(p.bounds[1], 2))
    )


def inlay_sheets(
    panel: Panel, machine: Machine, rules: Rules
) -> tuple[list[SheetWork], tuple[Check, ...]]:
    """Pieces of the emblems nested on sheets of their stock, each with its number."""
    stocks: dict[Stock, list[tuple[str, str, Polygon]]] = {}
    for inlay in panel.inlays:
        pieces = inlay_pieces(inlay)
        for n, piece in enumerate(pieces, start=1):
            name = inlay.inlay_id if len(pieces) == 1 else f"{inlay.inlay_id}.{n}"
            stocks.setdefault(inlay.stock, []).append((inlay.inlay_id, name, piece))
    sheets: list[SheetWork] = []
    checks: list[Check] = []
    for stock, numbered in stocks.items():
        size = (
            min(max(stock.size_mm), max(machine.bed_mm)),
            min(min(stock.size_mm), min(machine.bed_mm)),
        )
        spare = machine.kerf_mm + 0.2
        places, too_large = nest(
            [piece for _, _, piece in numbered],
            size,
            gap_mm=rules.nest_gap_mm + spare,
            rim_mm=rules.sheet_rim_mm + spare,
            grain=stock.grain,
        )
        checks += [_too_large(numbered[i][1], numbered[i][2], stock, size) for i in too_large]
        for number in sorted({place.sheet for place in places}):
            here = [(numbered[p.piece], p.placement) for p in places if p.sheet == number]
            features, texts = [], []
            for (owner, name, piece), placement in here:
                region = placement.apply_polygon(piece)
                features.append(
                    Feature(
                        Layer(Operation.INLAY), region, owner, outward=True, tolerance_mm=EMBLEM_MM
                    )
                )
                texts.append(_name_on(region, name))
            sheets.append(_sheet(panel, stock, number, features, texts, size, rules))
    return sheets, tuple(checks)


def _sheet(
    panel: Panel,
    stock: Stock,
    number: int,
    features: Sequence[Feature],
    texts: Sequence[SheetText],
    size: tuple[float, float],
    rules: Rules,
) -> SheetWork:
    boxes = np.array([f.region.bounds for f in features])
    w, h = np.ceil(boxes[:, 2:].max(axis=0) + rules.sheet_rim_mm + 1.0)
    name = stock.colour.replace(" ", "-")
    return SheetWork(
        key=f"inlays-{name}-{stock.thickness_mm:g}-{number}",
        title=f"{panel.title}, inlays, {stock.colour} {stock.thickness_mm:g} mm, sheet {number}",
        stock=stock,
        role=None,
        thickness_mm=stock.thickness_mm,
        edge=None,
        window_mm=(0.0, 0.0, min(float(w), size[0]), min(float(h), size[1])),
        features=tuple(features),
        texts=tuple(texts),
    )


def _name_on(region: Polygon, name: str) -> SheetText:
    """The piece's number on it, or right below it where it is too slim."""
    line = shapely.maximum_inscribed_circle(region, tolerance=0.5)
    x, y = shapely.get_coordinates(line)[0]
    if 2 * line.length < 2.2 * _CAP_MM:
        x0, y0, x1, _ = region.bounds
        x, y = (x0 + x1) / 2, y0 - _GAP_MM - _CAP_MM / 2
    return SheetText(name, float(x), float(y) - _CAP_MM / 2, _CAP_MM, name, centred=True)


def _too_large(name: str, piece: Polygon, stock: Stock, size: tuple[float, float]) -> Check:
    x0, y0, x1, y1 = piece.bounds
    return Check(
        slug="insert-exceeds-sheet",
        severity=Severity.FAIL,
        sentence=f"The inlay {name}, {x1 - x0:.0f} x {y1 - y0:.0f} mm, is larger than a sheet of "
        f"{stock.colour} on this machine, {size[0]:g} x {size[1]:g} mm.",
        remedy="Name a larger sheet for it, or make the emblem smaller.",
        subject_id=name.partition(".")[0],
        value=max(x1 - x0, y1 - y0),
        limit=max(size),
        unit="mm",
    )
