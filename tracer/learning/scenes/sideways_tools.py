"""Random power tools on their side: a base plate on its edge, chucks, bits, blades in the air.

Such a plate is 2 to 4 mm thick, stands 60 to 90 mm off the sheet and reaches beyond the body. In
the tool's frame its plane is y = 0, the body lies at y > 0, what works the wood at y < 0.
"""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from tracer.learning.scenes.hand_tools import Recipe, chain
from tracer.learning.scenes.shapes import CUT, SMOOTH, Shape

__all__ = ["HIGH_MM", "PLATE_MM", "SIDEWAYS", "jigsaw"]

PLATE_MM, HIGH_MM = (2.0, 4.0), (60.0, 90.0)  # thickness of a base plate, its width: its height
_MOST_LEAN = 0.14  # the rest is borne by what stands out of the body: knobs, switches, rims
_PLATES = ["steel", "steel", "steel", "metal", "chrome", "plated"]
_BODIES = ["body", "body", "dark body", "dark body", "paint", "rubber"]
_ENDS = ["metal", "steel", "dark metal", "dark body"]


def _slots(g: Generator) -> list[str]:
    """Plate, body, grip or trim, what turns."""
    pick = (_PLATES, _BODIES, ["rubber", "dark body", "accent"], _ENDS)
    return [str(g.choice(names)) for names in pick]


def _settled(s: Shape, z: float, r: float, y: float) -> Shape:
    """Tipped over the plate's lower edge until a body of radius ``r`` at height ``z`` lies down."""
    return s.leaned(min(float(np.arctan(max(z - r, 0.0) / y)), _MOST_LEAN), across=True)


def jigsaw(g: Generator) -> tuple[Shape, list[str]]:
    """A pressed foot with rims, a neck, a housing, a hoop or a barrel for the hand, a blade."""
    s = Shape()
    t, w, long = g.uniform(*PLATE_MM), g.uniform(*HIGH_MM), g.uniform(110, 190)
    r, y, body = g.uniform(0.4, 0.49) * w, g.uniform(48, 80), g.uniform(130, 220)
    z = w / 2
    front = body * 0.5
    reach = g.uniform(5, 45)  # of the foot beyond the housing
    x0 = front + reach - long
    s.box((x0 + long / 2, -t / 2, z), (long, t, w), edge=0.4, mat=0)
    if g.random() < 0.5:  # the slot for the blade, open in front
        s.box((front + reach, -t / 2, z), (g.uniform(30, 90), 4 * t, g.uniform(8, 20)), op=CUT)
    if g.random() < 0.6:  # rims bent towards the housing
        rim = g.uniform(4, 11)
        for at in (t / 2, w - t / 2):
            s.box(
                (x0 + long / 2, rim / 2 - t, at), (long * 0.92, rim + t, t * 0.7), edge=0.3, mat=0
            )
    deep = y - 0.4 * r
    neck = g.uniform(45, min(100.0, body * 0.6))
    s.box(
        (front - neck / 2 - 4, deep / 2, z),
        (neck, deep, r * g.uniform(1.2, 1.9)),
        edge=3,
        mat=int(g.choice([1, 3])),
    )
    s.bar((-front + r, y, z), (front - r, y, z), r, r * g.uniform(0.85, 1), mat=1, op=SMOOTH, k=8)
    if g.random() < 0.65:  # hoop
        top, q = y + g.uniform(50, 90), g.uniform(11, 17)
        p = np.array(
            [[-front * 0.8, y], [-front * 0.85, top], [front * 0.3, top], [front * 0.6, y]]
        )
        chain(s, p, np.full(4, q), np.full(4, z), mat=int(g.choice([1, 2])), k=10)
    else:
        s.bar((-front * 1.2, y, z), (-front * 0.2, y + 10, z), r * 0.8, r, mat=2, op=SMOOTH, k=10)
    if g.random() < 0.75:
        out, wide = g.uniform(20, 105), g.uniform(5, 11)
        at = front - g.uniform(8, 25)
        s.plate(
            [(at, 8), (at + wide, 8), (at + wide, -out), (at + wide * 0.4, -out)],
            z - 0.7,
            z + g.uniform(0.3, 0.9),
            mat=int(g.choice([0, 3])),
        )
    return _settled(s, z, r, y), _slots(g)


