"""Openings pushed apart by the least sum of squared shifts, held against scipy's general solver."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from tests.geometry.shapes import spanner
from tracer.panel.swap.make_room import make_room

PANEL = box(0, 0, 400, 200)
GAP, EDGE = 8.0, 15.0


def gaps(openings: list[Polygon], shifts: np.ndarray) -> tuple[float, float]:
    """Least gap between openings, and least distance to the rim, once they have moved."""
    there = [affinity.translate(o, *s) for o, s in zip(openings, shifts, strict=True)]
    between = [a.distance(b) for i, a in enumerate(there) for b in there[:i]]
    assert all(PANEL.contains(o) for o in there)
    return min(between), min(o.distance(PANEL.exterior) for o in there)


def test_nothing_moves_where_there_is_room() -> None:
    shifts = make_room([box(20, 20, 80, 60), box(100, 20, 160, 60)], PANEL, GAP, EDGE)
    assert shifts is not None and not shifts.any()


def test_two_boxes_share_what_lacks_between_them() -> None:
    # 3 mm apart, 8 asked: 2.5 mm each way is the least sum of squares (by symmetry)
    shifts = make_room([box(100, 50, 160, 90), box(163, 50, 223, 90)], PANEL, GAP, EDGE)
    assert shifts == pytest.approx(np.array([[-2.5, 0], [2.5, 0]]), abs=0.06)
    # at the rim only one of them can give way
    shifts = make_room([box(15, 50, 75, 90), box(78, 50, 138, 90)], PANEL, GAP, EDGE)
    assert shifts == pytest.approx(np.array([[0, 0], [5, 0]]), abs=0.06)
    # nor where one must stay
    shifts = make_room([box(100, 50, 160, 90), box(163, 50, 223, 90)], PANEL, GAP, EDGE, still=[1])
    assert shifts == pytest.approx(np.array([[-5, 0], [0, 0]]), abs=0.06)


def test_a_row_gives_way_in_turn_as_a_general_solver_finds_it() -> None:
    """A tool grown by 30 mm in a row of boxes at the least gap: shifts against SLSQP's."""
    xs = [(20, 60), (68, 138), (146, 190), (198, 240)]
    row = [box(a, 50, b, 120) for a, b in xs]

    def lacking(x: np.ndarray) -> np.ndarray:
        inner = [(xs[k + 1][0] + x[k + 1]) - (xs[k][1] + x[k]) - GAP for k in range(3)]
        rim = [xs[0][0] + x[0] - EDGE, 400 - EDGE - xs[3][1] - x[3]]
        return np.array(inner + rim)

    xs[1] = (68, 168)  # the grown one
    row[1] = box(68, 50, 168, 120)
    best = minimize(
        lambda x: float(x @ x), np.zeros(4), constraints={"type": "ineq", "fun": lacking}
    )
    shifts = make_room(row, PANEL, GAP, EDGE)
    assert shifts is not None
    # it may also go round the others: never more than along the row
    assert (shifts**2).sum() <= best.fun * 1.05
    between, rim = gaps(row, shifts)
    assert between >= GAP - 0.06 and rim >= EDGE - 0.06


def heap(seed: int) -> list[Polygon]:
    """Four openings thrown onto the panel, some of them onto one another."""
    rng = np.random.default_rng(seed)
    small = affinity.scale(spanner(), 0.4, 0.4)
    openings = []
    for shape in (small, box(0, 0, 60, 25), Point(0, 0).buffer(18), box(0, 0, 30, 70)):
        x, y = rng.uniform((60, 50), (330, 150))
        turned = affinity.rotate(shape, rng.uniform(0, 360))
        centre = shape.centroid
        openings.append(affinity.translate(turned, x - centre.x, y - centre.y))
    return openings


def test_every_gap_is_kept_where_room_is_found_and_mostly_it_is() -> None:
    lock, found = box(185, 90, 215, 110), 0
    for seed in range(16):
        openings = heap(seed)
        shifts = make_room(openings, PANEL, GAP, EDGE, fixed=[lock])
        if shifts is None:
            continue
        found += 1
        between, rim = gaps(openings, shifts)
        assert between >= GAP - 0.06 and rim >= EDGE - 0.06
        there = [affinity.translate(o, *s) for o, s in zip(openings, shifts, strict=True)]
        assert min(o.distance(lock) for o in there) >= GAP - 0.06
    # a heap is harder than one grown pocket among others; four of five is what was seen
    assert found >= 12


def test_what_cannot_be_is_said() -> None:
    wide = [box(20, 20, 200, 180), box(190, 20, 390, 180)]
    assert make_room(wide, PANEL, GAP, EDGE) is None
