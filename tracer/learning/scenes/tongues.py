"""Random bulky bodies with a small flat thing that sticks out: tape measures, latches, stubs."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.random import Generator

from tracer.learning.scenes.hand_tools import Recipe
from tracer.learning.scenes.shapes import Shape

__all__ = ["OUT_MM", "TONGUED", "tape_measure"]

OUT_MM = (5.0, 40.0)  # how far a tongue reaches beyond the body
_RIBBONS = ["rule", "rule", "rule", "steel", "pale", "plain"]
_LIPS = ["steel", "steel", "chrome", "plated", "metal", "dark metal"]
_BODIES = ["body", "body", "dark body", "rubber", "black", "paint", "chrome", "banded"]


def _out(g: Generator) -> float:
    return float(np.exp(g.uniform(*np.log(OUT_MM))))


def tape_measure(g: Generator) -> tuple[Shape, list[str]]:
    """Tape measures on their side or upright; the ribbon's end, or more of it, with its hook."""
    s = Shape()
    a, thick = g.uniform(42, 95), g.uniform(20, 48)
    b = a * g.uniform(0.78, 1.1)
    lies = g.random() < 0.6
    span, height = (b, thick) if lies else (thick, b)
    ribbon = min(g.uniform(10, 32), 0.8 * thick)
    drawn = _out(g) if g.random() < 0.75 else g.uniform(40, 120 if lies else 260)
    edge = g.uniform(2, min(16.0, 0.4 * thick))
    s.box((0, 0, height / 2), (a, span, height), edge=edge, mat=1)
    nose = g.random() < 0.5
    if nose:
        at = (a * 0.3, -span * 0.3, height / 2) if lies else (a * 0.3, 0, height * 0.25)
        long = (a * 0.5, span * 0.4, height) if lies else (a * 0.5, span, height * 0.5)
        s.box(at, long, edge=min(edge, 4), mat=3)
    x0, end, t = a / 2 - 20, a * (0.55 if nose else 0.5) + drawn, g.uniform(0.3, 1.2)
    lip, wide = g.uniform(3, 14), ribbon * g.uniform(0.7, 1.15)
    if lies:  # the ribbon on its edge
        if g.random() < 0.6:
            s.post(
                0, 0, height * 0.7, height + g.uniform(-0.5, 1.5), a * g.uniform(0.2, 0.4), mat=3
            )
        y, z = -span / 2 + g.uniform(3, 9), height / 2
        s.box(((x0 + end) / 2, y, z), (end - x0, t + g.uniform(0, 2.5), ribbon), edge=0.15, mat=0)
        s.box((end, y - lip / 2 + t, z), (g.uniform(0.8, 1.8), lip, wide), edge=0.3, mat=2)
        s.box((end - 7, y - t, z), (g.uniform(9, 18), 1.2, ribbon * 0.6), edge=0.3, mat=2)
    else:
        z = g.uniform(1.0, min(9.0, lip + 1))
        s.box(((x0 + end) / 2, 0, z), (end - x0, ribbon, t), edge=0.15, mat=0)
        low = max(0.1, z - lip)
        high = z + t + g.choice([0.0, g.uniform(1, 6)])
        s.box((end, 0, (low + high) / 2), (g.uniform(0.8, 1.8), wide, high - low), edge=0.3, mat=2)
        s.box((end - 7, 0, z + t * 0.6), (g.uniform(9, 18), ribbon * 0.6, 1.0), edge=0.3, mat=2)
    if g.random() < 0.3:  # a wrist loop
        w = np.linspace(0.6, 5.68, 7)
        p = np.column_stack([-a / 2 - 14 + 20 * np.cos(w), 9 * np.sin(w)])
        p[[0, -1], 0] = -a / 2 + 16  # fast in the housing, however round its edges are
        for one, two in pairwise(p):
            s.bar((*one, 2.0), (*two, 2.0), 1.6, mat=3)
    slots = [str(g.choice(_RIBBONS)), str(g.choice(_BODIES)), str(g.choice(_LIPS))]
    return s, [*slots, str(g.choice(["accent", "rubber", "pale"]))]


def tongued(g: Generator) -> tuple[Shape, list[str]]:
    """Any bulky body with one to three tongues, stubs of blades, latches, contacts or clips."""
    s = Shape()
    h = g.uniform(14, 85)
    a, b = g.uniform(25, 130), g.uniform(22, 90)
    kind = g.integers(4)
    if kind == 0:
        s.box((0, 0, h / 2), (a, b, h), edge=g.uniform(1, min(14.0, 0.4 * min(b, h))), mat=1)
    elif kind == 1:
        s.egg((0, 0, h * 0.5), (a / 2, b / 2, h * 0.5), mat=1)
    elif kind == 2:
        s.post(0, 0, 0, h, b / 2, n=int(g.choice([0, 0, 6, 8])), edge=g.uniform(0.5, 6), mat=1)
        a = b
    else:
        r = min(b, h) / 2
        s.bar((-a / 2, 0, r), (a / 2, 0, r), r, r * g.uniform(0.7, 1), mat=1)
        a, b, h = a + 2 * r, 2 * r, 2 * r
    for _ in range(int(g.choice([1, 1, 2, 3]))):
        side = int(g.integers(4))
        yaw = 1.5708 * side + (g.uniform(-0.5, 0.5) if g.random() < 0.3 else 0.0)
        reach, room = (a / 2, b) if side % 2 == 0 else (b / 2, a)
        out, wide = _out(g), g.uniform(4, max(5.0, min(34.0, 0.6 * room)))
        t = float(np.exp(g.uniform(np.log(0.4), np.log(4))))
        if g.random() < 0.25:  # on its edge
            wide, t = t, min(wide, 0.5 * h)
        z = float(np.clip(g.uniform(0.1, 0.75) * h, t / 2, h))
        far = reach + out
        c, sn = np.cos(yaw), np.sin(yaw)
        s.box((c * far / 2, sn * far / 2, z), (far, wide, t), yaw=yaw, edge=0.2, mat=0)
        if g.random() < 0.5:  # an end lip, up or down
            low = float(np.clip(z - g.choice([0.5 * t, g.uniform(3, 14)]), 0, z))
            high = z + t / 2 + g.choice([0.0, g.uniform(2, 9)])
            size = (g.uniform(0.8, 2.5), wide, high - low)
            s.box((c * far, sn * far, (low + high) / 2), size, yaw=yaw, edge=0.3, mat=2)
    steel = str(g.choice([*_LIPS, "pale", "plain"]))
    return s, [steel, str(g.choice(_BODIES)), "same" if g.random() < 0.5 else str(g.choice(_LIPS))]


TONGUED: tuple[Recipe, ...] = (tape_measure, tape_measure, tape_measure, tongued, tongued)
