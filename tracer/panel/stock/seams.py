"""Panels larger than a sheet: where the seams run, and which sheet each tile comes from.

Seams are straight and run right across a column, so that a maker can cut them with a rule. They
keep clear of every opening; where none is free, the seam that crosses fewest openings is taken
and reported by the checks. Seams of neighbouring layers are kept apart where there is a choice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import LineString, Polygon, box
from shapely.geometry.base import BaseGeometry

from tracer.geometry.rings import largest_polygon
from tracer.model.panel import Panel, Slab, Tile
from tracer.panel.fittings.openings import openings_in
from tracer.panel.rules import Rules

__all__ = ["Cuts", "best_cuts", "retiled", "seam_lines", "split_slab"]

Array = NDArray[np.float64]
Interval = tuple[float, float]

#: candidate seams lie on this grid, and in the middle of every free gap
_STEP_MM = 5.0
#: further sheets spent on keeping seams out of pockets
_EXTRA_PIECES = 2
_CONFLICT, _PIECE, _NEAR_OTHER, _UNEVEN = 1e6, 1e3, 1e2, 1.0


@dataclass(frozen=True)
class Cuts:
    """Positions of cuts along one axis, and how many blocked intervals they cross."""

    at_mm: tuple[float, ...]
    crossed: int


def best_cuts(
    start_mm: float,
    end_mm: float,
    limit_mm: float,
    blocked: Sequence[Interval],
    avoid_mm: Sequence[float] = (),
    stagger_mm: float = 0.0,
) -> Cuts | None:
    """Cuts that part a length into pieces no longer than ``limit_mm``, by dynamic programming.

    Fewest blocked intervals crossed first, then fewest pieces, then distance to the seams of the
    layer in front, then pieces of equal length. None when the limit cannot be kept.

    Examples
    --------
    >>> best_cuts(0, 1000, 600, [(400, 520), (560, 700)])
    Cuts(at_mm=(520.0,), crossed=0)
    """
    length = end_mm - start_mm
    if length <= limit_mm + 1e-6:
        return Cuts((), 0)
    if limit_mm <= 0:
        return None
    marks = _candidates(start_mm, end_mm, blocked)
    crossed = np.array([sum(a < m < b for a, b in blocked) for m in marks], np.float64)
    near = np.array([any(abs(m - v) < stagger_mm for v in avoid_mm) for m in marks], np.float64)
    price = _CONFLICT * crossed + _NEAR_OTHER * near
    price[[0, -1]] = 0.0
    fewest = int(np.ceil(length / limit_mm - 1e-9))
    even = length / fewest
    n = len(marks)
    cost = np.full((fewest + _EXTRA_PIECES + 1, n), np.inf)
    back = np.zeros(cost.shape, np.int64)
    cost[0, 0] = 0.0
    gaps = marks[None, :] - marks[:, None]
    step = np.where(
        (gaps > 1e-9) & (gaps <= limit_mm + 1e-6),
        _PIECE + _UNEVEN * np.abs(gaps - even) / even,
        np.inf,
    )
    for k in range(1, len(cost)):
        total = cost[k - 1][:, None] + step
        back[k] = total.argmin(axis=0)
        cost[k] = total.min(axis=0) + price
    k = int(cost[:, -1].argmin())
    if not np.isfinite(cost[k, -1]):
        return None
    at, j = [], n - 1
    while k > 0:
        j = int(back[k, j])
        at.append(j)
        k -= 1
    inner = [i for i in reversed(at) if i != 0]
    return Cuts(tuple(float(marks[i]) for i in inner), int(crossed[inner].sum()))


def _candidates(start: float, end: float, blocked: Sequence[Interval]) -> Array:
    edges = sorted(blocked)
    middles, reach = [], start
    for a, b in edges:
        if a > reach:
            middles.append((reach + a) / 2)
        reach = max(reach, b)
    if reach < end:
        middles.append((reach + end) / 2)
    grid = np.arange(start + _STEP_MM, end - 1e-6, _STEP_MM)
    inner = np.unique(np.round([*grid, *middles], 1))
    inner = inner[(inner > start) & (inner < end)]
    return np.concatenate([[start], inner, [end]])


def _blocks(openings: Sequence[BaseGeometry], axis: int, clear: float) -> list[Interval]:
    return [(o.bounds[axis] - clear, o.bounds[axis + 2] + clear) for o in openings]


def split_slab(
    shape: Polygon,
    size_mm: tuple[float, float],
    openings: Sequence[BaseGeometry],
    *,
    rules: Rules,
    avoid: tuple[Sequence[float], Sequence[float]] = ((), ()),
) -> list[tuple[Polygon, bool]] | None:
    """Tiles (region, sheet turned) of a slab, or None where sheets are too small.

    Both ways of laying the sheet and both orders of cutting are tried; fewest openings crossed
    wins, then fewest tiles.
    """
    x0, y0, x1, y1 = shape.bounds
    best: tuple[tuple[int, int, int], list[tuple[Polygon, bool]]] | None = None
    for turned in (False, True):
        limits = size_mm[::-1] if turned else size_mm
        for first in (0, 1):
            found = _guillotine((x0, y0, x1, y1), limits, openings, first, rules, avoid)
            if found is None:
                continue
            cells, crossed = found
            key = (crossed, len(cells), int(turned))
            if best is None or key < best[0]:
                tiles = [largest_polygon(shape.intersection(box(*cell))) for cell in cells]
                best = key, [(t, turned) for t in tiles if not t.is_empty]
    return None if best is None else best[1]


def _guillotine(
    bounds: tuple[float, float, float, float],
    limits: tuple[float, float],
    openings: Sequence[BaseGeometry],
    first: int,
    rules: Rules,
    avoid: tuple[Sequence[float], Sequence[float]],
) -> tuple[list[tuple[float, float, float, float]], int] | None:
    """Cells from cuts right across on one axis, then across each strip; and openings crossed."""
    second = 1 - first
    clear, stagger = rules.seam_clear_mm, rules.seam_stagger_mm
    cuts = best_cuts(
        bounds[first],
        bounds[first + 2],
        limits[first],
        _blocks(openings, first, clear),
        avoid[first],
        stagger,
    )
    if cuts is None:
        return None
    crossed, cells = cuts.crossed, []
    marks = [bounds[first], *cuts.at_mm, bounds[first + 2]]
    for a, b in pairwise(marks):
        within = [o for o in openings if o.bounds[first] < b and o.bounds[first + 2] > a]
        more = best_cuts(
            bounds[second],
            bounds[second + 2],
            limits[second],
            _blocks(within, second, clear),
            avoid[second],
            stagger,
        )
        if more is None:
            return None
        crossed += more.crossed
        ends = [bounds[second], *more.at_mm, bounds[second + 2]]
        for c, d in pairwise(ends):
            cells.append((a, c, b, d) if first == 0 else (c, a, d, b))
    return cells, crossed


def seam_lines(tiles: Sequence[Tile], shape: Polygon) -> list[LineString]:
    """Seams between tiles as lines, panel frame."""
    lines = []
    for i, tile in enumerate(tiles):
        for other in tiles[i + 1 :]:
            if tile.slab == other.slab:
                shared = tile.region.intersection(other.region)
                if shared.length > 1.0:
                    lines += [g for g in getattr(shared, "geoms", [shared]) if g.length > 1.0]
    return [line for line in lines if isinstance(line, LineString) and line.intersects(shape)]


def retiled(panel: Panel, rules: Rules) -> Panel:
    """The panel with tiles for every slab.

    A slab whose sheets are too small either way round stays whole; the checks report it.
    """
    tiles: list[Tile] = []
    avoid: tuple[list[float], list[float]] = ([], [])
    for slab in panel.slabs:
        size = _sheet(slab)
        parts = split_slab(panel.shape, size, openings_in(panel, slab), rules=rules, avoid=avoid)
        parts = parts or [(panel.shape, False)]
        parts.sort(key=lambda p: (-round(p[0].bounds[3], 1), round(p[0].bounds[0], 1)))
        tiles += [Tile(slab.index, n, r, t) for n, (r, t) in enumerate(parts, start=1)]
        x0, y0, x1, y1 = panel.shape.bounds
        avoid = (
            sorted({v for r, _ in parts for v in r.bounds[::2] if x0 < v < x1}),
            sorted({v for r, _ in parts for v in r.bounds[1::2] if y0 < v < y1}),
        )
    return replace(panel, tiles=tuple(tiles))


def _sheet(slab: Slab) -> tuple[float, float]:
    return slab.plies[0].stock.size_mm
