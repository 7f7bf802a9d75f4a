"""Depths of overlap on the raster, against boxes and discs whose depth is known in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from tracer.model.panel import BayKind
from tracer.panel.packing.grid import Grid
from tracer.panel.packing.overlap import OverlapRemoval
from tracer.panel.packing.pairs import Pairs
from tracer.panel.packing.task import Member, Piece, Rim, Task, Variant

EMPTY = Polygon()


def piece(name: str, shape: Polygon, bay: Polygon) -> Piece:
    """A shape that is its own opening and envelope, at quarter turns."""
    normals = Rim.of(bay).normals
    variants = []
    for quarter in range(4):
        turned = affinity.rotate(shape, 90 * quarter, origin=(0, 0))
        corners = np.asarray(turned.exterior.coords)[:, :2]
        reach = (normals @ corners.T).max(axis=1)
        variants.append(Variant(90.0 * quarter, turned, turned, EMPTY, turned, reach))
    return Piece((Member(name),), tuple(variants), False, 0, name, 1.0, 1.0)


def task_for(shapes: list[Polygon], width: float, height: float, **more: object) -> Task:
    bay = box(0, 0, width, height)
    pieces = tuple(piece(f"T{n:02d}", s, bay) for n, s in enumerate(shapes, start=1))
    return Task(bay, BayKind.DRAWER, pieces, 0.0, **more)  # type: ignore[arg-type]


def centred(width: float, height: float) -> Polygon:
    return box(-width / 2, -height / 2, width / 2, height / 2)


@pytest.mark.parametrize("step", [(0, 0), (7, 3), (-12, 20), (30, -5), (0, 44), (52, 0), (41, 41)])
def test_two_boxes_overlap_as_deep_as_the_lesser_way_out(step: tuple[int, int]) -> None:
    """Axis-parallel boxes part by the lesser of what they share in x and in y (closed form)."""
    a, b = (60.0, 40.0), (40.0, 48.0)
    grid = Grid(task_for([centred(*a), centred(*b)], 300, 300), nodes=90_000)
    pairs = Pairs(grid)
    cell = grid.cell_mm
    first, second = (0, 150, 150), (0, 150 - step[0], 150 - step[1])
    found = pairs.shared(0, first, 1, second) / 8 * cell  # kept in eighths of a cell
    ways = [(s + o) / 2 - abs(d) * cell for s, o, d in zip(a, b, step, strict=True)]
    known = max(min(ways), 0.0)
    assert found == pytest.approx(known, abs=1.5 * cell)
    assert (found > 0) == (known > 0) or known < cell
    assert pairs.shared(1, second, 0, first) / 8 * cell == found  # seen from the other side


def test_two_discs_overlap_by_their_radii_less_their_distance() -> None:
    grid = Grid(task_for([Point(0, 0).buffer(30), Point(0, 0).buffer(20)], 300, 300), nodes=90_000)
    pairs, cell = Pairs(grid), grid.cell_mm
    for dx, dy in ((0, 0), (10, 10), (25, 25), (30, 30), (50, 3), (60, 0)):
        found = pairs.shared(0, (0, 100 + dx, 100 + dy), 1, (0, 100, 100)) / 8 * cell
        assert found == pytest.approx(max(50 - math.hypot(dx, dy) * cell, 0.0), abs=1.6 * cell)


def test_the_cost_of_all_nodes_is_the_sum_of_the_pairs_and_bars_what_is_blocked() -> None:
    shapes = [centred(50, 30), Point(0, 0).buffer(25), centred(20, 70)]
    task = task_for(shapes, 260, 200, blocked=(box(180, 0, 260, 60),))
    grid = Grid(task)
    search = OverlapRemoval(grid, 0)
    search.at = {1: (0, *grid.node(100, 90)), 2: (1, *grid.node(150, 120))}
    search.weights[0, 1] = 3.0
    room = search.room(0, 0)
    assert room is not None
    rows, columns, _ = room
    cost = search.pairs.cost(0, 0, [1, 2], search.at, search.weights, rows, columns)
    dice = np.random.default_rng(3)
    for _ in range(60):
        r, c = int(dice.integers(cost.shape[0])), int(dice.integers(cost.shape[1]))
        at = (0, columns.start + c, rows.start + r)
        one, two = (search.pairs.shared(0, at, j, search.at[j]) for j in (1, 2))
        if search.pairs.on_blocked(0, at):
            assert cost[r, c] > 1e8
        else:
            assert cost[r, c] == pytest.approx(3 * one + two, rel=1e-5)


def test_a_piece_is_parted_to_where_nothing_overlaps_by_shapely() -> None:
    shapes = [centred(90, 40), centred(90, 40), centred(90, 40)]
    task = task_for(shapes, 100, 130)
    search = OverlapRemoval(Grid(task, 0.5), 1)
    search.at = {i: (0, *search.grid.node(50, 60 + i)) for i in range(3)}
    assert search.solve(60)
    placed = [task.envelope(s) for s in search.spots()]
    shared = [a.intersection(b).area for n, a in enumerate(placed) for b in placed[n + 1 :]]
    assert max(shared) < 1.0


@pytest.mark.parametrize("many", [False, True])
def test_tables_are_the_same_for_few_and_for_many_pieces(many: bool) -> None:
    """Depths kept short, for sets of many pieces, are those of small sets."""
    shapes = [centred(30, 18), Point(0, 0).buffer(12)] + [centred(5, 5)] * (40 if many else 0)
    grid = Grid(task_for(shapes, 200, 200), nodes=40_000)
    found = Pairs(grid).table(0, 0, 1, 0)[0]
    assert found.dtype == (np.uint16 if many else np.float32)
    grid = Grid(task_for(shapes[:2], 200, 200), nodes=40_000)
    assert np.array_equal(found, Pairs(grid).table(0, 0, 1, 0)[0])
