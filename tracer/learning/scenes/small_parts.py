"""Random small, flat and pierced things: coins, screws, washers, keys, links, plates with holes."""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from tracer.learning.scenes.hand_tools import Recipe, chain
from tracer.learning.scenes.shapes import CUT, SMOOTH, Shape

__all__ = ["COINS", "PIERCED", "PLAIN_SOLIDS", "SCREWS", "SMALL", "THIN"]

_STEEL = ["metal", "dark metal", "plated"]


def coin(g: Generator) -> tuple[Shape, list[str]]:
    """A disc with or without a raised rim; its material knows two metals and a relief."""
    s = Shape()
    r, h = g.uniform(7, 17), g.uniform(1.1, 3.2)
    s.post(0, 0, 0, h, r, edge=g.uniform(0.1, 0.5), mat=0)
    if g.random() < 0.7:
        wire = g.uniform(0.3, 1.0)
        s.ring(0, 0, h - wire * 0.5, r - wire * 1.1, wire, mat=1, op=SMOOTH, k=0.4)
    return s, ["coin", "same"]


def washer(g: Generator) -> tuple[Shape, list[str]]:
    s = Shape()
    r, h = g.uniform(4, 26), g.uniform(0.8, 4)
    s.post(0, 0, 0, h, r, edge=0.2, mat=0)
    s.post(0, 0, -3, h + 3, r * g.uniform(0.3, 0.8), op=CUT, edge=0.05)
    return s, [str(g.choice([*_STEEL, "coin", "pale"]))]


def nut(g: Generator) -> tuple[Shape, list[str]]:
    s = Shape()
    q = g.uniform(3, 16)
    h, hole = q * g.uniform(0.6, 1.3), q * g.uniform(0.5, 0.68)
    if g.random() < 0.75:
        s.post(0, 0, 0, h, q, n=6, edge=0.4, mat=0, turn=g.uniform(0, 1))
        s.post(0, 0, -3, h + 3, hole, op=CUT, edge=0.05)
    else:  # on a flat
        s.rod((-h / 2, 0, q), (h / 2, 0, q), q, n=6, edge=0.4, mat=0)
        s.rod((-h, 0, q), (h, 0, q), hole, op=CUT)
    return s, [str(g.choice(_STEEL))]


def screw(g: Generator) -> tuple[Shape, list[str]]:
    """Machine and wood screws lying on head and tip, threads cut; some stand on their heads."""
    s = Shape()
    r = float(np.exp(g.uniform(np.log(1.0), np.log(7))))
    length = r * g.uniform(3, 16)
    head, hr = r * g.uniform(0.6, 2.1), r * g.uniform(1.4, 2.1)
    pitch = r * g.uniform(0.25, 0.75)
    if g.random() < 0.15:
        s.post(0, 0, 0, head, hr, n=int(g.choice([0, 6])), edge=0.3 * head, mat=0)
        s.thread((0, 0, head * 0.9), (0, 0, min(head + length, 45)), r, pitch, mat=1)
        return s, [str(g.choice(_STEEL)), "same"]
    z0, z1 = hr, r * g.uniform(1.0, 1.15)
    shank = g.uniform(0, 0.5) * length if g.random() < 0.4 else 0.0
    lean = (z1 - z0) / length
    if shank > 0:
        s.rod((0, 0, z0), (shank + 0.5, 0, z0 + lean * shank), r * g.uniform(0.85, 1), mat=1)
    s.thread((shank, 0, z0 + lean * shank), (length, 0, z1), r, pitch, mat=1)
    kind = g.integers(4)
    if kind == 0:  # countersunk
        s.cone((-head * 0.7, 0, z0), (0.2, 0, z0), hr, r, mat=0, edge=0.2)
    elif kind == 1:  # pan
        s.egg((0, 0, z0), (head * 0.8, hr, hr), mat=0)
        s.box((hr + 0.1, 0, z0), (2 * hr, 3 * hr, 3 * hr), edge=0, op=CUT)
        s.thread((0, 0, z0 + lean * shank), (length, 0, z1), r, pitch, mat=1)
    else:
        n = 6 if kind == 2 else 0
        s.rod((-head, 0, z0), (0.3, 0, z0), hr, n=n, edge=min(0.4, 0.2 * head), mat=0)
        if g.random() < 0.6:
            s.rod((-head - 2, 0, z0), (-head * 0.45, 0, z0), hr * 0.5, n=6, op=CUT, edge=0.1)
    if g.random() < 0.5:
        s.cone(
            (length - 0.2, 0, z1), (length + r * g.uniform(1, 3), 0, z1), r * 0.9, r * 0.15, mat=1
        )
    steel = str(g.choice(_STEEL))
    return s, [steel, "same" if g.random() < 0.8 else "plated"]


