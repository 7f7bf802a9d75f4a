"""Random hand tools: each family is a recipe with every proportion drawn anew.

A recipe returns the shape and, per material slot, the family of materials that fits.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.random import Generator

from tracer.learning.scenes.shapes import CUT, SMOOTH, Shape

__all__ = [
    "METAL_GRIP",
    "Recipe",
    "adjustable",
    "chain",
    "hammer",
    "handle",
    "hex_key",
    "pliers",
    "ratchet",
    "scissors",
    "screwdriver",
    "socket",
    "spanner",
]

Recipe = Callable[[Generator], tuple[Shape, list[str]]]
METAL_GRIP = ["metal", "grip", "accent"]


def chain(
    s: Shape,
    points: np.ndarray,
    radii: np.ndarray,
    z: np.ndarray,
    *,
    mat: int,
    k: float = 4.0,
    flat: float | None = None,
    first_op: int = 0,
) -> None:
    """A bent limb: round bars, or flat lugs of half thickness ``flat``, along a polyline."""
    for i in range(len(points) - 1):
        a, b = points[i], points[i + 1]
        op = first_op if i == 0 else SMOOTH
        if flat is None:
            s.bar((*a, z[i]), (*b, z[i + 1]), radii[i], radii[i + 1], mat=mat, op=op, k=k)
        else:
            s.strip(a, b, radii[i], radii[i + 1], z[i] - flat, z[i] + flat, mat=mat, op=op, k=k)


def handle(s: Shape, g: Generator, x0: float, length: float, r: float, z: float) -> None:
    """A driver's or file's handle along x from ``x0``, ``length`` signed."""
    style = g.integers(5)
    sign = np.sign(length)
    n = int(g.choice([0, 0, 6, 8, 4]))
    end = x0 + length
    if style == 0:
        s.rod((x0, 0, z), (end, 0, z), r, n=n, edge=0.6 * r, mat=1)
    elif style == 1:
        mid = x0 + 0.5 * length
        s.bar((x0 + sign * r * 0.6, 0, z), (mid, 0, z), r * 0.62, r * 0.85, mat=1)
        s.bar((mid, 0, z), (end - sign * r, 0, z), r * 0.85, r, mat=1, op=SMOOTH, k=6)
    elif style == 2:
        s.rod((x0, 0, z), (x0 + 0.25 * length, 0, z), r * 0.7, edge=2, mat=2)
        s.rod((x0 + 0.2 * length, 0, z), (end, 0, z), r, n=n, edge=0.5 * r, mat=1, op=SMOOTH, k=5)
        s.rod((end - sign * 3, 0, z), (end + sign * g.uniform(1, 6), 0, z), r * 0.75, edge=2, mat=2)
    elif style == 3:
        s.egg((x0 + 0.72 * length, 0, z), (abs(length) * 0.36, r, r), mat=1)
        s.egg(
            (x0 + 0.3 * length, 0, z), (abs(length) * 0.36, r * 0.8, r * 0.8), mat=1, op=SMOOTH, k=8
        )
        s.rod((x0, 0, z), (x0 + 0.2 * length, 0, z), r * 0.8, edge=1, mat=2, op=SMOOTH, k=3)
    else:
        s.rod((x0, 0, z), (end, 0, z), r * 0.8, edge=0.5 * r, mat=1)
        for i in range(int(g.integers(2, 5))):
            x = x0 + length * (0.25 + 0.2 * i)
            s.rod(
                (x, 0, z),
                (x + 0.12 * length, 0, z),
                r,
                edge=2,
                mat=int(g.integers(1, 3)),
                op=SMOOTH,
                k=2,
            )
    if g.random() < 0.25:
        s.post(end - sign * 7, 0, 0, 3 * z, g.uniform(1.5, 4), op=CUT)


def screwdriver(g: Generator) -> tuple[Shape, list[str]]:
    """Blade or cross tip, any handle, lying on handle and tip."""
    s = Shape()
    r, lh, ls = g.uniform(7, 18), g.uniform(60, 125), g.uniform(25, 220)
    t = g.uniform(1.4, 5.5)
    z = r * g.uniform(0.9, 1.0)
    drop = min(z - t, ls * 0.12)  # lies tilted on handle and tip
    s.rod((-5, 0, z), (ls, 0, z - drop), t, n=int(g.choice([0, 0, 6])), mat=0)
    if g.random() < 0.5:
        w = t * g.uniform(0.9, 1.6)
        s.plate(
            [(ls - 10, -t), (ls, -w), (ls + 7, -w), (ls + 7, w), (ls, w), (ls - 10, t)],
            max(z - drop - 1, 0.1),
            z - drop + 1,
            mat=int(g.choice([0, 3])),
        )
    else:
        s.cone(
            (ls - 1, 0, z - drop),
            (ls + g.uniform(3, 9), 0, z - drop),
            t,
            t * 0.3,
            mat=int(g.choice([0, 3])),
        )
    handle(s, g, 0, -lh, r, z)
    return s, [*METAL_GRIP, "dark metal"]


def _jaw(s: Shape, g: Generator, x: float, r: float, z0: float, z1: float, sign: float) -> None:
    w = r * g.uniform(0.95, 1.25) / 2
    a = g.uniform(-0.3, 0.3)
    s.strip(
        (x - sign * r * 0.2, 0),
        (x + sign * r * 0.25, 0),
        r,
        r * 0.95,
        z0,
        z1,
        mat=0,
        op=SMOOTH,
        k=4,
    )
    s.box(
        (x + sign * r, 0, z0),
        (2 * r, 2 * w, 4 * (z1 - z0)),
        yaw=a,
        edge=w * g.uniform(0.05, 0.9),
        op=CUT,
    )


def _eye(s: Shape, g: Generator, x: float, r: float, z0: float, z1: float) -> None:
    s.post(x, 0, z0, z1, r, mat=0, op=SMOOTH, k=4, edge=g.uniform(0.3, 2))
    s.post(
        x,
        0,
        z0 - 5,
        z1 + 5,
        r * g.uniform(0.55, 0.72),
        n=int(g.choice([6, 12, 12, 0])),
        op=CUT,
        edge=0.05,
    )


def spanner(g: Generator) -> tuple[Shape, list[str]]:
    """Open jaws and ring eyes at either end, straight or raised."""
    s = Shape()
    length = g.uniform(70, 330)
    r = length * g.uniform(0.055, 0.095) + 3
    t = g.uniform(2.0, 5.0) if g.random() < 0.35 else length * 0.02 + g.uniform(1.5, 5)
    w = r * g.uniform(0.35, 0.6)
    lift = g.uniform(0, 12) if g.random() < 0.3 else 0.0
    z0, z1 = lift + t * 0.15, lift + t * 0.85
    s.strip((0, 0), (length, 0), w, w * g.uniform(0.7, 1), z0, z1, mat=0, edge=g.uniform(0.3, 2.5))
    if g.random() < 0.4:
        s.strip((length * 0.15, 0), (length * 0.85, 0), w * 0.6, w * 0.5, z1 - 0.6, z1 + 9, op=CUT)
    kind = g.integers(4)
    r2 = r * g.uniform(0.7, 1)
    if kind == 0:
        _jaw(s, g, length + r * 0.4, r, 0, t, 1)
        _eye(s, g, -r2 * 0.7, r2, 0, t * 1.2)
    elif kind == 1:
        _jaw(s, g, length + r * 0.4, r, 0, t, 1)
        _jaw(s, g, -r2 * 0.4, r2, 0, t, -1)
    elif kind == 2:
        _eye(s, g, length + r * 0.5, r, 0, t * 1.5 + 2)
        _eye(s, g, -r2 * 0.6, r2, 0, t * 1.5 + 2)
    else:
        _jaw(s, g, length + r * 0.4, r, 0, t, 1)
        s.post(-w, 0, z0 - 4, z1 + 4, w * 0.55, op=CUT)
    if g.random() < 0.2:
        s.strip(
            (length * 0.1, 0), (length * 0.55, 0), w * 1.3, w * 1.3, 0, t + 2, mat=1, op=SMOOTH, k=2
        )
    return s, ["metal", "grip", "accent"]


def adjustable(g: Generator) -> tuple[Shape, list[str]]:
    """A spanner with a moving jaw and its screw."""
    s = Shape()
    length = g.uniform(110, 300)
    w, t = length * 0.05, length * 0.03 + 3
    r = length * 0.1
    s.strip((0, 0), (length, 0), w, w * 1.1, t * 0.15, t * 0.85, mat=int(g.integers(2)), edge=2)
    s.strip((length, 0), (length + r, r * 0.3), r * 0.8, r * 0.6, 0, t, mat=0, op=SMOOTH, k=6)
    s.box(
        (length + r * 1.3, r * 0.6, t / 2), (r * 1.5, r * 0.6, t), yaw=0.35, mat=0, op=SMOOTH, k=2
    )
    s.box((length + r * 1.2, -r * 0.45, t / 2), (r * 1.4, r * 0.5, t * 0.9), yaw=0.35, mat=0)
    s.rod((length + r * 0.2, -r * 0.1, t / 2), (length + r * 0.8, r * 0.1, t / 2), r * 0.3, mat=3)
    s.post(3, 0, -3, t + 3, w * 0.55, op=CUT)
    return s, [*METAL_GRIP, "knurled"]


def pliers(g: Generator) -> tuple[Shape, list[str]]:
    """Pliers, pincers and cutters: two jaws, a joint, two bent limbs."""
    s = Shape()
    size = g.uniform(0.55, 1.5)
    t = g.uniform(4, 9) * size
    jaw, w = g.uniform(18, 75) * size, g.uniform(5, 12) * size
    gap = g.uniform(0.0, 0.16)
    style = g.integers(4)
    for side in (-1, 1):
        tip = w * (0.2 if style == 0 else g.uniform(0.3, 1))
        y = side * (w * 0.5 + jaw * gap * 0.5)
        s.strip(
            (0, side * w * 0.3),
            (jaw, y if style else side * tip * 0.9),
            w * 0.8,
            tip,
            0.2,
            2 * t * 0.8,
            mat=0,
            op=SMOOTH if side == 1 else 0,
            k=1.5,
            edge=g.uniform(0.5, 3),
        )
        if style == 2:
            s.egg((jaw * 0.5, side * w, t), (jaw * 0.6, w * 0.9, t), mat=0, op=SMOOTH, k=3)
    if gap > 0.06:
        s.plate(
            [(w, 0), (jaw + 20, -jaw * gap * 0.4), (jaw + 20, jaw * gap * 0.4)], -5, 4 * t, op=CUT
        )
    s.post(0, 0, 0, 2 * t, w * g.uniform(0.9, 1.4), mat=0, op=SMOOTH, k=3)
    s.post(0, 0, 0, 2 * t + g.uniform(0.3, 2), w * 0.45, mat=3)
    length, spread = g.uniform(75, 160) * size, g.uniform(8, 34) * size
    r = g.uniform(4.5, 9) * size
    bow = g.uniform(0.5, 1.3)
    for side in (-1, 1):
        f = np.array([0.05, 0.3, 0.65, 1.0])
        across = side * np.array(
            [w * 0.5, spread * bow, spread * g.uniform(0.9, 1.2), spread * g.uniform(0.6, 1)]
        )
        p = np.column_stack([-f * length, across])
        rr = r * np.array([0.7, 1, 0.95, 0.8])
        z = np.full(4, max(t, r * 0.95))
        s.strip(
            (0, side * w * 0.2), tuple(p[1]), w * 0.6, r * 0.6, 0.3, 1.7 * t, mat=0, op=SMOOTH, k=2
        )
        if g.random() < 0.7:
            chain(s, p[0:] if g.random() < 0.5 else p[1:], rr, z, mat=1)
        else:
            chain(s, p, rr * 0.8, np.full(4, t), mat=1, flat=t * 0.8)
    return s, [*METAL_GRIP, "dark metal"]


def scissors(g: Generator) -> tuple[Shape, list[str]]:
    """Two blades and two ring handles."""
    s = Shape()
    blade, w, t = g.uniform(50, 140), g.uniform(5, 10), g.uniform(1.2, 2.5)
    for side in (-1, 1):
        a = side * g.uniform(0.01, 0.12)
        s.strip((0, 0), (blade, a * blade), w, 0.8, t * (side + 1), t * (side + 2) + 0.3, mat=0)
        hx, hy = -blade * g.uniform(0.5, 0.8), side * (12 + g.uniform(0, 12))
        rad = g.uniform(11, 19)
        s.strip((0, 0), (hx * 0.7, hy * 0.7), w * 0.8, 5, 0.5, 2.5 * t + 2, mat=1, op=SMOOTH, k=2)
        s.ring(hx, hy, 5, rad, g.uniform(3.5, 5.5), mat=1, op=SMOOTH, k=3)
    s.post(0, 0, 0, 4 * t, 3.5, mat=0)
    return s, METAL_GRIP


def hammer(g: Generator) -> tuple[Shape, list[str]]:
    """Engineer, claw, mallet and cross-pein heads on a lying handle."""
    s = Shape()
    length, r = g.uniform(170, 380), g.uniform(8, 18)
    hr = g.uniform(9, 28)
    z = max(hr, r)
    hy = g.uniform(22, 60)
    bend = g.uniform(-5, 5)
    p = np.array([[0, 0], [length * 0.4, bend], [length * 0.75, 0], [length, 0]], float)
    chain(
        s, p, r * np.array([1, 1.05, 0.7, 0.75]), np.array([r, r, (r + z) / 2, z]) + 0.2, mat=1, k=6
    )
    if g.random() < 0.5:
        s.bar((length * 0.55, 0, (r + z) / 2), (length, 0, z), r * 0.66, mat=2)
    kind = g.integers(4)
    m = int(g.choice([0, 0, 3]))
    if kind == 0:
        s.rod((length, -hy, z), (length, hy, z), hr, n=int(g.choice([0, 0, 8, 4])), edge=2, mat=m)
    elif kind == 1:
        s.rod((length, 0, z), (length, hy, z), hr * 0.9, edge=1.5, mat=m)
        for o in (-1, 1):
            claw = [[0, 0], [2, -hy * 0.5], [-6, -hy], [-16, -hy * 1.35]]
            c = np.array(claw, float) + np.array([length, 0])
            w = hr * 0.4
            chain(
                s,
                c,
                np.array([1, 0.8, 0.6, 0.3]) * w,
                z + o * np.array([0.2, 0.35, 0.5, 0.6]) * hr,
                mat=m,
                first_op=SMOOTH,
            )
    elif kind == 2:
        s.box((length, 0, z), (hr * 1.7, 2 * hy, hr * 1.9), edge=g.uniform(1, 8), mat=m)
    else:
        s.rod((length, 0, z), (length, hy, z), hr * 0.85, edge=2, mat=m)
        s.cone((length, 2, z), (length, -hy * 1.3, z), hr * 0.8, 2, mat=m, op=SMOOTH, k=3)
    return s, ["metal", str(g.choice(["grip", "wood", "wood"])), "accent", "rubber"]


def socket(g: Generator) -> tuple[Shape, list[str]]:
    """A socket, standing or lying."""
    s = Shape()
    r, h = g.uniform(5, 24), g.uniform(18, 85)
    bore, n = r * g.uniform(0.65, 0.85), int(g.choice([6, 12]))
    if g.random() < 0.65:
        s.post(0, 0, 0, h, r, edge=g.uniform(0.4, 2), mat=0)
        s.post(0, 0, h * g.uniform(0.3, 0.6), h + 5, bore, n=n, op=CUT, edge=0.05)
        if g.random() < 0.5:
            s.ring(0, 0, h * 0.4, r + 0.3, 1.0, op=CUT)
    else:
        r2 = r * g.uniform(0.6, 1.2)
        z = max(r, r2)
        s.rod((0, 0, z), (h * 0.55, 0, z), r, edge=1, mat=0)
        s.rod((h * 0.5, 0, z), (h, 0, z), r2, edge=1, mat=0, op=SMOOTH, k=3)
        s.rod((-4, 0, z), (h * 0.4, 0, z), bore, n=n, op=CUT, edge=0.05)
    return s, ["metal"]


def ratchet(g: Generator) -> tuple[Shape, list[str]]:
    """A ratchet handle with its square up."""
    s = Shape()
    length, r, t = g.uniform(110, 290), g.uniform(11, 22), g.uniform(8, 14)
    z = t + g.uniform(0, 6)
    s.strip((0, 0), (length, 0), r, 5, z - t * 0.7, z + t * 0.7, mat=0, edge=3)
    s.post(0, 0, z - t, z + t, r * 1.1, mat=0, op=SMOOTH, k=3)
    s.post(0, 0, z, z + t + 5, r * 0.6, mat=3, n=int(g.choice([0, 12])))
    if g.random() < 0.6:
        s.box((0, 0, z + t + 6), (7, 7, 12), mat=0)
    handle(s, g, length * 0.5, length * 0.5, g.uniform(8, 15), z)
    return s, [*METAL_GRIP, "dark metal"]


def hex_key(g: Generator) -> tuple[Shape, list[str]]:
    """L, T and three-armed keys."""
    s = Shape()
    r, long, short = g.uniform(0.9, 6), g.uniform(45, 240), g.uniform(14, 55)
    n = int(g.choice([6, 6, 0]))
    style = g.integers(4)
    if style < 2:
        b = min(short * 0.4, 3 * r + 2)
        s.rod((b, 0, r), (long, 0, r), r, n=n, mat=0)
        s.bar((b, 0, r), (b * 0.3, b * 0.3, r), r * 1.03, mat=0)
        s.bar((b * 0.3, b * 0.3, r), (0, b, r), r * 1.03, mat=0)
        s.rod((0, b, r), (0, short, r), r, n=n, mat=0)
        if g.random() < 0.4:
            s.bar((long * 0.35, 0, r), (long * 0.8, 0, r), r * 1.5, mat=1)
    elif style == 2:
        rh = g.uniform(5, 13)
        z = max(rh, r)
        s.rod((0, 0, z), (long, 0, r), r, n=n, mat=0)
        s.bar((0, -short * 1.2, z), (0, short * 1.2, z), rh, rh * g.uniform(0.7, 1), mat=1)
    else:
        z = max(r, g.uniform(5, 9))
        a0 = g.uniform(0, 1)
        for i in range(3):
            a = a0 + i * 2.0944
            e = (long * 0.5 * np.cos(a), long * 0.5 * np.sin(a))
            s.rod((0, 0, z), (*e, max(r, 2.0)), r, n=n, mat=0)
            s.bar((0, 0, z), (e[0] * 0.6, e[1] * 0.6, z * 0.8), z * 0.8, mat=1, op=SMOOTH, k=5)
    return s, [str(g.choice(["metal", "dark metal", "dark metal"])), "grip", "accent"]
