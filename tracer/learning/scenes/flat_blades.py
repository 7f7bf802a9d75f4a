"""Random flat blades: thin steel on the sheet or a hand's breadth of it, with or without handle.

Knives, chisels, plane irons, putty knives, scrapers, rules, feeler gauges and saw blades, 0.3 to
3 mm thick and 5 to 60 mm wide.
"""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from tracer.learning.scenes.hand_tools import Recipe, handle
from tracer.learning.scenes.shapes import CUT, KEEP, SMOOTH, Shape

__all__ = ["FLAT_BLADES", "THICK_MM", "WIDE_MM"]

THICK_MM, WIDE_MM = (0.3, 3.0), (5.0, 60.0)
_STEEL = [*["steel"] * 5, "chrome", "metal", "dark metal"]
_GRIPS = ["wood", "wood", "dark body", "rubber", "black", "grip"]


def _steel(g: Generator) -> str:
    return str(g.choice(_STEEL))


def _grip(g: Generator) -> str:
    return str(g.choice(_GRIPS))


def _flat_grip(s: Shape, g: Generator, length: float, width: float, height: float) -> None:
    """Two scales and their rivets, from x = 0 backwards."""
    bend = g.uniform(-0.2, 0.2) * width
    half, z = width / 2, height / 2
    s.strip((-half, 0), (-length * 0.5, bend), half, half * 0.85, 0, height, mat=1, edge=0.45 * z)
    s.strip(
        (-length * 0.5, bend),
        (-length + half, -bend * g.uniform(0, 1)),
        half * 0.85,
        half * g.uniform(0.9, 1.15),
        0,
        height,
        mat=1,
        edge=0.45 * z,
        op=SMOOTH,
        k=5,
    )
    for x in np.linspace(-length * 0.2, -length * 0.8, int(g.choice([0, 2, 3]))):
        s.post(x, 0, height * 0.5, height + 0.2, g.uniform(1.5, 4), mat=2, edge=0.3)


def _grown(s: Shape, g: Generator, width: float) -> tuple[float, float]:
    """A handle behind x = 0; the height of its middle and its length."""
    length = g.uniform(70, 150)
    if g.random() < 0.5:
        height = g.uniform(7, 24)
        _flat_grip(s, g, length, float(np.clip(width * g.uniform(0.7, 1.3), 14, 36)), height)
        return height / 2, length
    z = g.uniform(7, 17)
    handle(s, g, 1, -length, z, z)
    return z, length


def _put_down(s: Shape, g: Generator, z: float, length: float) -> Shape:
    """Lower the tip of a blade at height ``z``: the tool tips over the front of its handle."""
    return s if g.random() < 0.4 else s.leaned(float(np.arctan(g.uniform(0.6, 0.95) * z / length)))


def _tang(s: Shape, z: float, width: float, thick: float) -> None:
    s.box((-6, 0, z), (30, min(width * 0.5, 12.0), max(thick, 1.5)), edge=0.3, mat=0)


def knife(g: Generator) -> tuple[Shape, list[str]]:
    """Kitchen, workshop and marking knives: a straight back, a belly, a point."""
    s, built = Shape(), Shape()
    length, w, t = g.uniform(60, 300), g.uniform(10, 55), g.uniform(0.6, 3)
    z, _ = _grown(built, g, w)
    tip = g.uniform(-0.5, 0.5) * w
    corners = [(0.0, -w / 2), (length * g.uniform(0.6, 0.95), -w / 2), (length, tip)]
    if g.random() < 0.6:
        corners.append((length * g.uniform(0.75, 0.98), w / 2))
    s.plate([*corners, (0, w / 2)], z - t / 2, z + t / 2, edge=0.2, mat=0)
    if g.random() < 0.6:  # belly
        r = length * g.uniform(1.2, 3)
        s.post(length * g.uniform(0.2, 0.5), r - w / 2, -9, z + 9, r, edge=0.1, op=KEEP)
    s.joined(built)
    _tang(s, z, w, t)
    if g.random() < 0.5:  # bolster
        s.box((-3, 0, z), (g.uniform(4, 14), min(w, 24.0), min(2 * z, 14.0)), edge=2, mat=2)
    return _put_down(s, g, z, length), [_steel(g), _grip(g), _steel(g)]


