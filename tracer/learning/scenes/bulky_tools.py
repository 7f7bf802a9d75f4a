"""Random things that are no classic hand tool: bodies, power tools, rings, clamps, odd shapes."""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from tracer.learning.scenes.hand_tools import METAL_GRIP, Recipe, chain
from tracer.learning.scenes.shapes import CUT, SMOOTH, Shape

__all__ = ["BULKY_TOOLS", "cable"]


def block(g: Generator) -> tuple[Shape, list[str]]:
    """Tapes, meters, chargers, batteries, boxes, levels."""
    s = Shape()
    kind = g.integers(4)
    if kind == 0:
        a, h = g.uniform(45, 90), g.uniform(22, 48)
        s.box((0, 0, h / 2), (a, a * g.uniform(0.8, 1.1), h), edge=g.uniform(2, 16), mat=1)
        if g.random() < 0.6:
            s.post(0, 0, h * 0.7, h + g.uniform(-0.5, 1.5), a * g.uniform(0.2, 0.38), mat=2)
        if g.random() < 0.6:
            s.box((a * 0.55, -a * 0.4, 5), (16, 14, 2.5), mat=0)
    elif kind == 1:
        a, b, h = g.uniform(20, 160), g.uniform(15, 110), g.uniform(8, 95)
        s.box((0, 0, h / 2), (a, b, h), edge=g.uniform(0.5, 12), mat=1)
        for _ in range(int(g.integers(4))):
            c = g.uniform(0.15, 0.7, 2)
            at = (g.uniform(-0.3, 0.3) * a, g.uniform(-0.3, 0.3) * b, h)
            s.box(
                at,
                (a * c[0], b * c[1], g.uniform(1, 14)),
                edge=1,
                mat=int(g.integers(4)),
                op=int(g.choice([0, 0, CUT])),
            )
    elif kind == 2:
        length, b, h = g.uniform(120, 420), g.uniform(18, 30), g.uniform(35, 60)
        if g.random() < 0.6:
            b, h = h, b
        s.box((0, 0, h / 2), (length, b, h), edge=1.5, mat=int(g.choice([0, 1])))
        for x in (-0.35, 0.0, 0.35):
            s.rod((x * length - 14, 0, h - 2), (x * length + 14, 0, h - 2), 5, mat=2)
        if g.random() < 0.6:
            for x in (-0.2, 0.2):
                s.strip(
                    (x * length - 12, 0),
                    (x * length + 12, 0),
                    b * 0.28,
                    b * 0.28,
                    -5,
                    h + 9,
                    op=CUT,
                )
    else:
        h = g.uniform(10, 80)
        q = g.uniform(25, 70)
        pts = [
            (q * g.uniform(0.6, 1.2) * np.cos(t), q * g.uniform(0.4, 1) * np.sin(t))
            for t in np.linspace(0, 2 * np.pi, int(g.integers(4, 8)), endpoint=False)
        ]
        s.plate(pts, 0, h, edge=g.uniform(0.5, 9), mat=1)
        if g.random() < 0.5:
            s.post(0, 0, h * 0.5, h + g.uniform(1, 20), q * 0.3, mat=2, edge=2)
    return s, [str(g.choice(["metal", "paint"])), "body", "accent", "rubber"]


