"""Laying loose pieces (floor inserts, inlays, tiles) on the fewest sheets of their stock.

The largest piece first, each where its true shape fits the first sheet, at quarter turns from its
long side lying along the sheet; then the last sheet's pieces are tried on the sheets before it
with everything on these free to move. Pieces are kept to the left of each sheet, so that the offcut
stays in one piece.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from shapely import affinity
from shapely.geometry import Polygon, box

from tracer.model.panel import BayKind, Placement
from tracer.panel.layout.axis import axis_rad
from tracer.panel.packing.grid import Grid
from tracer.panel.packing.overlap import OverlapRemoval
from tracer.panel.packing.settle import exact
from tracer.panel.packing.task import Member, Piece, Rim, Spot, Task, Variant

__all__ = ["Nested", "nest"]

#: nodes of the raster of a sheet, and rounds of parting pieces when a sheet is to be saved
_NODES, _SWEEPS = 40_000, 25
_ROUNDING_MM = 0.1
#: no sheet is saved where its pieces and those before it would fill more than this share
_FULLEST = 0.92


@dataclass(frozen=True)
class Nested:
    """Where a piece lies: its index, the sheet's number (1, 2 ...), and the motion onto it."""

    piece: int
    sheet: int
    placement: Placement


def nest(
    pieces: Sequence[Polygon],
    size_mm: tuple[float, float],
    *,
    gap_mm: float,
    rim_mm: float,
    grain: bool = False,
) -> tuple[list[Nested], list[int]]:
    """Pieces onto sheets.

    Parameters
    ----------
    grain
        The sheet has a direction, along its long side: pieces keep their x along it.

    Returns
    -------
    The places, in the order of the pieces, and the indices of pieces larger than a sheet.
    """
    sheet = max(size_mm), min(size_mm)
    whole = _task(pieces, sheet, gap_mm, rim_mm, grain)
    too_large = [
        i
        for i, p in enumerate(whole.pieces)
        if not any(whole.fits_alone(i, t) for t in range(len(p.variants)))
    ]
    order = sorted(
        (i for i in range(len(pieces)) if i not in set(too_large)),
        key=lambda i: (-round(pieces[i].area, 3), i),
    )
    sheets = _first_fit(whole, order)
    while len(sheets) > 1:
        saved = _without_last(whole, sheets)
        if saved is None:
            break
        sheets = saved
    found = []
    for number, spots in enumerate(sheets, start=1):
        for spot in spots:
            turn = math.radians(whole.variant(spot).turn_deg)
            at = Placement(0.0, 0.0, turn)
            x0, y0, x1, y1 = at.apply(pieces[spot.piece]).bounds
            move = Placement(spot.x_mm - (x0 + x1) / 2, spot.y_mm - (y0 + y1) / 2)
            found.append(Nested(spot.piece, number, at.then(move)))
    return sorted(found, key=lambda n: n.piece), too_large


def _task(
    pieces: Sequence[Polygon],
    sheet: tuple[float, float],
    gap_mm: float,
    rim_mm: float,
    grain: bool,
) -> Task:
    shape = box(0, 0, *sheet)
    rim = Rim.of(shape)
    made = []
    for number, piece in enumerate(pieces):
        first = 0.0 if grain else _lying_rad(piece)
        quarters = (0, 2) if grain else (0, 2, 1, 3)
        variants = tuple(
            _variant(piece, first + k * math.pi / 2, gap_mm, rim_mm, rim) for k in quarters
        )
        size = math.sqrt(piece.area)
        made.append(Piece((Member(str(number)),), variants, True, 0, "", size, 0.0))
    return Task(shape, BayKind.DRAWER, tuple(made), gap_mm)