def chisel(g: Generator) -> tuple[Shape, list[str]]:
    """Bench and mortise chisels: a flat bar with a ground bevel, a neck, a handle."""
    s = Shape()
    length, w, t = g.uniform(70, 220), g.uniform(5, 45), g.uniform(1.5, 3)
    neck = g.uniform(0.12, 0.35) * length
    z, _ = _grown(s, g, w)
    narrow = w * g.uniform(0.6, 1)
    s.plate(
        [(neck, -narrow / 2), (length, -w / 2), (length, w / 2), (neck, narrow / 2)],
        z - t / 2,
        z + t / 2,
        mat=0,
    )
    q = min(z * 0.8, g.uniform(2, 6))
    s.cone((-3, 0, z), (neck + 2, 0, z), q, max(1.0, 0.6 * q), mat=0)
    bevel = g.uniform(3, 16)
    s.box((length - bevel / 2, 0, z + 0.1), (bevel, w, t), edge=0.1, mat=2)
    if g.random() < 0.5:  # a skewed edge
        s.box((length + w * 0.35, w * 0.5, z), (w, 2 * w, 4 * t), yaw=0.4, edge=0, op=CUT)
    return _put_down(s, g, z, length), [_steel(g), _grip(g), _steel(g)]


def plane_iron(g: Generator) -> tuple[Shape, list[str]]:
    """Plane irons with their slot, cap irons, razor and scraper blades, bare on the sheet."""
    s = Shape()
    length, w, t = g.uniform(40, 210), g.uniform(16, 60), g.uniform(0.4, 3)
    b, c = w / 2, g.uniform(0, 0.3) * w
    s.plate(
        [(0, -b), (length, -b), (length, b), (0, b), (-c, b - c), (-c, c - b)],
        0,
        t,
        edge=0.15,
        mat=0,
    )  # fmt: skip
    if g.random() < 0.7:
        r = g.uniform(2, min(8.0, w * 0.2))
        x = length * g.uniform(0.1, 0.4)
        s.strip((x, 0), (x + length * g.uniform(0.0, 0.4), 0), r, r, -4, t + 4, op=CUT)
    bevel = g.uniform(2, 12)
    s.box((length - bevel / 2, 0, t * 0.55), (bevel, w, t * 1.1), edge=0.1, mat=1)
    if g.random() < 0.3:  # cap iron on top
        s.box((length * 0.45, 0, t * 1.5), (length * 0.85, w * 0.98, t), edge=0.2, mat=2)
        s.rod((length * 0.3, 0, t), (length * 0.3, 0, t + g.uniform(2, 7)), 6, mat=2)
    return s, [_steel(g), _steel(g), _steel(g)]


def putty_knife(g: Generator) -> tuple[Shape, list[str]]:
    """Putty knives, spatulas, paint scrapers: a blade that widens away from its handle."""
    s = Shape()
    length, w, t = g.uniform(50, 140), g.uniform(12, 60), g.uniform(0.3, 1.6)
    z, _ = _grown(s, g, w)
    a = min(w, g.uniform(9, 22)) / 2
    x = length * g.uniform(0.1, 0.7)
    s.plate(
        [(-3, -a), (x, -w / 2), (length, -w / 2), (length, w / 2), (x, w / 2), (-3, a)],
        z - t / 2,
        z + t / 2,
        edge=0.1,
        mat=0,
    )
    _tang(s, z, 2 * a, t)
    return _put_down(s, g, z, length), [_steel(g), _grip(g), _steel(g)]


