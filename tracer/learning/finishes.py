"""Random materials, grounds and rooms for training pictures (linear light)."""

from __future__ import annotations

import colorsys

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tracer.learning.records import GROUND, MATERIAL

__all__ = ["ground", "material", "paint_colour"]

Array = NDArray[np.float64]
PLAIN, FIBRE, GRAIN, FOAM, CONCRETE, GRID, CLOTH, TILES = range(8)


def paint_colour(g: Generator, saturation: float, value: float) -> Array:
    """A linear RGB albedo of random hue."""
    rgb = np.array(colorsys.hsv_to_rgb(g.random(), saturation, value))
    return np.asarray(np.maximum(rgb, 0.015) ** 2.2)


def grey(g: Generator, low: float, high: float) -> Array:
    """A near-neutral albedo, log-uniform between two levels."""
    level = np.exp(g.uniform(np.log(low), np.log(high)))
    return np.asarray(level * (1 + g.normal(0, 0.05, 3)))


def _metal(m: NDArray[np.void], g: Generator, dark: bool) -> None:
    m["metal"] = 1.0
    m["rough"] = g.choice([g.uniform(0.02, 0.12), g.uniform(0.12, 0.3), g.uniform(0.3, 0.6)])
    m["a"] = grey(g, 0.04, 0.2) if dark else grey(g, 0.3, 0.92)
    if g.random() < 0.1:
        m["a"] = np.array([0.85, 0.62, 0.3]) * g.uniform(0.5, 1)
    if dark:
        m["rough"] = g.uniform(0.2, 0.6)
        m["metal"] = g.uniform(0.5, 1)
    m["b"] = m["a"] * g.uniform(0.2, 0.9)
    if g.random() < 0.25:  # rust, wear
        m["pattern"], m["q"][2], m["q"][3] = 2, g.uniform(4, 25), g.uniform(-0.2, 0.4)
        if g.random() < 0.4:
            m["b"] = np.array([0.2, 0.08, 0.03]) * g.uniform(0.5, 1.5)
    if g.random() < 0.5:
        m["bump"], m["bump_kind"] = g.uniform(0.01, 0.15), g.choice([0, 1, 1])
        m["bump_mm"] = g.uniform(0.3, 2.5) if m["bump_kind"] == 1 else g.uniform(1, 20)


def _plastic(m: NDArray[np.void], g: Generator, kind: str) -> None:
    m["f0"] = 0.04
    m["rough"] = g.choice([g.uniform(0.05, 0.2), g.uniform(0.2, 0.6)])
    roll = g.random()
    if kind in ("dark body", "rubber", "bristle") or roll < 0.3:
        m["a"] = grey(g, 0.008, 0.06)
        m["rough"] = g.uniform(0.25, 0.7)
    elif roll < 0.42:
        m["a"] = grey(g, 0.06, 0.8)
    else:
        m["a"] = paint_colour(g, g.uniform(0.5, 1.0), g.uniform(0.35, 1.0))
    if kind == "bristle" and g.random() < 0.6:
        m["a"] = np.array([0.45, 0.3, 0.15]) * g.uniform(0.3, 1.6)
    m["b"] = grey(g, 0.01, 0.8) if g.random() < 0.6 else paint_colour(g, 0.9, g.uniform(0.4, 1))
    p = g.random()
    q = m["q"]
    if p < 0.15:
        a = g.uniform(0, 3.1)
        m["pattern"], q[0], q[1], q[2], q[3] = (
            1,
            np.cos(a),
            np.sin(a),
            g.uniform(3, 40),
            g.uniform(0.1, 0.6),
        )
    elif p < 0.3:
        m["pattern"], q[0], q[1] = 4, g.normal(0, 25), g.normal(0, 8)
        q[2], q[3], q[4] = g.uniform(6, 40), g.uniform(3, 14), g.random()
    elif p < 0.36:
        m["pattern"], q[0] = 6, g.uniform(3, 60)
    elif p < 0.42:
        m["pattern"], q[0] = 7, g.normal(0, 40)
    elif p < 0.5:
        m["pattern"], q[2], q[3] = 2, g.uniform(5, 30), g.uniform(0.1, 0.5)
    if g.random() < 0.45:
        m["bump"], m["bump_kind"] = g.uniform(0.03, 0.6), g.choice([0, 2, 3, 3])
        m["bump_mm"] = g.uniform(1.2, 9)


