"""Random things with openings, cranks and slender limbs: what gets torn in two or filled in."""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from tracer.learning.scenes.hand_tools import Recipe, chain, handle
from tracer.learning.scenes.shapes import CUT, SMOOTH, Shape

__all__ = ["HANDLES", "OPEN", "SLENDER", "ring_spanner"]

_STEEL = ["metal", "dark metal", "chrome", "plated"]


def ring_spanner(g: Generator) -> tuple[Shape, list[str]]:
    """Cranked ring spanners: two eyes on the sheet, an oval shank above it, polished for the most.

    The bores go through, so that the sheet shows in them.
    """
    s = Shape()
    length = g.uniform(90, 330)
    r = 5 + length * g.uniform(0.03, 0.055)
    r2 = r * g.uniform(0.75, 1.15)
    lift, t = g.uniform(0, 22), g.uniform(6, 14)
    w = r * g.uniform(0.4, 0.62)
    step = g.uniform(0.1, 0.2) * length
    p = np.array([[0, 0], [step, 0], [length - step, 0], [length, 0]], float)
    flat = None if g.random() < 0.5 else w * g.uniform(0.35, 0.8)
    low, high = (max(t / 2, 0.7 * w), max(t / 2, w)) if flat is None else (max(t / 2, flat),) * 2
    z = np.array([low, high + lift, high + lift, low])
    chain(s, p, w * np.array([0.7, 1, 1, 0.7]), z, mat=0, flat=flat, k=3)
    for x, q in ((0.0, r), (length, r2)):
        s.post(x, 0, 0, t, q, mat=0, op=SMOOTH, k=3, edge=g.uniform(0.5, 4))
    for x, q in ((0.0, r), (length, r2)):
        bore = q * g.uniform(0.6, 0.75)
        s.post(x, 0, -3, 3 * t + lift, bore, n=int(g.choice([6, 12, 12])), op=CUT, edge=0.05)
    return s, [str(g.choice(["chrome", "metal", "metal", "dark metal"])), "grip", "accent"]


def bow_saw(g: Generator) -> tuple[Shape, list[str]]:
    """Frames across a thin blade: hacksaws, fret saws, cheese wires."""
    s = Shape()
    a, b = g.uniform(110, 330), g.uniform(35, 130)
    r = g.uniform(2, 8)
    z = max(r, g.uniform(4, 10))
    x = g.uniform(-0.12, 0.12) * a
    p = np.array([[0, 0], [x, b], [a - x, b], [a, 0]], float)
    if g.random() < 0.5:
        chain(s, p, np.full(4, r), np.full(4, z), mat=0, k=2)
    else:
        chain(s, p, np.full(4, r * 1.5), np.full(4, z), mat=0, flat=min(r * 0.5, z * 0.9), k=2)
    s.box(
        (a / 2, 0, z),
        (a, g.uniform(1, 14), g.uniform(0.6, 2) if g.random() < 0.7 else 6.0),
        edge=0.2,
        mat=2,
    )
    if g.random() < 0.8:
        rh = g.uniform(9, 17)
        s.bar(
            (a, 0, max(z, rh)), (a + g.uniform(70, 120), -g.uniform(0, 60), rh), rh * 0.8, rh, mat=1
        )
    return s, [str(g.choice([*_STEEL, "paint"])), str(g.choice(["grip", "wood"])), "metal"]


def screw_clamp(g: Generator) -> tuple[Shape, list[str]]:
    """A bow with a threaded spindle across its mouth and a bar through the spindle's end."""
    s = Shape()
    a, b = g.uniform(25, 110), g.uniform(25, 90)
    r, z = g.uniform(3, 9), g.uniform(6, 14)
    w = np.linspace(-0.4, 3.54, 9)
    p = np.column_stack([a * np.sign(np.cos(w)) * np.abs(np.cos(w)) ** 0.6, b * np.sin(w)])
    chain(s, p, np.full(9, r * 1.3), np.full(9, z), mat=0, flat=min(r, z * 0.9), k=2)
    q = g.uniform(2.5, 6)
    y = float(p[0, 1])
    out = a + g.uniform(10, 60)
    s.thread((-a * g.uniform(0.0, 0.8), y, z), (out, y, z), q, q * g.uniform(0.3, 0.8), mat=2)
    s.bar((out, y - g.uniform(8, 30), z), (out, y + g.uniform(8, 30), z), q * 0.5, mat=2)
    s.post(-a * 0.5, y, z - q, z + q, q * 1.6, mat=2)
    return s, [str(g.choice([*_STEEL, "paint"])), "grip", "metal"]


