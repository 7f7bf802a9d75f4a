"""Shapes from outside are refused before they cost more than they are worth."""

from __future__ import annotations

import resource
import time
from typing import Any

import numpy as np
import pytest
from shapely.geometry import Polygon

from tracer.geometry.sound import UnsoundShape, sound_area, sound_polygon, sound_ring

#: a tool's outline with a piece of its text repeated, as a damaged file holds it
CIRCLE = np.column_stack([f(np.linspace(0, 2 * np.pi, 400)[:-1]) * 50 for f in (np.cos, np.sin)])


def scribble(times: int) -> np.ndarray:
    piece = CIRCLE[[10, 200, 90, 300]]
    return np.concatenate([CIRCLE[:100], *[piece] * times, CIRCLE[100:]]).round(3)


@pytest.mark.parametrize("times", [3, 100, 10_000])
def test_a_piece_repeated_is_refused_in_little_time_and_memory(times: int) -> None:
    """Mended, the longest would hold a node for each of a billion crossings."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start = time.process_time()
    with pytest.raises(UnsoundShape, match="crosses itself"):
        sound_polygon(scribble(times))
    with pytest.raises(UnsoundShape, match="crosses itself"):
        sound_area({"type": "MultiPolygon", "coordinates": [[scribble(times).tolist()]]})
    assert time.process_time() - start < 10
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 600_000  # kB


def test_edges_that_touch_by_rounding_pass_whatever_their_number() -> None:
    """A comb of 8000 corners whose slits a micrometre closes: no more area than a trace."""
    x = np.repeat(np.linspace(0, 2000, 2000), 4)
    y = np.tile([0.0, 30.0, 30.0, 0.0], 2000)
    dx = np.tile([-0.0002, -0.0002, 0.0002, 0.0002], 2000)
    ring = np.concatenate([np.column_stack([x + dx, y]), [(2000, 60), (0, 60)]]).round(3)
    assert sound_polygon(ring).area == pytest.approx(2000 * 60, rel=0.02)


BOWTIE = [(0, 0), (10, 10), (10, 0), (0, 10)]


@pytest.mark.parametrize(
    ("ring", "words"),
    [
        (BOWTIE, "crosses itself"),
        ([(0, 0), (10, 0)], "2 corners"),
        ([(0, 0), (10, 0), (float("nan"), 3)], "not finite"),
        ([(0, 0), (10, 0), (float("inf"), 3)], "not finite"),
        ([(0, 0), (10, 0), (2e6, 3)], "from the origin"),
        ([(0, 0), (10, 0), (5, 0)], "no area"),
        ([(0, 0), (10, 0), "ab"], "not two numbers"),
        ([(0, 0), (10, 0), None], "not two numbers"),
        ([], "not two numbers"),
        (7, "not two numbers"),
        (np.random.default_rng(1).random((60_000, 2)), "corners, more than"),
    ],
)
def test_a_shape_is_checked_once_for_all(ring: Any, words: str) -> None:
    with pytest.raises(UnsoundShape, match=words):
        sound_polygon(ring)


def test_sound_shapes_keep_their_corners() -> None:
    square = [(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0)]
    assert list(sound_polygon(square).exterior.coords)[:-1] == square
    # touching itself by a rounding encloses nothing: the corners stay as written
    touching = [(0, 0), (10, 0), (10, 5), (5, 5.0001), (5, 5), (10, 5), (10, 10), (0, 10)]
    assert not Polygon(touching).is_valid
    assert len(sound_polygon(touching).exterior.coords) == 9
    assert len(sound_ring([], least=0)) == 0
    for value in (None, {"type": "Point", "coordinates": [1, 2]}, {"type": "Polygon"}, {}):
        with pytest.raises(UnsoundShape):
            sound_area(value)