def router(g: Generator) -> tuple[Shape, list[str]]:
    """A round or square base, a motor in a collar or on two columns, knobs, a bit."""
    s = Shape()
    t = g.uniform(*PLATE_MM) * g.choice([1.0, 1.0, g.uniform(1, 3)])
    half = g.uniform(*HIGH_MM) / 2 * g.choice([1.0, 1.0, g.uniform(1, 1.5)])
    z, r = half, min(half * g.uniform(0.65, 0.92), 46.0)
    if g.random() < 0.5:
        s.rod((0, -t, z), (0, 0, z), half, mat=0, n=int(g.choice([0, 0, 8])), edge=0.4)
    else:
        wide = 2 * half * g.uniform(1.05, 1.8)
        s.box((0, -t / 2, z), (wide, t, 2 * half), edge=0.4, mat=0)
    tall = g.uniform(110, 210)
    y0 = g.uniform(-2, 0.35 * tall)
    if y0 > 8:
        for side in (-1, 1):
            x = side * r * g.uniform(0.6, 0.95)
            s.rod((x, -1, z), (x, y0 + 15, z), g.uniform(4, 8), mat=0)
    s.rod((0, y0, z), (0, tall, z), r, mat=1, edge=g.uniform(1, 7))
    s.rod(
        (0, tall - 4, z), (0, tall + g.uniform(2, 18), z), r * g.uniform(0.6, 0.98), mat=2, edge=3
    )
    if g.random() < 0.7:
        out, q, y = r + g.uniform(22, 55), g.uniform(11, 20), y0 + g.uniform(18, 45)
        s.bar((-out, y, z), (out, y, z), q * 0.5, mat=3)
        for side in (-1, 1):
            s.egg((side * out, y, z), (q, q, q * 1.1), mat=2)
    q = g.uniform(5, 11)
    s.rod((0, y0 + 4, z), (0, -t - g.uniform(-8, 12), z), q, mat=3, n=int(g.choice([0, 6])), edge=1)
    if g.random() < 0.6:
        s.rod((0, 0, z), (0, -t - g.uniform(10, 45), z), g.uniform(1.5, 7), mat=0, edge=0.6)
    return _settled(s, z, r, tall), _slots(g)


def sander(g: Generator) -> tuple[Shape, list[str]]:
    """Long or round pads of steel and foam, a housing over them, a wire clamp at either end."""
    s = Shape()
    t, soft = g.uniform(*PLATE_MM), g.uniform(0, 12)
    w, long = g.uniform(*HIGH_MM), g.uniform(95, 240)
    z, r = w / 2, w * g.uniform(0.4, 0.49)
    if g.random() < 0.7:
        s.box((0, -t / 2, z), (long, t, w), edge=0.4, mat=0)
        if soft > 2:
            s.box((0, -t - soft / 2, z), (long * 0.98, soft, w * 0.97), edge=0.8, mat=3)
    else:
        long = w
        s.rod((0, -t, z), (0, 0, z), z, mat=0, edge=0.4)
        if soft > 2:
            s.rod((0, -t - soft, z), (0, -t, z), z * 0.98, mat=3, edge=0.8)
    y = g.uniform(35, 60)
    body = long * g.uniform(0.55, 0.9)
    s.box((0, y * 0.55, z), (body * 0.7, y * 1.1, r * 1.6), edge=6, mat=1)
    s.egg((0, y, z), (body * 0.5, g.uniform(30, 55), r), mat=1, op=SMOOTH, k=8)
    if g.random() < 0.6:
        q = r * g.uniform(0.5, 0.9)
        far = -body * g.uniform(0.4, 0.9)
        s.bar((0, y + 30, z), (far, y + g.uniform(5, 45), z), q, q * 0.8, mat=2, op=SMOOTH, k=10)
    if g.random() < 0.5:
        for side in (-1, 1):
            x = side * (long / 2 + g.uniform(2, 14))
            s.bar((side * body * 0.35, 10, z), (x, g.uniform(3, 12), z), 1.5, mat=0)
            s.bar((x, 6, z * 0.5), (x, 6, z * 1.5), 1.5, mat=0)
    return _settled(s, z, r, y), _slots(g)