def drill(g: Generator) -> tuple[Shape, list[str]]:
    s = Shape()
    k = g.uniform(0.75, 1.2)
    r = g.uniform(26, 40) * k
    z = r * g.uniform(0.9, 1.05)
    length = g.uniform(90, 170) * k
    s.bar((-length * 0.4, 0, z), (length * 0.35, 0, z), r, r * g.uniform(0.75, 1), mat=1)
    s.cone((length * 0.3, 0, z), (length * 0.62, 0, z), r * 0.85, r * 0.6, mat=3, op=SMOOTH, k=4)
    if g.random() < 0.8:
        s.rod(
            (length * 0.6, 0, z),
            (length * g.uniform(0.75, 1), 0, z),
            r * g.uniform(0.2, 0.55),
            mat=3,
            edge=2,
        )
    lean, lh = g.uniform(-0.35, 0.15), g.uniform(75, 130) * k
    x0 = -length * g.uniform(0.0, 0.35)
    tip = (x0 + lean * lh, -lh)
    hr = g.uniform(14, 20) * k
    s.bar((x0, -r * 0.4, z), (*tip, z), hr * 1.1, hr, mat=int(g.integers(1, 3)), op=SMOOTH, k=14)
    if g.random() < 0.8:
        bl, bw, bh = (
            g.uniform(60, 115) * k,
            g.uniform(22, 50) * k,
            min(2 * z, g.uniform(45, 80) * k),
        )
        s.box(
            (tip[0] + g.uniform(0, 12), tip[1] - bw * 0.4, bh / 2),
            (bl, bw, bh),
            edge=g.uniform(3, 10),
            mat=3,
            op=SMOOTH,
            k=5,
        )
        s.box(
            (tip[0], tip[1] - bw * 0.2 + 6, z),
            (bl * 0.8, 8, bh * 0.9),
            edge=3,
            mat=1,
            op=SMOOTH,
            k=4,
        )
    s.box((x0 + hr * 1.2, -r * 1.05, z), (9, 22, 12), edge=4, mat=2)
    if g.random() < 0.6:
        s.box((-length * 0.1, 0, z + r * 0.85), (length * 0.5, r * 0.7, 8), edge=3, mat=2)
    return s, ["metal", "body", "accent", "dark body"]


def machine(g: Generator) -> tuple[Shape, list[str]]:
    """Sanders, jigsaws, trimmers: a foot, a body, a grip, standing or on its side."""
    s = Shape()
    a, b, h = g.uniform(90, 240), g.uniform(55, 110), g.uniform(45, 115)
    if g.random() < 0.6:
        s.box((0, 0, 5), (a, b, 10), edge=1.5, mat=0)
        s.box(
            (0, 0, h * 0.35),
            (a * 0.8, b * 0.8, h * 0.6),
            edge=g.uniform(4, 18),
            mat=1,
            op=SMOOTH,
            k=6,
        )
    else:
        s.egg((0, 0, h * 0.4), (a * 0.5, b * 0.5, h * 0.42), mat=1)
        s.box((a * 0.1, 0, 6), (a * 0.5, b * 0.7, 12), edge=3, mat=3, op=SMOOTH, k=6)
    r = g.uniform(13, 20)
    p = np.array([[-a * 0.45, 0], [-a * 0.1, 0], [a * 0.3, 0]]) + g.uniform(-5, 5, (3, 2))
    zz = np.array([h * 0.5, h - r, h * g.uniform(0.55, 1) - r * 0.8])
    chain(s, p, np.array([r, r, r * 0.9]), zz, mat=int(g.choice([1, 2, 3])), k=12, first_op=SMOOTH)
    if g.random() < 0.4:
        s.post(0, 0, 0, h * 0.8, g.uniform(18, 40), mat=3, op=SMOOTH, k=8, edge=4)
    if g.random() < 0.4:
        s.rod((a * 0.45, 0, h * 0.4), (a * 0.7, 0, h * 0.4), g.uniform(4, 20), mat=3, edge=3)
    return s, ["metal", "body", "accent", "dark body"]


def standing(g: Generator) -> tuple[Shape, list[str]]:
    """Tubs, rolls, discs, coins, washers, nuts: round things on their base."""
    s = Shape()
    kind = g.integers(4)
    r = g.uniform(8, 55)
    if kind == 0:
        h = g.uniform(15, 95)
        s.cone((0, 0, 0), (0, 0, h), r, r * g.uniform(0.85, 1.1), mat=1, edge=2)
        s.post(0, 0, h * 0.8, h + g.uniform(1, 8), r * g.uniform(0.5, 1.05), mat=2, edge=1.5)
    elif kind == 1:
        h = g.uniform(6, 55)
        s.post(0, 0, 0, h, r, mat=1, edge=g.uniform(0.4, 3))
        s.post(0, 0, -5, h + 5, r * g.uniform(0.35, 0.85), mat=2, op=CUT, edge=0.1)
    elif kind == 2:
        s.post(0, 0, 0, g.uniform(1.2, 5), g.uniform(6, 30), mat=0, edge=0.4)
        if g.random() < 0.4:
            s.post(0, 0, -5, 9, s.hi[0] * g.uniform(0.3, 0.7), op=CUT, edge=0.1)
    else:
        q = g.uniform(5, 17)
        h = q * g.uniform(0.7, 1.1)
        s.post(0, 0, 0, h, q, n=6, mat=0, turn=g.uniform(0, 1))
        s.post(0, 0, -5, h + 9, q * 0.6, op=CUT, edge=0.1)
    return s, ["metal", "body", "accent"]