def caliper(g: Generator) -> tuple[Shape, list[str]]:
    """A beam with two jaws, a slide and a thin depth rod; marking gauges of that kind."""
    s = Shape()
    a, w, t = g.uniform(110, 320), g.uniform(5, 11), g.uniform(1.5, 4)
    x, jaw = g.uniform(0.05, 0.7) * a, g.uniform(20, 60)
    s.box((a / 2, 0, t), (a, 2 * w, t), edge=0.3, mat=0)
    for at, side in ((0.0, -1), (x, 1)):
        s.plate(
            [(at, -w), (at, w + jaw * 0.4), (at + side * 4, w), (at + side * 16, w * 0.2),
             (at + side * 14, -w), (at, -w - jaw)],
            0.4 * t, 1.8 * t, mat=0 if side < 0 else 1,
        )  # fmt: skip
    s.box((x + 22, 0, t), (g.uniform(25, 60), 2.6 * w, 2.4 * t), edge=0.8, mat=1)
    if g.random() < 0.7:
        s.box((a + x / 2, 0, t), (x, 2.2, 1.4), edge=0.1, mat=0)
    return s, ["rule", str(g.choice(["metal", "dark metal", "body"])), "accent"]


def hooped(g: Generator) -> tuple[Shape, list[str]]:
    """Handles with a hole for the hand: D-handles, carabiners, carrying grips, open triangles."""
    s = Shape()
    a, b, r = g.uniform(18, 90), g.uniform(14, 60), g.uniform(1.8, 12)
    n = int(g.choice([3, 4, 5, 10]))
    w = np.linspace(0, 6.2832, n + 1) + g.uniform(0, 1)
    p = np.column_stack([a * np.cos(w), b * np.sin(w)])
    gap = g.random() < 0.2  # an open hook
    p = p[:-1] if gap and n > 3 else p
    m = len(p)
    if g.random() < 0.6:
        chain(s, p, np.full(m, r), np.full(m, r), mat=0, k=1.5)
    else:
        chain(s, p, np.full(m, r), np.full(m, r * 0.6), mat=0, flat=r * 0.55, k=1.5)
    if g.random() < 0.6:
        e = g.uniform(40, 200)
        q = r * g.uniform(0.5, 1.5)
        s.bar((a, 0, max(r, q)), (a + e, 0, max(r, q)), q, q * g.uniform(0.6, 1), mat=1)
    if g.random() < 0.3:
        s.bar((-a, 0, r), (a, 0, r), r * 0.7, mat=2)
    return s, [str(g.choice([*_STEEL, "body", "rubber", "wood"])), "accent", "metal"]


def multi_hole(g: Generator) -> tuple[Shape, list[str]]:
    """Flat spanners and gauges with bores of falling size along them, hung by a hole."""
    s = Shape()
    a, t = g.uniform(50, 190), g.uniform(1.2, 6)
    wa, wb = g.uniform(7, 22), g.uniform(5, 18)
    s.strip((0, 0), (a, 0), wa, wb, 0, t, mat=0, edge=min(0.4 * t, 0.8))
    n = int(g.integers(1, 7))
    for x in np.linspace(0, a, n + 2)[:: int(g.choice([1, 1, n + 1]))]:
        q = (wa + (wb - wa) * x / a) * g.uniform(0.3, 0.75)
        s.post(x, 0, -3, t + 3, q, n=int(g.choice([0, 0, 6, 12])), op=CUT, edge=0.05)
    if g.random() < 0.4:  # a mouth in one end
        s.box((a + wb, 0, t / 2), (2 * wb, wb * g.uniform(0.6, 1.1), 3 * t), edge=0.2, op=CUT)
    return s, [str(g.choice([*_STEEL, "paint", "body"])), "accent"]


