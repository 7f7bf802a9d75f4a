"""The same panel for a machine that only cuts through: depths made of whole layers.

A face of 30 mm becomes three sheets of 10 mm, or whatever the same foam is sold in; every depth
is rounded up to the next joint between layers, and the layers are chosen so that this adds least.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

from shapely.geometry import Polygon

from tracer.model.panel import Panel, PanelPocket, Ply, PlyRole, Stock
from tracer.model.panel_plan import PanelPlan
from tracer.model.report import Check, Severity
from tracer.panel.stock.layered_fittings import fittings_at_joints

__all__ = ["best_layers", "layer_depths", "layered", "sold_thicknesses"]

#: what sheet foam is sold in where nobody said more, mm (common practice, no source)
_SOLD_MM = (5.0, 8.0, 10.0, 15.0, 20.0, 25.0, 30.0)

#: more sheets than this are a nuisance to glue (common practice, no source)
_MOST_LAYERS = 6
_EPS_MM = 1e-6


def best_layers(
    total_mm: float, thicknesses_mm: Sequence[float], depths_mm: Sequence[float]
) -> tuple[float, ...]:
    """Layers from front to back that add up to a thickness and suit the depths best.

    Least rounding of depths first, then fewest layers, then thick ones in front. The whole
    thickness as one layer where nothing adds up.

    Examples
    --------
    >>> best_layers(30, [5, 10, 15, 20], [9, 14])
    (10, 5, 15)
    """
    best: tuple[float, int, tuple[float, ...]] | None = None
    for layers in _sums(total_mm, sorted(set(thicknesses_mm), reverse=True), _MOST_LAYERS):
        joints = _joints(layers)
        added = sum(_snapped(d, joints) - d for d in depths_mm)
        key = (round(added, 6), len(layers), tuple(-t for t in layers))
        if best is None or key < best:
            best = key
    return (total_mm,) if best is None else tuple(-t for t in best[2])


def sold_thicknesses(most_mm: float) -> tuple[float, ...]:
    """Usual thicknesses of sheet foam that a machine cuts through.

    Examples
    --------
    >>> sold_thicknesses(10)
    (5.0, 8.0, 10.0)
    """
    return tuple(mm for mm in _SOLD_MM if mm <= most_mm + _EPS_MM)


def layer_depths(depths_mm: Sequence[float], layers: Sequence[float]) -> list[float]:
    """Each depth at the first joint at or below it.

    Examples
    --------
    >>> layer_depths([8, 12, 30], [10, 5, 15])
    [10.0, 15.0, 30.0]
    """
    joints = _joints(layers)
    return [_snapped(d, joints) for d in depths_mm]


def _sums(total: float, sizes: Sequence[float], most: int) -> Iterator[tuple[float, ...]]:
    if abs(total) < _EPS_MM:
        yield ()
    elif most > 0:
        for size in sizes:
            if size <= total + _EPS_MM:
                for rest in _sums(total - size, sizes, most - 1):
                    yield (size, *rest)


def _joints(layers: Sequence[float]) -> list[float]:
    joints, depth = [], 0.0
    for layer in layers:
        depth += layer
        joints.append(depth)
    return joints


def _snapped(depth: float, joints: Sequence[float]) -> float:
    """The first joint at or below a depth; the last one where none is."""
    return next((j for j in joints if j >= depth - _EPS_MM), joints[-1])


def layered(
    panel: Panel, plan: PanelPlan, *, most_mm: float = math.inf, through: bool = False
) -> tuple[Panel, tuple[Check, ...]]:
    """The panel with its face in layers and every depth at a joint.

    Tiles are not kept: they must be found again for the new layers. A panel of ready-laminated
    stock cannot be taken apart and comes back unchanged; the machine's own check refuses it.

    Parameters
    ----------
    most_mm
        Thickest layer that the machine cuts through.
    through
        The face stays one sheet and every pocket goes right through it.
    """
    if any(p.bonded for p in panel.plies):
        return panel, ()
    sold = {
        (PlyRole(p.role), p.stock.colour): p.thicknesses_mm for p in plan.plies if p.thicknesses_mm
    }
    face = panel.face_mm
    all_depths = [d for p in panel.pockets for d in _depths(p)]
    all_depths += [i.depth_mm for i in panel.inlays] + [c.skin_mm for c in panel.back_cavities]
    plies: list[Ply] = []
    checks: list[Check] = []
    front = 0.0
    for ply in panel.plies:
        thickness = ply.stock.thickness_mm
        # only what ends inside this sheet asks for a joint in it
        depths = [d - front for d in all_depths if _EPS_MM < d - front < thickness - _EPS_MM]
        front += thickness
        known = sold.get((ply.role, ply.stock.colour), ())
        sizes = known or sold_thicknesses(most_mm)
        wanted = depths or thickness > most_mm
        if ply.role is not PlyRole.FACE or through or not wanted:
            plies.append(ply)
            continue
        layers = best_layers(thickness, sizes, depths)
        if len(layers) == 1 and depths:
            checks.append(_one_layer(ply.stock, sizes))
        elif not known and len(layers) > 1:
            checks.append(_assumed(ply.stock, layers))
        plies += [Ply(ply.role, _of_layer(ply.stock, mm)) for mm in layers]
    joints = _joints([p.stock.thickness_mm for p in plies])
    pockets = tuple(_at_joints(p, joints, face) for p in panel.pockets)
    checks += [
        _note(before, after)
        for before, after in zip(panel.pockets, pockets, strict=True)
        if after.depth_mm > before.depth_mm + _EPS_MM
    ]
    checks += [_island_lost(p) for p in panel.pockets if p.region.interiors]
    changed = replace(panel, plies=tuple(plies), pockets=pockets, tiles=())
    fitted, more = fittings_at_joints(changed, joints, face)
    return fitted, (*checks, *more)


def _of_layer(stock: Stock, thickness_mm: float) -> Stock:
    """The same foam in another thickness; its price goes by the volume (own choice)."""
    price = stock.price
    if price is not None:
        price = round(price * thickness_mm / stock.thickness_mm, 2)
    return replace(stock, thickness_mm=thickness_mm, price=price)


def _assumed(stock: Stock, layers: Sequence[float]) -> Check:
    return Check(
        slug="face-in-layers",
        severity=Severity.WARN,
        sentence=f"The {stock.colour} face is built from {len(layers)} layers, from front to back "
        f"{' + '.join(f'{mm:g}' for mm in layers)} mm, since the machine only cuts right through; "
        "the plan does not say what the foam is sold in.",
        remedy="Name it as thicknesses_mm of that layer in panel.toml, or ask for holes cut right "
        "through.",
    )


def _one_layer(stock: Stock, sizes: Sequence[float]) -> Check:
    return Check(
        slug="face-not-in-layers",
        severity=Severity.FAIL,
        sentence=f"No layers of {', '.join(f'{mm:g}' for mm in sizes)} mm add up to the "
        f"{stock.colour} face of {stock.thickness_mm:g} mm: every pocket would go right through.",
        remedy="Name what the foam is sold in as thicknesses_mm in panel.toml; or ask for holes "
        "cut right through.",
        value=stock.thickness_mm,
        unit="mm",
    )


def _depths(pocket: PanelPocket) -> list[float]:
    return [
        pocket.cut_depth_mm,
        *(w.depth_mm for w in pocket.wells),
        *(n.depth_mm for n in pocket.notches),
    ]


def _at_joints(pocket: PanelPocket, joints: Sequence[float], face_mm: float) -> PanelPocket:
    cut = _snapped(pocket.cut_depth_mm, joints)
    through = cut >= face_mm - _EPS_MM
    insert = None if through else pocket.floor_insert
    if insert is not None:
        insert = replace(insert, region=Polygon(insert.region.exterior))
    return replace(
        pocket,
        region=Polygon(pocket.region.exterior),
        depth_mm=cut - (insert.stock.thickness_mm if insert else 0.0),
        through=through,
        floor_insert=insert,
        wells=tuple(replace(w, depth_mm=_snapped(w.depth_mm, joints)) for w in pocket.wells),
        notches=tuple(replace(n, depth_mm=_snapped(n.depth_mm, joints)) for n in pocket.notches),
    )


def _island_lost(pocket: PanelPocket) -> Check:
    return Check(
        slug="island-lost",
        severity=Severity.NOTE,
        sentence=f"The foam island inside {pocket.number} ({pocket.name}) falls out where layers "
        "are cut right through.",
        remedy="Glue it back on the layer below, or use a machine that cuts to a depth.",
        subject_id=pocket.pocket_id,
    )


def _note(before: PanelPocket, after: PanelPocket) -> Check:
    sunk = after.proud_mm < 0 <= before.proud_mm
    return Check(
        slug="depth-by-layer",
        severity=Severity.WARN if sunk else Severity.NOTE,
        sentence=f"{after.number} ({after.name}) becomes {after.depth_mm:g} mm deep instead of "
        f"{before.depth_mm:g} mm: depths are made of whole layers"
        + (", and the tool lies below the face." if sunk else "."),
        remedy="Thinner sheets in the plan (thicknesses_mm) come closer; a part-depth machine "
        "keeps the depth.",
        subject_id=after.pocket_id,
        value=after.depth_mm,
        limit=before.depth_mm,
        unit="mm",
    )