def stud(g: Generator) -> tuple[Shape, list[str]]:
    """Threaded rod, nail, pin, dowel, drill."""
    s = Shape()
    r = float(np.exp(g.uniform(np.log(0.8), np.log(8))))
    length = r * g.uniform(6, 30)
    if g.random() < 0.5:
        s.thread((0, 0, r), (length, 0, r), r, r * g.uniform(0.2, 1.6), mat=0)
    else:
        s.rod((0, 0, r), (length, 0, r), r, mat=0, edge=0.2)
    if g.random() < 0.5:
        s.rod((-r * 0.6, 0, r * 1.8), (0.3, 0, r * 1.8), r * 1.8, mat=1)
    return s, [str(g.choice([*_STEEL, "wood"])), "same"]


def key(g: Generator) -> tuple[Shape, list[str]]:
    """Door keys and the like: a pierced bow and a flat blade."""
    s = Shape()
    r, t, length = g.uniform(8, 14), g.uniform(1.6, 3), g.uniform(22, 45)
    w = g.uniform(2.5, 4.5)
    s.post(0, 0, 0, t, r, n=int(g.choice([0, 0, 4, 6])), mat=0)
    s.strip((r * 0.8, 0), (r + length, 0), w, w * 0.8, 0, t, mat=1, op=SMOOTH, k=1.5)
    for x in np.linspace(r + 5, r + length - 3, int(g.integers(2, 6))):
        s.box((x, w * 1.2, 0), (3, w * g.uniform(0.6, 1.4), 9), yaw=0.7, op=CUT)
    s.post(-r * 0.5, 0, -3, t + 3, r * g.uniform(0.2, 0.4), op=CUT)
    return s, [str(g.choice(["metal", "coin", "body", "rubber"])), str(g.choice(["metal", "coin"]))]


def perforated(g: Generator) -> tuple[Shape, list[str]]:
    """Plates, brackets, sprockets and hinges: several holes, also slots and slanting bores."""
    s = Shape()
    a, b = g.uniform(25, 190), g.uniform(14, 90)
    t = float(np.exp(g.uniform(np.log(1), np.log(28))))
    if g.random() < 0.6:
        s.box((0, 0, t / 2), (a, b, t), edge=min(0.4 * t, g.uniform(0.2, 4)), mat=0)
    else:
        s.post(0, 0, 0, t, b / 2, n=int(g.choice([0, 0, 6, 8])), mat=0)
        a = b
    for _ in range(int(g.integers(1, 9))):
        x, y = g.uniform(-0.38, 0.38) * a, g.uniform(-0.32, 0.32) * b
        r = g.uniform(1.5, 0.24 * min(a, b) + 1.6)
        if g.random() < 0.2:
            s.strip((x, y), (x + g.normal(0, a * 0.2), y), r, r, -4, t + 4, op=CUT)
        elif g.random() < 0.25:
            lean = g.uniform(-0.6, 0.6) * t
            s.rod((x - lean, y, -t), (x + lean, y, 2 * t), r, op=CUT, edge=0.05)
        else:
            s.post(x, y, -4, t + 4, r, n=int(g.choice([0, 0, 0, 4, 6])), op=CUT, edge=0.05)
    if g.random() < 0.3:
        s.box((a / 2, 0, g.uniform(8, 25)), (g.uniform(2, 4), b, 40), edge=0.5, mat=0)
        s.box((a / 2, 0, -30), (a, 3 * b, 60), edge=0, op=CUT)
    return s, [str(g.choice([*_STEEL, "paint", "pale", "wood", "body"])), "accent"]


def toothed(g: Generator) -> tuple[Shape, list[str]]:
    """Chain wheels, gears, cutters: teeth round a rim, a bore, spokes or lightening holes."""
    s = Shape()
    r, t = g.uniform(12, 75), g.uniform(1.5, 8)
    s.post(0, 0, 0, t, r, mat=0)
    n = int(g.integers(8, 22))
    for k in range(n):
        w = 6.2832 * k / n
        s.post(
            1.02 * r * np.cos(w), 1.02 * r * np.sin(w), -3, t + 3, 2.2 * r / n, op=CUT, edge=0.05
        )
    s.post(0, 0, -3, t + 3, r * g.uniform(0.12, 0.5), op=CUT, edge=0.05)
    m = int(g.choice([0, 3, 4, 5]))
    for k in range(m):
        w = 6.2832 * k / m
        s.post(0.66 * r * np.cos(w), 0.66 * r * np.sin(w), -3, t + 3, r * 0.16, op=CUT, edge=0.05)
    return s, [str(g.choice([*_STEEL, "body"]))]