def _variant(piece: Polygon, turn: float, gap_mm: float, rim_mm: float, rim: Rim) -> Variant:
    there = affinity.rotate(Polygon(piece.exterior), turn, origin=(0, 0), use_radians=True)
    x0, y0, x1, y1 = there.bounds
    there = affinity.translate(there, -(x0 + x1) / 2, -(y0 + y1) / 2)
    grown = there.buffer(gap_mm / 2 + _ROUNDING_MM / 2, join_style="mitre", mitre_limit=1.5)
    reach = (rim.normals @ np.asarray(there.exterior.coords)[:, :2].T).max(axis=1) + rim_mm
    # places are found to a tenth: as much is left at the rim, where the piece leaves anything
    across = [rim.offsets[k] - reach[k] for k in range(len(reach))]
    opposite = (rim.normals @ rim.normals.T).argmin(axis=1)
    reach += [
        min(_ROUNDING_MM, max((across[k] - reach[o]) / 2, 0.0)) for k, o in enumerate(opposite)
    ]
    empty = Polygon()
    return Variant(math.degrees(turn), there, there, empty, Polygon(grown.exterior), reach)


def _on_sheet(whole: Task, members: Sequence[int]) -> Task:
    return replace(whole, pieces=tuple(whole.pieces[i] for i in members), reach=())


def _named(spots: Sequence[Spot], members: Sequence[int]) -> list[Spot]:
    return [replace(s, piece=members[s.piece]) for s in spots]


def _first_fit(whole: Task, order: Sequence[int]) -> list[list[Spot]]:
    """Each piece on the first sheet that has room, as far left as it goes."""
    sheets: list[tuple[OverlapRemoval, list[int]]] = []
    grid = Grid(whole, 0.5, _NODES)
    for i in order:
        for search, members in sheets:
            found = search.best(i, members)
            if found is not None and found[0] < 0.3:
                search.at[i] = found[1]
                members.append(i)
                break
        else:
            search = OverlapRemoval(grid, 0)
            alone = search.best(i, [])
            if alone is not None:
                search.at[i] = alone[1]
                sheets.append((search, [i]))
    out = []
    for search, members in sheets:
        spots = [Spot(i, search.at[i][0], *grid.place(*search.at[i][1:])) for i in members]
        own = _on_sheet(whole, members)
        local = [replace(s, piece=k) for k, s in enumerate(spots)]
        exactly = exact(own, local)
        # half a cell of air is between the pieces: this does not fail
        out.append(_named(exactly if exactly is not None else local, members))
    return out


def _without_last(whole: Task, sheets: list[list[Spot]]) -> list[list[Spot]] | None:
    """The same pieces on one sheet less, or None where that is not found."""
    *kept, last = sheets
    room = [whole.shape.area - sum(_area(whole, s) for s in spots) for spots in kept]
    out = [list(spots) for spots in kept]
    for spot in sorted(last, key=lambda s: -_area(whole, s)):
        for k in sorted(range(len(out)), key=lambda k: -room[k]):
            spare = room[k] - (1 - _FULLEST) * whole.shape.area
            if _area(whole, spot) > spare:
                continue
            members = [*(s.piece for s in out[k]), spot.piece]
            own = _on_sheet(whole, members)
            grid = Grid(own, 0.5, _NODES)
            search = OverlapRemoval(grid, 1)
            for n, s in enumerate(out[k]):
                search.at[n] = (s.turn, *grid.node(s.x_mm, s.y_mm))
            found = exact(own, search.spots()) if search.solve(_SWEEPS) else None
            if found is not None:
                out[k] = _named(found, members)
                room[k] -= _area(whole, spot)
                break
        else:
            return None
    return out


def _area(whole: Task, spot: Spot) -> float:
    return float(whole.variant(spot).envelope.area)


def _lying_rad(piece: Polygon) -> float:
    """Turn that lays a piece's long side along x."""
    angle = axis_rad(piece)
    if angle is None:
        x0, y0, x1, y1 = piece.bounds
        angle = math.pi / 2 if y1 - y0 > x1 - x0 else 0.0
    return -angle
