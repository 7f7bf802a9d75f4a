"""Random sheets and benches, and what is flat on them (linear light)."""

from __future__ import annotations

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tracer.learning.scenes.finishes import grey, paint_colour
from tracer.learning.scenes.records import DECAL, DECALS, GROUND

__all__ = ["GROUND_KINDS", "decals", "ground", "toned"]

GROUND_KINDS = (
    "plain",
    "fibre",
    "grain",
    "foam",
    "concrete",
    "grid",
    "cloth",
    "tiles",
    "brushed",
    "chips",
    "check",
    "knit",
    "weave",
    "dots",
    "ribs",
)
(
    PLAIN,
    FIBRE,
    GRAIN,
    FOAM,
    CONCRETE,
    GRID,
    CLOTH,
    TILES,
    BRUSHED,
    CHIPS,
    CHECK,
    KNIT,
    WEAVE,
    DOTS,
    RIBS,
) = range(len(GROUND_KINDS))
_ODDS = np.array([17, 8, 15, 10, 7, 9, 8, 3, 5, 4, 3, 3, 3, 2, 3]) / 100
_SOFT = (CLOTH, CHECK, KNIT, WEAVE)
_WOODS = np.array(
    [
        [0.55, 0.4, 0.24],
        [0.36, 0.2, 0.1],
        [0.2, 0.11, 0.06],
        [0.6, 0.5, 0.36],
        [0.5, 0.2, 0.06],
        [0.06, 0.045, 0.04],
    ]
)


def _tone(g: Generator) -> NDArray[np.float64]:
    roll = g.random()
    if roll < 0.28:
        return grey(g, 0.45, 0.9)
    if roll < 0.48:
        return grey(g, 0.1, 0.5)
    if roll < 0.68:
        return grey(g, 0.006, 0.1)
    if roll < 0.78:  # tan, beige, cream
        return np.asarray(np.array([0.75, 0.55, 0.38]) * g.uniform(0.4, 1.2) + g.normal(0, 0.03, 3))
    return paint_colour(g, g.uniform(0.15, 0.9), g.uniform(0.25, 0.95))


def ground(g: Generator, kinds: tuple[int, ...] = ()) -> NDArray[np.void]:
    """A sheet or bench of any kind, or of one of ``kinds``: paper to cloth to brushed steel."""
    r = np.zeros((), GROUND)
    s = r["s"]
    s[1], s[2], s[3] = (
        np.exp(g.uniform(np.log(0.8), np.log(25))),
        g.uniform(0, 6.28),
        g.uniform(0, 0.08),
    )
    s[5], s[6] = g.uniform(4, 20), g.uniform(0.25, 1.0)
    r["gloss"] = 0.0 if g.random() < 0.5 else g.uniform(0, 0.9) ** 2
    kind = int(g.choice(kinds) if kinds else g.choice(len(GROUND_KINDS), p=_ODDS))
    r["kind"] = kind
    r["a"] = _tone(g)
    r["b"] = r["a"] * g.uniform(0.5, 1.6)
    if kind in (PLAIN, FIBRE):
        s[0] = np.exp(g.uniform(np.log(0.004), np.log(0.2)))
        if g.random() < 0.25:
            r["a"] = np.array([0.42, 0.27, 0.14]) * g.uniform(0.6, 1.4)  # kraft
    elif kind == GRAIN:
        r["a"] = _WOODS[g.integers(len(_WOODS))] * g.uniform(0.5, 1.5) * (1 + g.normal(0, 0.06, 3))
        r["b"] = r["a"] * g.uniform(0.35, 1.0) * np.array([1, 0.93, 0.85])
        s[0], s[5], s[7] = g.uniform(0.02, 0.35), g.uniform(3, 45), float(g.random() < 0.4)
        s[6] = g.uniform(0.5, 2.5) if g.random() < 0.4 else 0.0
    elif kind == FOAM:
        s[0], s[1] = g.uniform(0.03, 0.3), g.uniform(1.2, 5)
        if g.random() < 0.7:
            r["a"] = grey(g, 0.006, 0.09)
        r["gloss"] = 0
    elif kind == CONCRETE:
        s[0] = g.uniform(0.05, 0.3)
        r["a"] = grey(g, 0.12, 0.6)
    elif kind == GRID:
        s[0], s[5] = g.uniform(0.004, 0.06), g.choice([5.0, 10.0, 10.0, 12.7, 20.0, 28.0])
        r["b"] = r["a"] * g.uniform(1.5, 4) if g.random() < 0.6 else r["a"] * g.uniform(0.1, 0.7)
        s[7] = g.choice([0.0, 0.0, 0.3, 1.0])  # plain, slanting lines, circles
    elif kind == DOTS:  # pegboard, printed lattices, studs
        s[0], s[5] = g.uniform(0.004, 0.1), g.choice([5.0, 10.0, 12.7, 20.0, 25.0, 25.4, 40.0])
        s[6], s[7] = s[5] * g.uniform(0.08, 0.3), float(g.random() < 0.3)
        r["b"] = grey(g, 0.006, 0.06) if g.random() < 0.6 else _tone(g)
    elif kind == RIBS:  # drawer liners, ribbed rubber, corrugated board
        s[0], s[1] = g.uniform(0.01, 0.15), np.exp(g.uniform(np.log(1.5), np.log(9)))
        if g.random() < 0.6:
            r["a"] = grey(g, 0.006, 0.06)
        r["relief"], r["relief_mm"] = g.uniform(0.2, 1.2), s[1]
    elif kind == TILES:
        s[0] = g.uniform(0.02, 0.15)
        r["b"] = r["a"] * g.choice([0.4, 1.6])
    elif kind == BRUSHED:
        s[0], s[1] = g.uniform(0.03, 0.3), g.uniform(0.6, 3)
        r["a"], r["metal"], r["gloss"] = grey(g, 0.04, 0.35), g.uniform(0.5, 1), g.uniform(0.1, 0.7)
    elif kind == CHIPS:
        s[0], s[1], s[7] = g.uniform(0.05, 0.4), np.exp(g.uniform(0.0, 2.7)), g.uniform(0.05, 0.6)
        r["b"] = _tone(g) if g.random() < 0.5 else r["a"] * g.uniform(0.4, 1.8)
    else:
        s[0], s[1] = g.uniform(0.03, 0.3), g.uniform(1.0, 5)
        s[5], s[7] = g.uniform(5, 80), float(g.random() < 0.35)
        if kind == WEAVE:
            s[0], s[1] = g.uniform(0.1, 0.7), g.uniform(1.0, 6)
        elif kind == CHECK:
            s[7] = g.uniform(0.2, 0.7)
            r["b"] = _tone(g)
        r["gloss"] = 0
    if kind in _SOFT:
        r["relief"], r["relief_mm"] = g.uniform(0, 1.0), s[1]
    elif kind in (FOAM, CONCRETE, FIBRE) and g.random() < 0.5:
        r["relief"], r["relief_mm"] = g.uniform(0, 0.8), g.uniform(0.8, 6)
    if g.random() < (0.6 if kind in _SOFT else 0.1 if kind in (PLAIN, FOAM) else 0.0):
        r["fold"] = np.exp(g.uniform(np.log(0.04), np.log(0.5 if kind in _SOFT else 0.15)))
        r["fold_mm"] = np.exp(g.uniform(np.log(18), np.log(200)))
    s[4] = 0.0 if g.random() < 0.5 else g.uniform(0.2, 1.0)
    r["c"] = r["a"] * g.uniform(0.3, 1.5, 3)
    return _clipped(r)