def bolt(g: Generator) -> tuple[Shape, list[str]]:
    s = Shape()
    r = g.uniform(1.5, 6)
    length, hr = g.uniform(18, 110), r * g.uniform(1.5, 2.0)
    s.rod((0, 0, hr), (length, 0, r), r, mat=1)
    s.rod((-r * 1.3, 0, hr), (0.3, 0, hr), hr, n=int(g.choice([0, 6])), mat=0)
    return s, ["metal", "knurled"]


def clamp(g: Generator) -> tuple[Shape, list[str]]:
    s = Shape()
    length, w, t = g.uniform(90, 380), g.uniform(6, 16), g.uniform(4, 12)
    throat = g.uniform(35, 100)
    s.box((length / 2, 0, t), (length, 2 * w, 1.4 * t), edge=1.5, mat=0)
    s.strip((length - w, 0), (length - w, throat), w, w * 0.8, 0, 2 * t, mat=0, op=SMOOTH, k=3)
    x = length * g.uniform(0.1, 0.7)
    s.strip((x, 0), (x, throat), w * 1.3, w, 0, 2 * t, mat=3, op=SMOOTH, k=2)
    s.rod(
        (x - length * 0.25, throat * 0.9, t),
        (x + length * g.uniform(0.05, 0.2), throat * 0.9, t),
        g.uniform(3, 6),
        mat=0,
    )
    s.rod(
        (x - length * 0.3 - 60, throat * 0.9, 1.3 * t),
        (x - length * 0.25, throat * 0.9, 1.3 * t),
        g.uniform(7, 13),
        mat=1,
        edge=3,
    )
    return s, [*METAL_GRIP, "paint"]


def brush(g: Generator) -> tuple[Shape, list[str]]:
    s = Shape()
    length, r = g.uniform(90, 200), g.uniform(4, 13)
    z = r + g.uniform(0, 4)
    p = np.array([[0, 0], [length * 0.5, g.uniform(-4, 4)], [length, 0]])
    chain(s, p, r * np.array([1, 0.75, 1]), np.full(3, z), mat=1)
    w = g.uniform(6, 35)
    s.box((length + 15, 0, z), (34, 2 * w, min(2 * z, 12)), edge=3, mat=0, op=SMOOTH, k=3)
    s.box((length + 45, 0, z), (40, 1.9 * w, min(1.9 * z, 11)), edge=4, mat=3)
    return s, ["metal", str(g.choice(["wood", "grip"])), "accent", "bristle"]


def tube(g: Generator) -> tuple[Shape, list[str]]:
    """Pumps, syringes, torches, cartridges: stepped round bodies, now and then with a foot."""
    s = Shape()
    n = int(g.integers(2, 5))
    x, parts = 0.0, []
    for _ in range(n):
        parts.append((x, x + g.uniform(20, 130), g.uniform(6, 32)))
        x = parts[-1][1]
    z = max(q[2] for q in parts)
    for i, (a, b, r) in enumerate(parts):
        s.rod(
            (a - 1, 0, z),
            (b, 0, z),
            r,
            edge=g.uniform(0.5, 4),
            mat=i % 4,
            n=int(g.choice([0, 0, 0, 6, 8])),
        )
    if g.random() < 0.4:
        s.bar((0, -g.uniform(15, 50), z), (0, g.uniform(15, 50), z), g.uniform(4, 9), mat=1)
    if g.random() < 0.3:
        s.post(x, 0, 0, z * 2, g.uniform(15, 35), mat=2, edge=2)
    return s, ["metal", "body", "accent", "dark body"]