def grinder(g: Generator) -> tuple[Shape, list[str]]:
    """A disc on its edge beside a long body, with half a guard; trimming saws."""
    s = Shape()
    big = g.uniform(38, 66)
    t = g.uniform(1, 6)
    s.rod((0, -t, big), (0, 0, big), big, mat=int(g.choice([0, 3])), edge=0.3)
    y, r = g.uniform(28, 45), g.uniform(22, 32)
    if (
        g.random() < 0.75
    ):  # its CUT takes half of the guard alone: the disc is thinner than its hollow
        guard, wide = Shape(), g.uniform(8, 18)
        guard.rod((0, -wide, big), (0, 3, big), big * 1.03, mat=0, edge=0.8)
        guard.rod((0, -wide - 5, big), (0, 1, big), big * 0.98, op=CUT)
        guard.box((-2 * big, -wide, big), (4 * big, 4 * wide, 4 * big), op=CUT)
        s = guard.joined(s)
    s.rod((0, -0.5 * t, big), (0, y + 12, big), r * 0.8, mat=3, edge=4)
    long = g.uniform(150, 260)
    s.bar((0, y, big), (60, y, big * 0.85), r, r * 0.9, mat=3, op=SMOOTH, k=8)
    s.bar((55, y, big * 0.85), (long, y + g.uniform(-8, 8), r), r * 1.05, r, mat=1, op=SMOOTH, k=6)
    if g.random() < 0.6:
        e = y + g.uniform(70, 120)
        s.bar((0, y, big), (-g.uniform(0, 20), e, g.uniform(16, big)), 7, 15, mat=2)
    return s, _slots(g)


def gun(g: Generator) -> tuple[Shape, list[str]]:
    """Pistol or straight bodies with a bit, a nozzle, a saw blade or a scraper far out in front."""
    s = Shape()
    r = g.uniform(20, 38)
    z, body = r * g.uniform(1.0, 1.3), g.uniform(90, 200)
    s.bar((-body, 0, z), (-r * 0.6, 0, z), r, r * g.uniform(0.75, 1), mat=1)
    if g.random() < 0.65:  # grip
        lean, q = g.uniform(-50, 20), g.uniform(13, 19)
        x, low = -body * g.uniform(0.4, 0.95), -r - g.uniform(60, 115)
        s.bar((x, 0, z), (x + lean, low, max(q, 0.9 * z)), q * 1.1, q, mat=2, op=SMOOTH, k=12)
        if g.random() < 0.5:
            h = min(2 * z, g.uniform(45, 75))
            s.box((x + lean, low - 12, h / 2), (g.uniform(60, 110), 36, h), edge=6, mat=1)
    kind = g.integers(5)
    nose = g.uniform(20, 50)
    s.cone((-8, 0, z), (nose, 0, z), r * 0.8, r * g.uniform(0.3, 0.6), mat=3, edge=1)
    out = g.uniform(25, 150)
    if kind < 2:  # chuck and bit
        q, n = g.uniform(1.5, 9), int(g.choice([0, 0, 6]))
        s.rod((nose - 2, 0, z), (nose + 12, 0, z), max(q * 1.3, r * 0.4), mat=3, edge=2)
        s.rod((nose, 0, z), (nose + out, 0, z), q, n=n, mat=0, edge=0.5)
        if g.random() < 0.5:
            s.rod((nose + out * 0.8, 0, z), (nose + out, 0, z), q * g.uniform(1.1, 2.2), n=n, mat=3)
    elif kind == 2:  # nozzle
        q = r * g.uniform(0.3, 0.6)
        s.cone((nose - 3, 0, z), (nose + 0.5 * out, 0, z), q, q * g.uniform(0.5, 1.1), mat=0)
    elif kind == 3:  # sabre saw: shoe on its edge, blade
        t, w, y = g.uniform(*PLATE_MM), min(2 * z, g.uniform(40, 70)), g.uniform(30, 60)
        s.box((nose + t, 0, z), (t, y, w), edge=0.4, mat=0)
        wide = g.uniform(12, 24)
        tip = nose + g.uniform(60, 210)
        s.plate(
            [(0, -wide / 2), (tip, -wide / 2), (tip, wide * 0.1), (0, wide / 2)],
            z - 0.7,
            z + 0.7,
            mat=0,
        )
    else:  # scraper, cutter, plunge blade
        wide, t = g.uniform(9, 60), g.uniform(0.8, 2.5)
        low = z - t / 2 if g.random() < 0.5 else max(z - r * 0.7, 1.0)
        s.post(nose - 4, 0, low, z + r * 0.3, g.uniform(6, 12), mat=3)
        a = g.uniform(5, 9)
        tip = nose + g.uniform(20, 80)
        s.plate(
            [(nose - 6, -a), (tip, -wide / 2), (tip, wide / 2), (nose - 6, a)], low, low + t, mat=0
        )
    return s, _slots(g)


SIDEWAYS: tuple[Recipe, ...] = (jigsaw, jigsaw, jigsaw, router, sander, sander, grinder, gun, gun)
