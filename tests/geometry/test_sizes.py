"""Sizes of plain shapes: discs and blocks worked by hand, with bumps as a traced edge has them."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.affinity import rotate
from shapely.geometry import Point, Polygon, box

from tracer.geometry.sizes import diameter_mm, sides_mm

#: Council Regulation (EC) No 975/98, annex I: diameters of the 1 cent and the 1 and 2 euro coins
COINS_MM = (16.25, 23.25, 25.75)


@pytest.mark.parametrize("diameter", COINS_MM)
def test_the_diameter_of_a_coin_with_a_hole_and_a_wavy_edge(diameter: float) -> None:
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    radius = diameter / 2 + 0.1 * np.sin(9 * angle)
    ring = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    coin = Polygon(ring, [np.asarray(Point(0, 0).buffer(3).exterior.coords)])
    # the wave adds half its squared height to the mean square: 0.0025 mm of radius squared
    assert diameter_mm(coin) == pytest.approx(diameter, abs=0.002)


@pytest.mark.parametrize("turn", [0.0, 17.0, 45.0, 90.0, 133.0])
def test_the_sides_of_a_gauge_block_without_its_bump(turn: float) -> None:
    # ISO 3650: blocks over 10 mm have a face of 35 x 9 mm
    block = box(0, 0, 35, 9)
    bumped = block.union(Point(11, 9).buffer(0.8)).union(Point(35, 4).buffer(0.6))
    long, short = sides_mm(rotate(bumped, turn))
    assert (long, short) == pytest.approx((35, 9), abs=0.02)
    x0, y0, x1, y1 = bumped.bounds
    assert x1 - x0 > 35.5 and y1 - y0 > 9.7  # the box alone would be wrong


def test_sides_are_not_swapped_where_the_box_begins_with_the_short_one() -> None:
    for width, height in ((60, 20), (20, 60)):
        assert sides_mm(box(0, 0, width, height)) == pytest.approx((60, 20))
