"""Seams, bed sections, layers and nesting: against brute force."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from tests.panel.bench import bar, spanner
from tracer.model.panel import BayKind
from tracer.panel.rules import rules_for
from tracer.panel.stock.layers import best_layers
from tracer.panel.stock.nest import nest
from tracer.panel.stock.seams import best_cuts, split_slab
from tracer.panel.stock.sections import bed_sections

RULES = rules_for(BayKind.DRAWER)


@settings(max_examples=40, deadline=None)
@given(
    blocks=st.lists(st.tuples(st.integers(0, 26), st.integers(1, 6)), max_size=6),
    limit=st.integers(11, 25),
)
def test_cuts_cross_as_few_blocks_as_brute_force(blocks: list[tuple[int, int]], limit: int) -> None:
    """All sets of up to three cuts on the 5 mm grid of a 30-step length."""
    length = 150.0
    blocked = [(5.0 * a, 5.0 * (a + w)) for a, w in blocks]
    limit_mm = 5.0 * limit
    found = best_cuts(0.0, length, limit_mm, blocked)
    fewest = int(np.ceil(length / limit_mm))
    assert found is not None
    marks = np.arange(5.0, length, 5.0)

    def crossed(cuts: tuple[float, ...]) -> int:
        return sum(a < c < b for c in cuts for a, b in blocked)

    best = min(
        crossed(cuts)
        for n in range(fewest - 1, fewest + 1)
        for cuts in itertools.combinations(marks, n)
        if all(b - a <= limit_mm + 1e-9 for a, b in itertools.pairwise((0.0, *cuts, length)))
    )
    # more cuts, or the middles of gaps, can only be better
    assert found.crossed <= best
    assert max(np.diff([0.0, *found.at_mm, length])) <= limit_mm + 1e-6
    assert found.crossed == crossed(found.at_mm)


def test_tiles_cover_the_panel_and_fit_the_sheet() -> None:
    shape = Polygon([(0, 0), (1400, 0), (1390, 905), (8, 900)])
    openings = [box(x, y, x + 120, y + 200) for x in range(60, 1300, 180) for y in (100, 500)]
    tiles = split_slab(shape, (1000.0, 500.0), openings, rules=RULES)
    assert tiles is not None
    assert sum(t.area for t, _ in tiles) == pytest.approx(shape.area, rel=1e-9)
    for tile, turned in tiles:
        w, h = tile.bounds[2] - tile.bounds[0], tile.bounds[3] - tile.bounds[1]
        limits = (500, 1000) if turned else (1000, 500)
        assert w <= limits[0] + 1e-6 and h <= limits[1] + 1e-6
        # no opening is cut, and foam is left beside the seam
        for opening in openings:
            inside = tile.intersection(opening).area
            assert inside == pytest.approx(0) or inside == pytest.approx(opening.area)
            if inside:
                others = [t for t, _ in tiles if t is not tile]
                assert min(t.distance(opening) for t in others) >= RULES.seam_clear_mm - 1e-6


def test_a_sheet_too_small_either_way_gives_nothing() -> None:
    assert split_slab(box(0, 0, 500, 500), (0.0, 100.0), [], rules=RULES) is None


def test_bed_sections_share_pins_that_both_positions_reach() -> None:
    tile = box(0, 0, 1200, 400)
    openings = [box(x, 100, x + 80, 300) for x in (60, 200, 340, 480, 660, 800, 940, 1080)]
    sections = bed_sections(tile, (800.0, 500.0), openings, RULES)
    assert len(sections) == 2
    first, second = sections
    assert set(first.pins_mm) == set(second.pins_mm) and len(first.pins_mm) == 2
    for section in sections:
        x0, y0, x1, y1 = section.window_mm
        assert x1 - x0 <= 800 + 1e-6 and y1 - y0 <= 500 + 1e-6
        for pin in section.pins_mm:
            assert box(x0, y0, x1, y1).buffer(-3).contains(Point(pin))
    # pins lie in waste where there is some
    assert all(any(o.buffer(-3).contains(Point(p)) for o in openings) for p in first.pins_mm)
    (whole,) = bed_sections(tile, (1300.0, 500.0), openings, RULES)
    assert whole.pins_mm == () and whole.cell.equals(tile)
    # one opening as long as the tile: no line is free
    assert bed_sections(tile, (800.0, 500.0), [box(20, 50, 1180, 350)], RULES) == []


@settings(max_examples=50, deadline=None)
@given(
    sizes=st.lists(st.sampled_from([3, 5, 8, 10, 15, 20]), min_size=1, max_size=4, unique=True),
    depths=st.lists(st.floats(1, 39), min_size=1, max_size=6),
)
def test_layers_add_least_as_brute_force_finds(sizes: list[int], depths: list[float]) -> None:
    total = 40
    layers = best_layers(total, sizes, depths)

    def added(stack: tuple[float, ...]) -> float:
        joints = np.cumsum(stack)
        return sum(float(min(joints[joints >= d - 1e-6])) - d for d in depths)

    all_stacks = [
        stack
        for n in range(1, 7)
        for stack in itertools.product(sizes, repeat=n)
        if sum(stack) == total
    ] or [(total,)]
    assert sum(layers) == total
    assert added(layers) == pytest.approx(min(added(s) for s in all_stacks), abs=1e-6)


def test_nested_pieces_lie_apart_on_their_sheets() -> None:
    rng = np.random.default_rng(8)
    pieces = [
        affinity.rotate(spanner() if i % 2 else bar(), float(rng.uniform(0, 180)))
        for i in range(40)
    ]
    places, too_large = nest(pieces, (600.0, 400.0), gap_mm=8, rim_mm=5)
    assert too_large == [] and [p.piece for p in places] == list(range(40))
    for sheet in {p.sheet for p in places}:
        laid = [p.placement.apply(pieces[p.piece]) for p in places if p.sheet == sheet]
        for i, a in enumerate(laid):
            assert box(0, 0, 600, 400).buffer(-4.99).contains(a)
            assert all(a.distance(b) >= 8 - 1e-6 for b in laid[i + 1 :])
    assert nest([box(0, 0, 700, 100)], (600.0, 400.0), gap_mm=8, rim_mm=5)[1] == [0]


def test_three_sheets_where_boxes_in_rows_took_five() -> None:
    """Hooks nest into each other: twelve boxes of 220 x 220 in rows fill a sheet each four."""
    hook = box(0, 0, 220, 220).difference(box(45, 45, 221, 221))
    assert isinstance(hook, Polygon)
    pieces = [affinity.rotate(hook, 90.0 * n, origin=(0, 0)) for n in range(12)]
    places, too_large = nest(pieces, (600.0, 500.0), gap_mm=8, rim_mm=5)
    assert too_large == []
    # area says one sheet at least: 12 * 17 775 mm2 of 300 000; by boxes it would be three
    assert max(p.sheet for p in places) <= 2


def test_pieces_keep_the_direction_of_the_grain() -> None:
    upright = [box(0, 0, 60, 200)]
    assert nest(upright, (600.0, 150.0), gap_mm=8, rim_mm=5)[1] == []
    assert nest(upright, (600.0, 150.0), gap_mm=8, rim_mm=5, grain=True)[1] == [0]


def test_a_piece_as_large_as_the_sheet_takes_one() -> None:
    whole = box(0, 0, 600, 400)
    places, too_large = nest([whole, whole], (400.0, 600.0), gap_mm=8, rim_mm=0)
    assert too_large == [] and [p.sheet for p in places] == [1, 2]
    assert places[0].placement.apply(whole).bounds == pytest.approx((0, 0, 600, 400))


@pytest.mark.parametrize("width", [900.0, 1280.0, 1290.0, 1300.0])
def test_pin_holes_of_neighbouring_positions_are_one_hole_or_far_apart(width: float) -> None:
    """Three and more positions of the bed whose overlaps meet: holes a hair apart tear out."""
    sections = bed_sections(box(0, 0, width, 300), (440.0, 400.0), [], RULES)
    assert len(sections) >= 3
    pins = sorted({pin for s in sections for pin in s.pins_mm})
    apart = [math.dist(a, b) for a, b in itertools.combinations(pins, 2)]
    assert min(apart) >= 40
    for one, other in itertools.pairwise(sections):
        assert len(set(one.pins_mm) & set(other.pins_mm)) >= 2


def test_pin_holes_of_a_grid_of_positions_share_waste_without_tearing_it() -> None:
    openings = [
        box(x, y, x + 110, y + 95) for x in range(60, 861, 160) for y in range(40, 561, 130)
    ]
    inside = [o for o in openings if o.bounds[2] < 820]
    sections = bed_sections(box(0, 0, 820, 690), (470.0, 400.0), inside, RULES)
    pins = sorted({pin for s in sections for pin in s.pins_mm})
    assert len(sections) >= 4 and all(len(s.pins_mm) >= 2 for s in sections)
    assert min(math.dist(a, b) for a, b in itertools.combinations(pins, 2)) >= 40
