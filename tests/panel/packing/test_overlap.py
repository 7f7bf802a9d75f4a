"""Overlaps worked off on the raster, held against shapely's areas."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import Point, box

from tests.panel.packing.shapes import centred, task_for
from tracer.panel.packing.grid import Grid
from tracer.panel.packing.overlap import OverlapRemoval


@pytest.mark.parametrize("blocked", [(), (box(150, 0, 200, 60),)])
def test_pieces_are_parted_to_where_nothing_overlaps(blocked: tuple[object, ...]) -> None:
    shapes = [centred(90, 40), centred(90, 40), centred(30, 70), Point(0, 0).buffer(18)]
    task = task_for(shapes, 200, 130, blocked=blocked)
    search = OverlapRemoval(Grid(task, 0.5), 1)
    search.at = {i: (0, *search.grid.node(90, 60 + i)) for i in range(len(shapes))}
    assert search.solve(60)
    placed = [task.envelope(s) for s in search.spots()]
    shared = [a.intersection(b).area for n, a in enumerate(placed) for b in placed[n + 1 :]]
    shared += [p.intersection(b).area for p in placed for b in blocked]  # type: ignore[arg-type]
    assert max(shared) < 2.0
    assert all(task.shape.buffer(1.0).contains(p) for p in placed)


def test_shared_nodes_are_the_shared_area() -> None:
    task = task_for([centred(60, 40), Point(0, 0).buffer(25)], 200, 200)
    search = OverlapRemoval(Grid(task), 0)
    for dx, dy in ((0, 0), (20, 10), (40, 5), (60, 60)):
        search.at = {0: (0, *search.grid.node(90, 90)), 1: (0, *search.grid.node(90 + dx, 90 + dy))}
        a, b = (task.envelope(s) for s in search.spots())
        found = search.overlaps()[0, 1] * search.grid.cell_mm**2
        assert found == pytest.approx(a.intersection(b).area, abs=0.02 * a.area)


def test_what_lies_beyond_the_strip_or_the_bay_is_taken_out() -> None:
    task = task_for([centred(40, 40)] * 3, 200, 100)
    search = OverlapRemoval(Grid(task), 0)
    node = search.grid.node
    search.limit_mm = 120.0
    search.at = {0: (0, *node(50, 50)), 1: (0, *node(110, 50)), 2: (0, *node(50, 95))}
    search.drop_outside()
    assert list(search.at) == [0]


def test_weights_stay_where_a_transform_can_tell_one_node() -> None:
    task = task_for([centred(90, 90)] * 3, 100, 100)  # never to be parted
    search = OverlapRemoval(Grid(task), 0)
    search.at = {i: (0, *search.grid.node(50, 50)) for i in range(3)}
    assert not search.solve(60)
    assert np.isfinite(search.weights).all() and search.weights.max() <= 1e3