def material(kind: str, g: Generator) -> NDArray[np.void]:
    """A material of the family ``kind`` (any slot name the recipes use)."""
    m = np.zeros((), MATERIAL)
    m["rough"], m["f0"] = 0.4, 0.04
    if kind == "accent":
        kind = str(g.choice(["metal", "body", "body", "rubber", "dark metal"]))
    if kind in ("metal", "dark metal"):
        _metal(m, g, kind == "dark metal" or g.random() < 0.15)
    elif kind in ("knurled", "file"):
        _metal(m, g, g.random() < 0.5)
        m["rough"] = max(float(m["rough"]), 0.2)
        m["bump"], m["bump_kind"], m["bump_mm"] = g.uniform(0.2, 0.8), 2, g.uniform(1.0, 3)
    elif kind == "rule":
        _metal(m, g, False)
        if g.random() < 0.4:
            m["metal"], m["a"] = 0.0, paint_colour(g, g.uniform(0, 0.9), g.uniform(0.5, 1))
        m["pattern"], m["b"] = 5, grey(g, 0.01, 0.05)
        m["q"][1], m["q"][2], m["q"][4] = g.uniform(-12, 0), g.choice([1, 2, 5, 5]), 1
    elif kind == "wood":
        m["a"] = np.array([0.5, 0.3, 0.14]) * g.uniform(0.3, 1.4) * (1 + g.normal(0, 0.08, 3))
        m["b"] = m["a"] * g.uniform(0.4, 0.8)
        m["pattern"], m["rough"] = 3, g.uniform(0.15, 0.6)
    elif kind == "paint":
        _plastic(m, g, "body")
        m["rough"] = g.uniform(0.05, 0.4)
    elif kind == "cable":
        m["a"] = (
            grey(g, 0.01, 0.05)
            if g.random() < 0.55
            else paint_colour(g, g.uniform(0, 1), g.uniform(0.3, 1))
        )
        m["rough"], m["b"] = g.uniform(0.2, 0.6), m["a"]
    else:
        _plastic(m, g, kind)
    m["a"], m["b"] = np.clip(m["a"], 0.004, 0.96), np.clip(m["b"], 0.004, 0.96)
    return m


def ground(g: Generator) -> NDArray[np.void]:
    """A sheet or bench: paper, board, foam, wood, concrete, mat, cloth, tiles."""
    r = np.zeros((), GROUND)
    s = r["s"]
    s[1], s[2], s[3] = (
        np.exp(g.uniform(np.log(0.8), np.log(25))),
        g.uniform(0, 6.28),
        g.uniform(0, 0.08),
    )
    s[5], s[6] = g.uniform(4, 20), g.uniform(0.25, 1.0)
    r["gloss"] = 0.0 if g.random() < 0.5 else g.uniform(0, 0.9) ** 2
    kind = int(g.choice(8, p=[0.27, 0.11, 0.17, 0.14, 0.08, 0.12, 0.07, 0.04]))
    r["kind"] = kind
    roll = g.random()
    if roll < 0.28:
        r["a"] = grey(g, 0.45, 0.9)
    elif roll < 0.5:
        r["a"] = grey(g, 0.1, 0.5)
    elif roll < 0.68:
        r["a"] = grey(g, 0.01, 0.1)
    else:
        r["a"] = paint_colour(g, g.uniform(0.15, 0.9), g.uniform(0.25, 0.95))
    r["b"] = r["a"] * g.uniform(0.5, 1.6)
    if kind in (PLAIN, FIBRE):
        s[0] = np.exp(g.uniform(np.log(0.004), np.log(0.2)))
        if g.random() < 0.25:
            r["a"] = np.array([0.42, 0.27, 0.14]) * g.uniform(0.6, 1.4)  # kraft
    elif kind == GRAIN:
        base = np.array([[0.55, 0.4, 0.24], [0.36, 0.2, 0.1], [0.2, 0.11, 0.06], [0.6, 0.5, 0.36]])
        r["a"] = base[g.integers(4)] * g.uniform(0.5, 1.4) * (1 + g.normal(0, 0.06, 3))
        r["b"] = r["a"] * g.uniform(0.45, 0.95) * np.array([1, 0.93, 0.85])
        s[0], s[5], s[7] = g.uniform(0.02, 0.25), g.uniform(6, 45), float(g.random() < 0.4)
        s[6] = g.uniform(0.5, 2.5) if g.random() < 0.4 else 0.0
    elif kind == FOAM:
        s[0], s[1] = g.uniform(0.03, 0.3), g.uniform(1.2, 5)
        if g.random() < 0.7:
            r["a"] = grey(g, 0.008, 0.09)
        r["gloss"] = 0
    elif kind == CONCRETE:
        s[0] = g.uniform(0.05, 0.3)
        r["a"] = grey(g, 0.12, 0.6)
    elif kind == GRID:
        s[0], s[5] = g.uniform(0.004, 0.06), g.choice([5.0, 10.0, 10.0, 12.7, 20.0])
        r["b"] = r["a"] * g.uniform(1.5, 4) if g.random() < 0.7 else r["a"] * g.uniform(0.2, 0.7)
        s[7] = float(g.random() < 0.3)
    elif kind == CLOTH:
        s[0], s[1] = g.uniform(0.03, 0.25), g.uniform(1.2, 4)
        s[5], s[7] = g.uniform(10, 80), float(g.random() < 0.35)
    else:
        s[0] = g.uniform(0.02, 0.15)
        r["b"] = r["a"] * g.choice([0.4, 1.6])
    s[4] = 0.0 if g.random() < 0.5 else g.uniform(0.2, 1.0)
    r["c"] = r["a"] * g.uniform(0.3, 1.5, 3)
    for k in "abc":
        r[k] = np.clip(r[k], 0.006, 0.92)
    return r