def frame(g: Generator) -> tuple[Shape, list[str]]:
    """Hooks, forks, bow frames, wire things."""
    s = Shape()
    n = int(g.integers(4, 8))
    t = np.linspace(0, g.uniform(1.5, 5.2), n)
    rad = g.uniform(20, 110) * np.linspace(1, g.uniform(0.4, 1), n)
    p = np.column_stack([rad * np.cos(t), rad * np.sin(t) * g.uniform(0.4, 1)])
    r = g.uniform(1.5, 7)
    if g.random() < 0.5:
        chain(s, p, np.full(n, r), np.full(n, r), mat=0)
    else:
        chain(s, p, np.full(n, r * 1.6), np.full(n, r * 0.5 + 0.5), mat=0, flat=r * 0.5)
    if g.random() < 0.7:
        d = p[-1] - p[-2]
        d = d / np.hypot(*d)
        e = p[-1] + d * g.uniform(50, 130)
        rh = g.uniform(6, 14)
        s.bar((*p[-1], rh), (*e, rh), rh * 0.8, rh, mat=1, op=SMOOTH, k=3)
    if g.random() < 0.3:
        s.bar((*p[0], r), (*p[-1], r), r * 0.8, mat=0, op=SMOOTH, k=2)
    return s, [str(g.choice(["metal", "paint", "dark metal"])), "grip", "accent"]


def odd(g: Generator) -> tuple[Shape, list[str]]:
    """A few random primitives grown together and cut: what no recipe foresees."""
    s = Shape()
    q = g.uniform(15, 60)
    top = g.uniform(4, 85)
    for i in range(int(g.integers(2, 8))):
        x, y = g.normal(0, q * 0.7, 2)
        m = int(g.integers(4))
        how = {
            "mat": m,
            "op": 0 if i == 0 else int(g.choice([0, SMOOTH, SMOOTH])),
            "k": g.uniform(1, 14),
        }
        r, h = q * g.uniform(0.12, 0.6), top * g.uniform(0.2, 1)
        kind = g.integers(6)
        if kind == 0:
            s.box(
                (x, y, h / 2),
                (2 * r, 3 * r * g.uniform(0.3, 1), h),
                yaw=g.uniform(0, 3.1),
                edge=g.uniform(0.3, 8),
                **how,
            )
        elif kind == 1:
            s.post(x, y, 0, h, r, n=int(g.choice([0, 6, 8])), edge=g.uniform(0.3, 6), **how)
        elif kind == 2:
            r = min(r, top / 2)
            a = g.uniform(0, 6.3)
            e = (x + 3 * r * np.cos(a), y + 3 * r * np.sin(a), r)
            s.bar((x, y, r), e, r, r * g.uniform(0.3, 1), **how)
        elif kind == 3:
            s.egg((x, y, h / 2), (r * g.uniform(0.6, 2), r, h / 2), yaw=g.uniform(0, 3.1), **how)
        elif kind == 4:
            far = (x + g.normal(0, q), y + g.normal(0, q))
            s.strip((x, y), far, r * 0.6, r * g.uniform(0.2, 0.6), 0, h * 0.5, **how)
        else:
            w = min(r * 0.35, top / 2)
            s.ring(x, y, w, r * 1.3, w, **how)
    if g.random() < 0.4:
        x, y = g.normal(0, q * 0.4, 2)
        s.post(x, y, -5, 200, q * g.uniform(0.1, 0.3), op=CUT)
    return s, [str(g.choice(["metal", "paint", "body"])), "body", "accent", "rubber"]


def cable(g: Generator) -> tuple[Shape, list[str]]:
    """A loose cable: a smooth random walk of round bars."""
    s = Shape()
    n = int(g.integers(8, 22))
    r = g.uniform(1.3, 4.5)
    turn = np.cumsum(g.normal(0, 0.28, n) + g.normal(0, 0.1))
    step = g.uniform(14, 30)
    p = np.cumsum(np.column_stack([np.cos(turn), np.sin(turn)]) * step, axis=0)
    z = np.full(n, r)
    chain(s, p, np.full(n, r), z, mat=0, k=0.5)
    if g.random() < 0.3:
        d = p[-1] - p[-2]
        s.bar((*p[-1], r * 2), (*(p[-1] + d * 1.3), r * 2), r * 2, r * 3, mat=0)
    return s, ["cable"]


BULKY_TOOLS: list[Recipe] = [
    block,
    block,
    drill,
    machine,
    standing,
    standing,
    bolt,
    clamp,
    brush,
    tube,
    frame,
    odd,
    odd,
    odd,
]
