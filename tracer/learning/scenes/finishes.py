"""Random materials for training pictures (linear light)."""

from __future__ import annotations

import colorsys

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tracer.learning.scenes.records import MATERIAL

__all__ = ["grey", "like_ground", "material", "paint_colour"]

Array = NDArray[np.float64]


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


def _steel(m: NDArray[np.void], g: Generator) -> None:
    """Flat steel: mirror-like, brushed, dull, blued, grey; ground edges, stains, etching."""
    m["metal"] = g.uniform(0.75, 1.0)
    look = g.choice([0, 1, 1, 1, 2, 2, 2, 3, 4])
    if look == 0:
        m["a"], m["rough"] = grey(g, 0.55, 0.95), g.uniform(0.01, 0.1)
    elif look == 1:
        m["a"], m["rough"] = grey(g, 0.4, 0.92), g.uniform(0.1, 0.35)
        m["metal"] = g.uniform(0.5, 1)  # fine scratches scatter light as paint does
        m["bump"], m["bump_kind"], m["bump_mm"] = g.uniform(0.02, 0.15), 1, g.uniform(0.3, 1.5)
    elif look == 2:
        m["a"], m["rough"], m["metal"] = (
            grey(g, 0.3, 0.85),
            g.uniform(0.3, 0.65),
            g.uniform(0.2, 0.9),
        )
    elif look == 3:
        blue = np.array([0.7, 0.85, g.uniform(1.0, 1.8)])
        m["a"], m["rough"] = grey(g, 0.03, 0.15) * blue, g.uniform(0.1, 0.45)
    else:
        m["a"], m["rough"] = grey(g, 0.06, 0.35), g.uniform(0.15, 0.6)
    m["b"] = m["a"] * np.exp(g.uniform(np.log(0.3), np.log(2.5)))
    roll, q = g.random(), m["q"]
    if roll < 0.3:  # the ground strip along an edge
        m["pattern"], q[0], q[1], q[2], q[3] = 9, 0, 1, g.normal(0, 12), g.uniform(1, 8)
    elif roll < 0.5:
        m["pattern"], q[2], q[3] = 2, g.uniform(4, 30), g.uniform(-0.2, 0.4)
    elif roll < 0.6:
        m["pattern"], q[0], q[1] = 12, g.normal(60, 40), g.normal(0, 4)
        q[2], q[3], q[4], q[5] = g.uniform(6, 40), g.uniform(2, 10), g.uniform(1.2, 4), 0.0


_COIN_METALS = np.array([[0.8, 0.42, 0.27], [0.86, 0.66, 0.3], [0.78, 0.75, 0.7]])


def _coin(m: NDArray[np.void], g: Generator) -> None:
    """Copper, brass or nickel, bright or worn, with relief; a third of two metals."""
    one, two = g.integers(3, size=2)
    m["metal"], m["rough"] = g.uniform(0.7, 1.0), g.uniform(0.12, 0.5)
    m["a"] = _COIN_METALS[one] * g.uniform(0.35, 1.1) * (1 + g.normal(0, 0.05, 3))
    m["b"] = _COIN_METALS[two] * g.uniform(0.35, 1.1)
    if g.random() < 0.4:
        m["pattern"], m["q"][0] = 8, g.uniform(5, 12)
    elif g.random() < 0.5:  # tarnish
        m["pattern"], m["q"][2], m["q"][3] = 2, g.uniform(2, 12), g.uniform(-0.3, 0.4)
        m["b"] = m["a"] * g.uniform(0.15, 0.7)
    m["bump"], m["bump_kind"] = g.uniform(0.05, 0.6), 0
    m["bump_mm"] = g.uniform(0.6, 3.5)


def _plain(m: NDArray[np.void], g: Generator) -> None:
    """One even tone, mat or shiny: card board, plastic, leather, paper, painted wood."""
    m["a"] = grey(g, 0.1, 0.9) if g.random() < 0.5 else paint_colour(g, g.uniform(0.1, 1), 0.9)
    m["b"] = m["a"] * g.uniform(0.85, 1.1)
    m["rough"] = g.uniform(0.15, 0.7)
    if g.random() < 0.3:
        m["pattern"], m["q"][2], m["q"][3] = 2, g.uniform(10, 80), g.uniform(-0.3, 0.2)


