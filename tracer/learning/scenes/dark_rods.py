"""Random small keys and rods of 1.5 to 6 mm: what is hard to see on black foam."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.random import Generator

from tracer.learning.scenes.hand_tools import Recipe, hex_key
from tracer.learning.scenes.open_shapes import long_key
from tracer.learning.scenes.shapes import Shape

__all__ = ["ACROSS_MM", "DARK_RODS", "dark_rod", "small_key"]

ACROSS_MM = (1.5, 6.0)
_STEEL = ["dark metal", "dark metal", "dark metal", "black", "steel", "metal"]


def small_key(g: Generator) -> tuple[Shape, list[str]]:
    """L keys, bent in a short curve, some with a ball, a bright tip or a sleeve; bent twice."""
    s = Shape()
    r = g.uniform(*ACROSS_MM) / 2
    n = int(g.choice([6, 6, 6, 0]))
    long, short = g.uniform(28, 130), g.uniform(9, 42)
    bend = min(2 * r * g.uniform(0.8, 2.0), short * 0.5)
    s.rod((bend, 0, r), (long, 0, r), r, n=n, mat=0)
    w = np.linspace(1.5 * np.pi, np.pi, 5)
    p = np.column_stack([bend + bend * np.cos(w), bend + bend * np.sin(w)])
    for a, b in pairwise(p):
        s.bar((*a, r), (*b, r), r * 1.03, mat=0)
    s.rod((0, bend, r), (0, short, r), r, n=n, mat=0)
    roll = g.random()
    if roll < 0.2:
        s.bar((long, 0, r), (long + r, 0, r), r * 0.95, mat=0)
    elif roll < 0.35:
        s.rod((long - g.uniform(2, 12), 0, r), (long + 0.1, 0, r), r * 1.02, n=n, mat=2)
    elif roll < 0.5:
        s.rod((long * 0.3, 0, r * 1.3), (long * g.uniform(0.5, 0.9), 0, r * 1.3), r * 1.4, mat=1)
    return s, [str(g.choice(_STEEL)), str(g.choice(["rubber", "black", "grip"])), "metal"]


def dark_rod(g: Generator) -> tuple[Shape, list[str]]:
    """Pins, bits, punches, spokes and tommy bars, plain or stepped, some with a sharp end."""
    s = Shape()
    r, long = g.uniform(*ACROSS_MM) / 2, g.uniform(18, 260)
    n = int(g.choice([0, 0, 6, 4, 8]))
    s.rod((0, 0, r), (long, 0, r), r, n=n, mat=0, edge=0.3)
    kind = g.integers(4)
    if kind == 0:
        s.cone((long - 0.3, 0, r), (long + g.uniform(2, 9), 0, r), r, 0.15 * r, mat=0)
    elif kind == 1:
        q = r * g.uniform(0.4, 0.8)
        s.rod((long - 1, 0, r), (long + g.uniform(8, 60), 0, r), q, mat=0, edge=0.2)
    elif kind == 2:
        q = min(r * g.uniform(1.2, 2.0), ACROSS_MM[1] / 2)
        s.rod((-g.uniform(6, 40), 0, max(q, r)), (1, 0, max(q, r)), max(q, r), mat=1, edge=0.5)
    return s, [str(g.choice(_STEEL)), "same" if g.random() < 0.5 else "black"]


DARK_RODS: tuple[Recipe, ...] = (
    small_key,
    small_key,
    small_key,
    dark_rod,
    dark_rod,
    hex_key,
    long_key,
)