def loop(g: Generator) -> tuple[Shape, list[str]]:
    """Closed and open loops: key rings, shackles, link chains, handles with a wide opening."""
    s = Shape()
    kind = g.integers(3)
    if kind == 0:
        wire = g.uniform(0.8, 5)
        s.ring(0, 0, wire, g.uniform(2.5, 14) * wire**0.6 + wire, wire, mat=0)
    elif kind == 1:
        wire, pitch = g.uniform(1.2, 4), g.uniform(9, 22)
        at = np.zeros(2)
        lean = 0.0
        for k in range(int(g.integers(3, 12))):
            if k % 2 or g.random() < 0.3:
                s.ring(float(at[0]), float(at[1]), wire, pitch * 0.52, wire, mat=0)
            else:
                d = np.array([np.cos(lean), np.sin(lean)]) * pitch * 0.45
                s.bar((*(at - d), wire * 2), (*(at + d), wire * 2), wire * 1.1, mat=0)
            lean += g.normal(0, 0.35)
            at = at + np.array([np.cos(lean), np.sin(lean)]) * pitch * 0.85
    else:
        a, b, r = g.uniform(15, 80), g.uniform(10, 45), g.uniform(1.5, 9)
        n = 14
        w = np.linspace(0, g.choice([6.2832, g.uniform(3.4, 5.6)]), n)
        p = np.column_stack([a * np.cos(w), b * np.sin(w)])
        chain(s, p, np.full(n, r), np.full(n, r), mat=0, k=1.5)
        if g.random() < 0.6:
            s.bar((a, 0, r), (a + g.uniform(30, 110), 0, r), r * g.uniform(0.6, 1.4), mat=1)
    return s, [str(g.choice([*_STEEL, "rubber", "body", "pale"])), "accent"]


def wire(g: Generator) -> tuple[Shape, list[str]]:
    """Needles, wires, hooks, feeler blades, thin keys: 0.6 to 4 mm across."""
    s = Shape()
    kind = g.integers(4)
    r = g.uniform(0.4, 2.0)
    if kind == 0:
        s.bar((0, 0, r), (g.uniform(40, 260), 0, r), r, r * g.uniform(0.2, 1), mat=0)
    elif kind == 1:
        n = int(g.integers(3, 8))
        p = np.cumsum(np.column_stack([g.uniform(8, 40, n), g.normal(0, 12, n)]), axis=0)
        chain(s, p, np.full(n, r), np.full(n, r), mat=0, k=0.6)
    elif kind == 2:
        a, b = g.uniform(60, 200), g.uniform(12, 60)
        s.bar((0, 0, r), (a, 0, r), r, mat=0)
        s.bar((a, 0, r), (a + r, b, r), r, mat=0)
    else:
        w = g.uniform(1.5, 9)
        s.box((0, 0, 0.5), (g.uniform(50, 220), w, g.uniform(0.4, 1.2)), edge=0.1, mat=0)
    if g.random() < 0.4:
        q = g.uniform(2.5, 8)
        s.rod((-g.uniform(30, 80), 0, q), (2, 0, q), q, edge=1, mat=1)
    return s, [str(g.choice([*_STEEL, "body", "rubber"])), "grip"]


def slab(g: Generator) -> tuple[Shape, list[str]]:
    """Large plain things: boxes, books, cases, trays with hardly anything on them."""
    s = Shape()
    a, b, h = g.uniform(70, 330), g.uniform(50, 230), float(np.exp(g.uniform(1.2, 4.4)))
    s.box((0, 0, h / 2), (a, b, h), edge=min(g.uniform(0.3, 22), 0.45 * h), mat=0)
    if g.random() < 0.3:
        s.box((a * 0.4, 0, h / 2), (a * 0.1, b * 1.003, h * 1.01), edge=0.5, mat=1)
    if g.random() < 0.25:
        s.box((0, 0, h), (a * g.uniform(0.3, 0.9), b * g.uniform(0.3, 0.9), 6), edge=2, op=CUT)
    if g.random() < 0.3:
        x = g.uniform(-0.3, 0.3) * a
        s.strip((x, b / 2), (x, b / 2 + g.uniform(5, 40)), 6, 4, 0, min(h, 6), mat=1)
    return s, ["plain", "plain"]


def bottle(g: Generator) -> tuple[Shape, list[str]]:
    """Round plain bodies: bottles, bulbs, bars of soap, domes, pens."""
    s = Shape()
    r = float(np.exp(g.uniform(np.log(4), np.log(45))))
    length = r * g.uniform(1.5, 9)
    if g.random() < 0.3:
        s.egg((0, 0, r * 0.8), (min(length, 150), r, r * 0.8), mat=0)
    else:
        s.bar((0, 0, r), (min(length, 260), 0, r), r, r * g.uniform(0.6, 1), mat=0)
        s.rod((-r * 1.8, 0, r), (0, 0, r), r * g.uniform(0.3, 0.9), mat=1, edge=1)
    return s, ["plain", "plain"]


COINS: tuple[Recipe, ...] = (coin,) * 8 + (washer, nut)
SCREWS: tuple[Recipe, ...] = (screw, screw, screw, stud, nut, washer)
PIERCED: tuple[Recipe, ...] = (perforated, perforated, toothed, loop, loop, washer, nut, key)
PLAIN_SOLIDS: tuple[Recipe, ...] = (slab, slab, bottle)
THIN: tuple[Recipe, ...] = (wire, wire, stud, loop)
SMALL: tuple[Recipe, ...] = (coin, washer, nut, screw, stud, key, perforated, toothed, loop, wire)
