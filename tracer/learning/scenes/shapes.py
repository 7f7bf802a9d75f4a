"""A sculptor's few moves: primitives put together into one tool, in the tool's own frame.

The tool lies on z = 0 with its long side along x. Slots name materials: a tool's second slot is
its grip, say; the scene fills the slots.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tracer.learning.scenes.records import PRIM

__all__ = ["Shape"]

Array = NDArray[np.float64]
BOX, TAPER, PRISM, STRIP, POLY, CONE, TORUS, ELLIPSOID, THREAD = range(9)
UNION, SMOOTH, CUT, KEEP = range(4)


def _turned(axis: Array, up: Array | None = None) -> Array:
    """Rotation (3, 3) whose rows are a frame with its first row along ``axis``."""
    x = axis / np.linalg.norm(axis)
    u = np.array([0.0, 0.0, 1.0]) if up is None else up
    if abs(x @ u) > 0.95:
        u = np.array([0.0, 1.0, 0.0])
    y = np.cross(u, x)
    y /= np.linalg.norm(y)
    return np.stack([x, y, np.cross(x, y)])


@dataclass
class Shape:
    """A tool under construction.

    Attributes
    ----------
    prims
        Records so far.
    lo, hi
        Box (3,) around everything that adds matter, mm.
    slots
        Number of material slots used.
    """

    prims: list[NDArray[np.void]] = field(default_factory=list)
    lo: Array = field(default_factory=lambda: np.full(3, 1e9))
    hi: Array = field(default_factory=lambda: np.full(3, -1e9))

    def _add(
        self,
        kind: int,
        rotation: Array,
        origin: Array,
        params: list[float],
        box: tuple[Array, Array],
        *,
        mat: int = 0,
        op: int = UNION,
        k: float = 3.0,
        n: int = 0,
    ) -> Shape:
        p = np.zeros((), PRIM)
        p["type"], p["op"], p["mat"], p["n"], p["k"] = kind, op, mat, n, k
        p["m"] = np.column_stack([rotation, -rotation @ origin]).ravel()
        p["p"][: len(params)] = params
        self.prims.append(p)
        if op in (UNION, SMOOTH):
            lo, hi = box
            corners = np.array(
                [[x, y, z] for x in (lo[0], hi[0]) for y in (lo[1], hi[1]) for z in (lo[2], hi[2])]
            )
            world = corners @ rotation + origin
            pad = k / 4 if op == SMOOTH else 0.0
            self.lo = np.minimum(self.lo, world.min(0) - pad)
            self.hi = np.maximum(self.hi, world.max(0) + pad)
        return self

    def box(
        self,
        at: tuple[float, float, float],
        size: tuple[float, float, float],
        *,
        yaw: float = 0.0,
        pitch: float = 0.0,
        edge: float = 0.5,
        **how: float | int,
    ) -> Shape:
        """Box centred at ``at``, full ``size``, edges rounded by ``edge``."""
        c, s = np.cos(yaw), np.sin(yaw)
        cp, sp = np.cos(pitch), np.sin(pitch)
        turn = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])
        tip = np.array([[cp, 0, sp], [0, 1, 0], [-sp, 0, cp]])
        half = np.array(size) / 2
        edge = min(edge, 0.98 * half.min())
        return self._add(BOX, tip @ turn, np.array(at, float), [*half, edge], (-half, half), **how)  # type: ignore[arg-type]

    def bar(
        self,
        a: tuple[float, float, float],
        b: tuple[float, float, float],
        ra: float,
        rb: float | None = None,
        **how: float | int,
    ) -> Shape:
        """Round bar with round ends from ``a`` to ``b``, radius ``ra`` to ``rb``."""
        rb = ra if rb is None else rb
        p, q = np.array(a, float), np.array(b, float)
        length = float(np.linalg.norm(q - p))
        if length < abs(ra - rb) + 0.05:
            q = p + np.array([abs(ra - rb) + 0.1, 0, 0])
            length = float(np.linalg.norm(q - p))
        m = max(ra, rb)
        lo, hi = np.array([-ra, -m, -m]), np.array([length + rb, m, m])
        return self._add(TAPER, _turned(q - p), p, [length, ra, rb], (lo, hi), **how)  # type: ignore[arg-type]

    def rod(
        self,
        a: tuple[float, float, float],
        b: tuple[float, float, float],
        r: float,
        *,
        edge: float = 0.3,
        **how: float | int,
    ) -> Shape:
        """Bar with flat ends; round, or with ``n`` flats (``r`` is then half across flats)."""
        p, q = np.array(a, float), np.array(b, float)
        half = float(np.linalg.norm(q - p)) / 2
        frame = _turned(q - p)[[1, 2, 0]]  # own z along the bar
        edge = min(edge, 0.9 * r, 0.9 * half)
        m = r * (1.16 if how.get("n", 0) else 1.0)
        box = (np.array([-m, -m, -half]), np.array([m, m, half]))
        return self._add(PRISM, frame, (p + q) / 2, [r, half, edge], box, **how)  # type: ignore[arg-type]

    def thread(
        self,
        a: tuple[float, float, float],
        b: tuple[float, float, float],
        r: float,
        pitch: float,
        **how: float | int,
    ) -> Shape:
        """Threaded rod, crests at radius ``r``; depth 0.613 of the pitch (ISO 68-1, external)."""
        p, q = np.array(a, float), np.array(b, float)
        half = float(np.linalg.norm(q - p)) / 2
        box = (np.array([-r, -r, -half]), np.array([r, r, half]))
        params = [r, half, min(0.2 * pitch, 0.9 * half), pitch, 0.613 * pitch]
        return self._add(THREAD, _turned(q - p)[[1, 2, 0]], (p + q) / 2, params, box, **how)  # type: ignore[arg-type]

    def cone(
        self,
        a: tuple[float, float, float],
        b: tuple[float, float, float],
        ra: float,
        rb: float,
        *,
        edge: float = 0.3,
        **how: float | int,
    ) -> Shape:
        """Frustum with flat ends from ``a`` (radius ``ra``) to ``b`` (``rb``)."""
        p, q = np.array(a, float), np.array(b, float)
        half = float(np.linalg.norm(q - p)) / 2
        edge = min(edge, 0.4 * min(ra, rb, half))
        m = max(ra, rb)
        box = (np.array([-m, -m, -half]), np.array([m, m, half]))
        frame = _turned(q - p)[[1, 2, 0]]
        params = [ra - edge, rb - edge, half - edge, edge]
        return self._add(CONE, frame, (p + q) / 2, params, box, **how)  # type: ignore[arg-type]

    def post(
        self,
        x: float,
        y: float,
        z0: float,
        z1: float,
        r: float,
        *,
        edge: float = 0.4,
        turn: float = 0.0,
        **how: float | int,
    ) -> Shape:
        """Standing cylinder, or prism with ``n`` flats."""
        half = (z1 - z0) / 2
        c, s = np.cos(turn), np.sin(turn)
        edge = min(edge, 0.9 * half, 0.9 * r)
        m = r * (1.16 if how.get("n", 0) else 1.0)
        box = (np.array([-m, -m, -half]), np.array([m, m, half]))
        frame = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])
        at = np.array([x, y, (z0 + z1) / 2])
        return self._add(PRISM, frame, at, [r, half, edge], box, **how)  # type: ignore[arg-type]

    def strip(
        self,
        a: tuple[float, float],
        b: tuple[float, float],
        ra: float,
        rb: float,
        z0: float,
        z1: float,
        *,
        edge: float = 0.5,
        **how: float | int,
    ) -> Shape:
        """Flat lug from ``a`` to ``b`` with round ends, from z0 to z1."""
        p, q = np.array([*a, (z0 + z1) / 2], float), np.array([*b, (z0 + z1) / 2], float)
        length = float(np.linalg.norm(q - p))
        if length < abs(ra - rb) + 0.05:
            q = q + np.array([abs(ra - rb) + 0.1, 0, 0])
            length = float(np.linalg.norm(q - p))
        half = (z1 - z0) / 2
        m = max(ra, rb)
        edge = min(edge, 0.95 * half, 0.95 * min(ra, rb))
        box = (np.array([-ra, -m, -half]), np.array([length + rb, m, half]))
        params = [length, ra, rb, half, edge]
        return self._add(STRIP, _turned(q - p), p, params, box, **how)  # type: ignore[arg-type]

    def plate(
        self,
        points: list[tuple[float, float]],
        z0: float,
        z1: float,
        *,
        edge: float = 0.3,
        **how: float | int,
    ) -> Shape:
        """Polygon of at most seven corners, from z0 to z1."""
        v = np.array(points[:7], float)
        half = (z1 - z0) / 2
        edge = min(edge, 0.9 * half)
        box = (np.array([*v.min(0), -half]), np.array([*v.max(0), half]))
        at = np.array([0, 0, (z0 + z1) / 2])
        return self._add(POLY, np.eye(3), at, [half, edge, *v.ravel()], box, n=len(v), **how)  # type: ignore[arg-type]

    def ring(
        self,
        x: float,
        y: float,
        z: float,
        radius: float,
        r: float,
        *,
        flat: float = 1.0,
        **how: float | int,
    ) -> Shape:
        """Lying ring: wire radius ``r``, ``flat`` > 1 makes it flatter."""
        m = radius + r
        box = (np.array([-m, -m, -r / flat]), np.array([m, m, r / flat]))
        at = np.array([x, y, z])
        return self._add(TORUS, np.eye(3), at, [radius, r, flat], box, **how)  # type: ignore[arg-type]

    def egg(
        self,
        at: tuple[float, float, float],
        radii: tuple[float, float, float],
        *,
        yaw: float = 0.0,
        **how: float | int,
    ) -> Shape:
        """Ellipsoid."""
        c, s = np.cos(yaw), np.sin(yaw)
        r = np.array(radii)
        frame = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])
        return self._add(ELLIPSOID, frame, np.array(at, float), list(r), (-r, r), **how)  # type: ignore[arg-type]

    def joined(self, other: Shape) -> Shape:
        """All of ``other`` after what is here; cuts made before leave it whole."""
        self.prims += other.prims
        self.lo, self.hi = np.minimum(self.lo, other.lo), np.maximum(self.hi, other.hi)
        return self

    def leaned(self, angle: float, *, across: bool = False) -> Shape:
        """Everything turned about the y axis so that what has x > 0 goes down by ``angle``.

        ``across`` turns about the x axis instead: what has y > 0 goes down. The box grows to
        that of the turned box.
        """
        c, s = np.cos(angle), np.sin(angle)
        turn = np.array(
            [[1, 0, 0], [0, c, s], [0, -s, c]] if across else [[c, 0, s], [0, 1, 0], [-s, 0, c]]
        )
        for p in self.prims:
            m = p["m"].reshape(3, 4).astype(float)
            m[:, :3] = m[:, :3] @ turn.T
            p["m"] = m.ravel()
        lo, hi = self.lo, self.hi
        corners = np.array(
            [[x, y, z] for x in (lo[0], hi[0]) for y in (lo[1], hi[1]) for z in (lo[2], hi[2])]
        )
        world = corners @ turn.T
        self.lo, self.hi = world.min(0), world.max(0)
        return self