def tweezers(g: Generator) -> tuple[Shape, list[str]]:
    """Two springy strips that meet at one end: tweezers, tongs, tension rods, cotter pins."""
    s = Shape()
    a, gap = g.uniform(60, 260), g.uniform(4, 30)
    r, h = g.uniform(0.7, 4), g.uniform(2, 9)
    for side in (-1, 1):
        p = np.array([[0, 0], [a * 0.25, side * gap * 0.6], [a, side * gap * g.uniform(0.1, 1)]])
        radii = r * np.array([1, 1.2, g.uniform(0.5, 1)])
        chain(s, p, radii, np.full(3, h), mat=0, flat=h * 0.9, k=1)
    if g.random() < 0.4:
        s.bar((-g.uniform(8, 40), 0, h), (4, 0, h), h, mat=1)
    return s, [str(g.choice([*_STEEL, "body"])), "grip"]


def long_key(g: Generator) -> tuple[Shape, list[str]]:
    """Rods of 1.5 to 6 mm, straight, bent or with a cross grip, some with a handle at one end."""
    s = Shape()
    r, a = g.uniform(0.75, 3), g.uniform(60, 330)
    n = int(g.choice([0, 4, 6]))
    z = g.uniform(r, r + 10)
    s.rod((0, 0, z), (a, 0, r), r, n=n, mat=0)
    kind = g.integers(5)
    if kind == 0:
        s.bar((0, -g.uniform(15, 60), z), (0, g.uniform(15, 60), z), r * g.uniform(1, 3), mat=1)
    elif kind == 1:
        s.rod((0, 0, z), (g.uniform(-8, 8), g.uniform(12, 70), z), r, n=n, mat=0)
        s.bar((0, 0, z), (0.2, 0.2, z), r * 1.05, mat=0)
    elif kind == 2:
        handle(s, g, 2, -g.uniform(50, 110), g.uniform(5, 15), max(z, 15.0))
    elif kind == 3:
        s.ring(-g.uniform(5, 16), 0, z, g.uniform(5, 16), r * 1.1, mat=0)
    if g.random() < 0.3:  # a ball or a socket at the tip
        s.bar((a - 2, 0, r * 1.3), (a, 0, r * 1.3), r * g.uniform(1.1, 2.2), mat=0)
    return s, [str(g.choice([*_STEEL, "dark metal", "body"])), "grip", "accent"]


def stout_handle(g: Generator) -> tuple[Shape, list[str]]:
    """Tall round handles, knobs and rollers with a slim blade, rod or nothing."""
    s = Shape()
    r, a = g.uniform(12, 30), g.uniform(60, 220)
    x = np.linspace(0, a, int(g.integers(3, 6)))
    radii = r * g.uniform(0.7, 1.0, len(x))
    radii[int(g.integers(len(x)))] = r
    chain(s, np.column_stack([x, 0 * x]), radii, np.full(len(x), r), mat=1, k=6)
    if g.random() < 0.75:
        q, b = g.uniform(1, 7), g.uniform(30, 200)
        s.rod((a - 2, 0, r), (a + b, 0, max(q, r - b * 0.12)), q, n=int(g.choice([0, 4, 6])), mat=0)
    if g.random() < 0.35:
        s.rod((a - 3, 0, r), (a + g.uniform(4, 16), 0, r), r * g.uniform(0.4, 0.9), mat=2, edge=1)
    return s, ["metal", str(g.choice(["grip", "grip", "wood", "clear", "body"])), "accent"]


OPEN: tuple[Recipe, ...] = (
    ring_spanner, ring_spanner, bow_saw, screw_clamp, caliper, hooped, hooped, multi_hole, tweezers,
)  # fmt: skip
SLENDER: tuple[Recipe, ...] = (long_key, long_key, tweezers, caliper, bow_saw)
HANDLES: tuple[Recipe, ...] = (stout_handle,)
