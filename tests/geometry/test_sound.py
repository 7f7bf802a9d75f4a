"""Shapes from outside are refused before they cost more than they are worth."""

from __future__ import annotations

import resource
import time

import numpy as np
import pytest

from tracer.geometry.sound import UnsoundShape, sound_area, sound_polygon

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