def toned(r: NDArray[np.void], level: NDArray[np.float64]) -> NDArray[np.void]:
    """The ground brought to a level (3,), its pattern kept."""
    own = float(r["a"].mean())
    for k in "abc":
        r[k] = r[k] * level / own
    return _clipped(r)


def _clipped(r: NDArray[np.void]) -> NDArray[np.void]:
    for k in "abc":
        r[k] = np.clip(r[k], 0.005, 0.92)
    return r


def decals(
    g: Generator, sheet: NDArray[np.void], half_mm: float, many: bool
) -> list[NDArray[np.void]]:
    """Tape, labels, rings, pen lines, print, spills, printed scales and frames, flat on a sheet."""
    found = []
    for _ in range(int(g.integers(4, DECALS + 1) if many else g.integers(1, 6))):
        d = np.zeros((), DECAL)
        kind = int(g.integers(7))
        yaw = g.uniform(0, 6.28) if g.random() < 0.5 else g.normal(0, 0.1) + 1.5708 * g.integers(2)
        d["kind"], d["c"], d["s"] = kind, np.cos(yaw), np.sin(yaw)
        d["x"], d["y"] = g.uniform(-half_mm, half_mm, 2)
        roll = g.random()
        if roll < 0.4:
            d["col"] = sheet["a"] * np.exp(g.normal(0, 0.5))
        elif roll < 0.7:
            d["col"] = grey(g, 0.01, 0.9)
        else:
            d["col"] = paint_colour(g, g.uniform(0.3, 1), g.uniform(0.3, 1))
        d["col"] = np.clip(d["col"], 0.005, 0.92)
        d["strength"] = g.uniform(0.3, 1.0)
        q = d["q"]
        if kind == 0:
            a, b = g.uniform(8, 300), g.uniform(4, 40)
        elif kind == 1:
            a = g.uniform(4, 60)
            b = a * g.choice([1.0, 1.0, g.uniform(0.5, 1)])
            q[0] = np.exp(g.uniform(np.log(0.2), np.log(3)))
        elif kind == 2:
            a, q[0] = g.uniform(10, 300), np.exp(g.uniform(np.log(0.15), np.log(2.5)))
            q[1], q[2] = (
                (0.0, 0.0) if g.random() < 0.7 else (g.uniform(0.2, 3), g.uniform(0.01, 0.1))
            )
            b = q[0] + 4 * q[1]
        elif kind == 3:
            a, b = g.uniform(10, 120), g.uniform(3, 70)
            q[0], q[1] = np.exp(g.uniform(np.log(1.5), np.log(14))), g.uniform(0.35, 0.75)
        elif kind == 4:
            a = np.exp(g.uniform(np.log(3), np.log(70)))
            b, q[0] = a * g.uniform(0.4, 1), a * g.uniform(0.2, 1.2)
            d["strength"] = g.uniform(0.1, 0.7)
        elif kind == 5:
            a, b, q[0] = g.uniform(30, 200), g.uniform(2.5, 9), g.choice([1.0, 2.0, 5.0, 10.0])
        else:
            a, b = g.uniform(5, 150), g.uniform(5, 100)
            q[0] = np.exp(g.uniform(np.log(0.2), np.log(3)))
        d["a"], d["b"] = a, b
        found.append(d)
    return found