def _pale(m: NDArray[np.void], g: Generator) -> None:
    _plain(m, g)
    level = g.uniform(0.4, 0.92)
    tint = 1 + g.normal(0, 0.08, 3)
    if g.random() < 0.4:  # cream, beige, birch
        tint = tint * [1.0, 0.88, g.uniform(0.5, 0.8)]
    m["a"] = level * tint
    m["b"] = m["a"] * g.uniform(0.8, 1.05)


def _banded(m: NDArray[np.void], g: Generator) -> None:
    """Bands, dots, labels and print in a second colour."""
    _plastic(m, g, "body")
    q, kind = m["q"], g.integers(5)
    a = g.choice([0.0, 0.0, 1.5708, g.uniform(0, 3.1)])
    if kind == 0:
        m["pattern"], q[0], q[1] = 1, np.cos(a), np.sin(a)
        q[2], q[3] = g.uniform(4, 60), g.uniform(0.15, 0.7)
    elif kind == 1:
        m["pattern"], q[0], q[1] = 9, np.cos(a), np.sin(a)
        q[2], q[3] = g.normal(0, 25), g.uniform(1.5, 14)
    elif kind == 2:
        m["pattern"], q[1], q[2] = 10, g.uniform(5, 60), g.uniform(6, 40)
        q[3] = q[2] * g.uniform(0.12, 0.45)
    elif kind == 3:
        m["pattern"], q[0], q[1] = 12, g.normal(0, 25), g.normal(0, 6)
        q[2], q[3], q[4] = g.uniform(6, 50), g.uniform(3, 25), g.uniform(1.2, 6)
        q[5] = float(g.random() < 0.6)
    else:
        m["pattern"], q[0] = g.choice([6, 7]), g.normal(5, 20)
    m["b"] = grey(g, 0.006, 0.9) if g.random() < 0.7 else paint_colour(g, 0.9, g.uniform(0.4, 1))


def like_ground(
    m: NDArray[np.void], ground: NDArray[np.void], g: Generator, second: bool
) -> NDArray[np.void]:
    """The material in the sheet's own tone; only its ``second`` colour if asked; veneer on wood."""
    m = m.copy()
    tone = np.clip(ground["a"] * np.exp(g.normal(0, 0.18)), 0.004, 0.9)
    if second:
        m["b"] = tone
        return m
    m["metal"], m["f0"], m["a"] = 0.0, 0.04, tone
    m["b"] = np.clip(ground["b"] * np.exp(g.normal(0, 0.2)), 0.004, 0.9)
    if ground["kind"] == 2:
        m["pattern"], m["q"][2] = 11, ground["s"][5] * np.exp(g.normal(0, 0.4))
        m["q"][3], m["bump"] = ground["s"][0], 0.0
    return m


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
    elif kind == "coin":
        _coin(m, g)
    elif kind == "plain":
        _plain(m, g)
    elif kind == "pale":
        _pale(m, g)
    elif kind == "black":
        _plain(m, g)
        m["a"] = grey(g, 0.005, 0.05)
        m["b"] = m["a"] * g.uniform(0.6, 1.6)
    elif kind == "banded":
        _banded(m, g)
    elif kind == "steel":
        _steel(m, g)
    elif kind == "plated":  # zinc: yellow or blue, dull
        _metal(m, g, False)
        m["a"] = m["a"] * (g.choice([[1.0, 0.85, 0.55], [0.85, 0.95, 1.0], [1.0, 1.0, 1.0]]))
        m["rough"] = g.uniform(0.2, 0.55)
    elif kind == "chrome":
        m["metal"], m["rough"], m["a"] = 1.0, g.uniform(0.01, 0.1), grey(g, 0.6, 0.95)
        m["b"] = m["a"]
    elif kind == "clear":  # amber, smoke, red, blue, hardly coloured
        m["a"] = paint_colour(g, g.uniform(0, 1), 1.0) * g.uniform(0.4, 1)
        m["b"], m["rough"], m["clear"] = m["a"], g.uniform(0.05, 0.25), g.uniform(0.3, 0.9)
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
        if kind == "grip" and g.random() < 0.07:  # cast resin: the sheet shines through
            m["clear"], m["rough"] = g.uniform(0.2, 0.85), g.uniform(0.04, 0.2)
            m["a"] = paint_colour(g, g.uniform(0, 1), 1.0) * g.uniform(0.4, 1)
    m["a"], m["b"] = np.clip(m["a"], 0.004, 0.96), np.clip(m["b"], 0.004, 0.96)
    return m