def steel_rule(g: Generator) -> tuple[Shape, list[str]]:
    """Steel rules and straightedges: with and without marks, a round end, a bore to hang it by."""
    s = Shape()
    length, w, t = g.uniform(70, 520), g.uniform(9, 50), g.uniform(0.4, 3)
    s.box((length / 2, 0, t / 2), (length, w, t), edge=0.15, mat=0)
    if g.random() < 0.4:
        s.post(0, 0, 0, t, w / 2, mat=0, edge=0.15)
    if g.random() < 0.7:
        r = g.uniform(1.5, min(5.0, w * 0.3))
        s.post(r + g.uniform(2, 6), 0, -4, t + 4, r, op=CUT, edge=0.05)
    return s, [str(g.choice(["rule", "rule", "rule", *_STEEL]))]


def feeler_gauge(g: Generator) -> tuple[Shape, list[str]]:
    """Leaves fanned out of a holder, or a pack of them; single leaves, shims, nail files."""
    s = Shape()
    length, w = g.uniform(60, 160), g.uniform(6, 18)
    n = int(g.integers(1, 9))
    fan, t = g.uniform(0, 1.8), g.uniform(0.3, 0.9)
    for k in range(n):
        a = fan * (k / max(n - 1, 1) - 0.5) + g.normal(0, 0.02)
        z = 0.8 + k * t
        tip = (length * np.cos(a), length * np.sin(a))
        s.strip((0, 0), tip, w / 2, w * g.uniform(0.25, 0.5), z, z + t, mat=0, edge=0.1)
    if n > 1 or g.random() < 0.6:
        top = 1.6 + n * t
        far = length * g.uniform(0.6, 1.02)
        for z0 in (0.0, top - 0.8):
            s.strip((0, 0), (far, 0), w * 0.55, w * 0.5, z0, z0 + 0.8, mat=1, edge=0.2)
        s.post(0, 0, 0, top + g.uniform(0.5, 3), min(w * 0.35, 5), mat=2, edge=0.5)
    return s, [_steel(g), str(g.choice([*_STEEL, "body"])), _steel(g)]


def saw_blade(g: Generator) -> tuple[Shape, list[str]]:
    """Hacksaw, jigsaw and sabre blades; Japanese and pad saws with a handle; coarse teeth cut."""
    s = Shape()
    grown = g.random() < 0.5
    length = g.uniform(150, 320) if grown else g.uniform(60, 320)
    w, t = g.uniform(12, 60) if grown else g.uniform(5, 28), g.uniform(0.4, 2)
    z, _ = _grown(s, g, w) if grown else (t / 2, 0.0)
    end, held = w * g.uniform(0.5, 1.2), s
    s = Shape()
    s.plate(
        [(0, -w / 2), (length, -w / 2), (length, min(end, 58) - w / 2), (0, w / 2)],
        z - t / 2,
        z + t / 2,
        edge=0.1,
        mat=0,
    )
    if g.random() < 0.6:  # teeth wide enough to be seen
        n = int(g.integers(6, 16))
        deep = g.uniform(1.0, 3.5)
        start = length * g.uniform(0.05, 0.5)
        for x in np.linspace(start, length - deep, n):
            s.box((x, -w / 2, z), (deep, deep, 9), yaw=0.7854, edge=0, op=CUT)
    if not grown:
        r = min(2.5, w * 0.25)
        for x in (5.0, length - 5.0):
            s.post(x, 0, -4, z + 4, r, op=CUT, edge=0.05)
    s.joined(held)
    if grown:
        _tang(s, z, w, t)
        s = _put_down(s, g, z, length)
    return s, [_steel(g), _grip(g), _steel(g)]


FLAT_BLADES: tuple[Recipe, ...] = (
    knife, knife, knife, chisel, chisel, plane_iron, putty_knife, steel_rule, feeler_gauge,
    saw_blade,
)  # fmt: skip
