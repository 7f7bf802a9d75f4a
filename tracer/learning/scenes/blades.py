"""Random long thin things: files, rules, chisels, knives, saws, squares, drill bits."""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from tracer.learning.scenes.hand_tools import METAL_GRIP, chain, handle
from tracer.learning.scenes.shapes import CUT, Shape

__all__ = ["blade"]


def blade(g: Generator) -> tuple[Shape, list[str]]:
    """Files, rules, chisels, knives, saws, squares: thin long things, handled or bare."""
    s = Shape()
    kind = g.integers(6)
    if kind == 0:
        s.box(
            (0, 0, 0.6),
            (g.uniform(120, 520), g.uniform(10, 42), g.uniform(0.7, 2)),
            edge=0.2,
            mat=0,
        )
        if g.random() < 0.6:
            s.post(s.lo[0] + 9, 0, -3, 5, g.uniform(1.5, 4), op=CUT)
        return s, ["rule", "grip", "accent"]
    if kind == 1:
        length, w, t = g.uniform(90, 320), g.uniform(2.5, 15), g.uniform(2, 5)
        z = g.uniform(8, 15)
        s.plate(
            [(0, -w), (length, -w * g.uniform(0.2, 1)), (length, w * g.uniform(0.2, 1)), (0, w)],
            max(z - t, 0.2),
            z,
            mat=0,
        )
        handle(s, g, 2, -g.uniform(80, 130), z, z)
        return s, ["file", str(g.choice(["grip", "wood"])), "accent"]
    if kind == 2:
        h, length = g.uniform(30, 60), g.uniform(160, 480)
        s.plate(
            [(0, -h), (length, -h * 0.3), (length, h * 0.25), (length * 0.9, h * 0.4), (0, h)],
            4,
            5.3,
            mat=0,
        )
        q = g.uniform(45, 65)
        s.plate(
            [
                (4, -h),
                (10, h),
                (-q, h * 1.1),
                (-2 * q, h * 0.4),
                (-2 * q, -h * 1.3),
                (-q, -h * 1.5),
            ],
            0.5,
            22,
            edge=6,
            mat=1,
        )
        s.strip((-q * 0.8, h * 0.2), (-q * 1.3, -h * 0.6), 14, 14, -5, 40, op=CUT)
        return s, ["metal", str(g.choice(["grip", "wood"])), "accent"]
    if kind == 3:
        a, b, w = g.uniform(100, 320), g.uniform(60, 200), g.uniform(14, 40)
        s.box((a / 2, 0, 1), (a, w, 2), mat=0)
        s.box((0, b / 2, 6), (w, b, g.uniform(2, 14)), mat=int(g.integers(3)))
        return s, ["rule", str(g.choice(["grip", "wood"])), "accent"]
    if kind == 4:
        length, w, t = g.uniform(110, 180), g.uniform(9, 16), g.uniform(7, 12)
        b = g.uniform(-10, 10)
        p = np.array([[0, 0], [length * 0.35, b], [length * 0.7, b * 0.4], [length, 0]])
        chain(s, p, w * np.array([0.8, 1, 0.85, 0.7]), np.full(4, t), mat=1, flat=t)
        s.strip((length * 0.3, b), (length * 0.6, b * 0.5), 4, 4, t, 2 * t + 1.5, mat=2)
        if g.random() < 0.7:
            e = g.uniform(15, 70)
            s.plate(
                [
                    (length, -w * 0.5),
                    (length + e, -w * 0.5),
                    (length + e * 0.7, w * 0.5),
                    (length, w * 0.5),
                ],
                t,
                t + 0.8,
                mat=0,
            )
        return s, METAL_GRIP
    length, r = g.uniform(60, 230), g.uniform(1, 7)
    z = max(r, 2)
    s.rod((0, 0, z), (length, 0, z), r, n=int(g.choice([0, 6, 8, 4])), mat=0, edge=0.6)
    s.cone((length - 1, 0, z), (length + 3 * r, 0, z), r, r * 0.2, mat=0)
    if g.random() < 0.4:
        s.rod((-r * 4, 0, max(z, r * 1.8)), (2, 0, max(z, r * 1.8)), r * 1.8, mat=1, edge=1)
    return s, [str(g.choice(["metal", "dark metal"])), "grip", "accent"]
