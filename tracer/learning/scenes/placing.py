"""Things thrown on a sheet, laid in rows, or packed close; and what they are made of."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tracer.learning.scenes.bulky_tools import cable
from tracer.learning.scenes.finishes import like_ground, material
from tracer.learning.scenes.hand_tools import Recipe
from tracer.learning.scenes.recipes import BULKY_TOOLS, HAND_TOOLS
from tracer.learning.scenes.records import TOOL
from tracer.learning.scenes.shapes import Shape
from tracer.learning.scenes.small_parts import SMALL
from tracer.learning.scenes.themes import Theme

__all__ = ["CABLE_KIND", "CLUTTER_KIND", "TOOL_KIND", "Things", "apart", "fill"]

Array = NDArray[np.float64]
Record = NDArray[np.void]
TOOL_KIND, CABLE_KIND, CLUTTER_KIND = 0, 1, 2
_LARGEST_MM, _MOST_PRIMS = 560, 40


@dataclass
class Things:
    """Records of what lies on the sheet, and the rectangles (4, 2) they take, cards first."""

    taken: list[Array]
    tools: list[Record] = field(default_factory=list)
    prims: list[Record] = field(default_factory=list)
    mats: list[Record] = field(default_factory=list)


def apart(a: Array, b: Array) -> bool:
    """Whether two rectangles (4, 2) have a separating side."""
    for q in (a, b):
        for i in (0, 1):
            n = q[i + 1] - q[i]
            pa, pb = a @ n, b @ n
            if pa.max() <= pb.min() or pb.max() <= pa.min():
                return True
    return False


def _mirror(s: Shape) -> None:
    """Mirror a shape in its x axis, by its frames alone."""
    for p in s.prims:
        m = p["m"].reshape(3, 4).copy()
        m[:, 1] *= -1
        p["m"] = m.ravel()
    s.lo[1], s.hi[1] = -s.hi[1], -s.lo[1]


def _corners(s: Shape, x: float, y: float, yaw: float, pad: float) -> Array:
    lo, hi = s.lo[:2] - pad, s.hi[:2] + pad
    c, sn = np.cos(yaw), np.sin(yaw)
    box = np.array([[lo[0], lo[1]], [hi[0], lo[1]], [hi[0], hi[1]], [lo[0], hi[1]]])
    return box @ np.array([[c, sn], [-sn, c]]) + [x, y]


def _corners_of(t: Record) -> Array:
    s = Shape()
    s.lo, s.hi = t["lo"].astype(float), t["hi"].astype(float)
    return _corners(s, float(t["ox"]), float(t["oy"]), float(np.arctan2(t["s"], t["c"])), 0.0)


def _origin(s: Shape, spot: Array, yaw: float) -> tuple[float, float]:
    """Where the shape's own origin comes to lie for its box to be centred on ``spot``."""
    mid = (s.lo + s.hi)[:2] / 2
    c, sn = np.cos(yaw), np.sin(yaw)
    return float(spot[0] - c * mid[0] + sn * mid[1]), float(spot[1] - sn * mid[0] - c * mid[1])


class _Finishes:
    """What the parts of this lay's things are made of."""

    def __init__(self, g: Generator, theme: Theme, sheet: Record) -> None:
        self.g, self.theme, self.sheet = g, theme, sheet
        names = ("metal", "grip", "body", "accent", "dark metal", "wood", "pale", "plain", "coin")
        self.shared = {k: material(k, g) for k in names}
        self.matched = g.random() < 0.3  # a set: same steel and grips
        self.own_tone = theme.own_tone or 0.6 * float(g.random() < 0.12)
        self.own_band = theme.own_band or 0.5 * float(g.random() < 0.1)

    def of(self, slots: list[str]) -> list[Record]:
        """Materials of one thing's slots; ``same`` is the slot before it."""
        g, found = self.g, list[Record]()
        for slot in slots:
            if slot == "same" and found:
                found.append(found[-1].copy())
                continue
            if self.theme.slots and g.random() < self.theme.swap:
                slot = str(g.choice(self.theme.slots))
            m = self.shared[slot] if self.matched and slot in self.shared else material(slot, g)
            m = m.copy()
            if g.random() < self.own_band:
                m = like_ground(m, self.sheet, g, second=True)
            elif g.random() < self.own_tone and (m["metal"] < 0.5 or g.random() < 0.3):
                m = like_ground(m, self.sheet, g, second=False)
            found.append(m)
        return found


def _put(
    things: Things,
    scene: Record,
    shape: Shape,
    at: tuple[float, float, float],
    mats: list[Record],
    kind: int,
    taken_pad: float,
) -> None:
    ox, oy, yaw = at
    box = _corners(shape, ox, oy, yaw, 0.0)
    beyond = (box @ scene["edge"][:2] - scene["edge"][2]).max() > 0
    beyond |= (box @ scene["edge2"][:2] - scene["edge2"][2]).max() > 0
    t = np.zeros((), TOOL)
    t["first"], t["count"] = len(things.prims), len(shape.prims)
    t["kind"] = CLUTTER_KIND if beyond and kind == TOOL_KIND else kind
    t["ox"], t["oy"], t["c"], t["s"] = ox, oy, np.cos(yaw), np.sin(yaw)
    t["lo"], t["hi"] = shape.lo - 0.3, shape.hi + 0.3
    t["lo"][2] = min(float(t["lo"][2]), 0.0)
    t["clear"] = 0.6 * max((float(m["clear"]) for m in mats), default=0.0)
    base = len(things.mats)
    things.mats.extend(mats)
    for p in shape.prims:
        p["mat"] = base + min(int(p["mat"]), len(mats) - 1)
    things.tools.append(t)
    things.prims.extend(shape.prims)
    if kind != CABLE_KIND:
        things.taken.append(_corners(shape, ox, oy, yaw, taken_pad))


def fill(g: Generator, scene: Record, taken: list[Array], half: float, theme: Theme) -> Things:
    """Lay things on the sheet until it is as full as this tile is meant to be."""
    things = Things(taken)
    finishes = _Finishes(g, theme, scene["ground"][0])
    if theme.layout == "cluster":
        _cluster(g, scene, things, half, theme, finishes)
    elif theme.layout == "series":
        _series(g, scene, things, half, theme, finishes)
    elif theme.layout != "none":
        _throw(g, scene, things, half, theme, finishes)
    return things


def _usable(shape: Shape) -> bool:
    return float((shape.hi - shape.lo)[:2].max()) <= _LARGEST_MM and len(shape.prims) <= _MOST_PRIMS


def _cluster(
    g: Generator, scene: Record, things: Things, half: float, theme: Theme, finishes: _Finishes
) -> None:
    """Round things: apart, a few millimetres apart, or touching."""
    discs: list[tuple[float, float, float]] = []
    cards = list(things.taken)
    close, touch = g.uniform(0.2, 0.95), g.uniform(0, 0.5)
    for _ in range(int(g.integers(theme.least, 34))):
        shape, slots = theme.recipes[g.integers(len(theme.recipes))](g)
        r = float((shape.hi - shape.lo)[:2].max()) / 2
        for _ in range(12):
            spot = g.uniform(-half, half, 2)
            if discs and g.random() < close:
                x, y, q = discs[g.integers(len(discs))]
                gap = (
                    0.0 if g.random() < touch else float(np.exp(g.uniform(np.log(0.3), np.log(10))))
                )
                away = g.uniform(0, 6.28)
                spot = np.array([x, y]) + (q + r + gap) * np.array([np.cos(away), np.sin(away)])
            free = all(np.hypot(spot[0] - x, spot[1] - y) > q + r - 0.02 for x, y, q in discs)
            yaw = g.uniform(0, 6.28)
            box = _corners(shape, *_origin(shape, spot, yaw), yaw, 2.0)
            if free and all(apart(box, q) for q in cards):
                discs.append((float(spot[0]), float(spot[1]), r))
                at = (*_origin(shape, spot, yaw), yaw)
                _put(things, scene, shape, at, finishes.of(slots), TOOL_KIND, 0.0)
                break


def _series(
    g: Generator, scene: Record, things: Things, half: float, theme: Theme, finishes: _Finishes
) -> None:
    """Rows of copies or of near kin, a gap of nothing to a finger's width between their boxes."""
    rows, top = g.uniform(0, 3.14), -half * g.uniform(0.6, 1.2)
    along, across = np.array([np.cos(rows), np.sin(rows)]), np.array([-np.sin(rows), np.cos(rows)])
    gap = g.choice([g.uniform(-0.2, 1), g.uniform(1, 12), g.uniform(1, 12), g.uniform(4, 25)])
    for _ in range(40):
        if top > half * 1.1 or len(things.tools) > 34:
            return
        recipe, seed = theme.recipes[g.integers(len(theme.recipes))], int(g.integers(1 << 30))
        kin = g.random() < 0.3
        shape, slots = recipe(np.random.default_rng(seed))
        if not _usable(shape):
            continue
        upright = g.random() < 0.6  # long side across the row
        mats, x, deep = finishes.of(slots), -half * g.uniform(0.5, 1.1), 0.0
        flip = g.random() < 0.3
        while x < half and len(things.tools) < 36:
            shape, slots = recipe(np.random.default_rng(seed + (len(things.tools) if kin else 0)))
            if not _usable(shape):
                break
            span = (shape.hi - shape.lo)[:2]
            wide, high = (span[1], span[0]) if upright else (span[0], span[1])
            yaw = rows + (1.5708 if upright else 0) + g.normal(0, 0.02)
            yaw += 3.1416 * float(flip and g.random() < 0.5)
            spot = along * (x + wide / 2) + across * (top + high / 2 + g.normal(0, 0.6))
            x, deep = x + wide + max(gap + g.normal(0, 0.4), -0.3), max(deep, high)
            box = _corners(shape, *_origin(shape, spot, yaw), yaw, -0.8 if gap < 2 else 0.0)
            if g.random() < 0.12 or not all(apart(box, q) for q in things.taken):
                continue
            own = finishes.of(slots) if kin else [m.copy() for m in mats]
            at = (*_origin(shape, spot, yaw), yaw)
            _put(things, scene, shape, at, own, TOOL_KIND, -0.8 if gap < 2 else 0.0)
        top += deep + max(gap, 0.5) + g.choice([0.0, g.uniform(0, 30)])


def _throw(
    g: Generator, scene: Record, things: Things, half: float, theme: Theme, finishes: _Finishes
) -> None:
    tools, taken = things.tools, things.taken
    last: tuple[Recipe, int] | None = None
    wanted = int(g.choice([0, 1, 3, 6, 10, 16], p=[0.05, 0.1, 0.2, 0.3, 0.25, 0.1]))
    wanted = max(wanted, theme.least)
    cables = int(g.choice([0, 1, 2], p=[0.6, 0.25, 0.15]))
    touching = g.random() < 0.35
    rows = g.uniform(0, 3.14) if g.random() < 0.35 else None
    family = g.random()
    for _try in range(wanted * 5):
        if len(tools) >= wanted:
            break
        pick: tuple[Recipe, ...] | list[Recipe] = theme.recipes
        if not pick:
            pick = HAND_TOOLS if g.random() < (0.6 if family < 0.7 else 0.2) else BULKY_TOOLS
            pick = SMALL if g.random() < 0.12 else pick
        recipe = pick[g.integers(len(pick))]
        twin = False
        like: int | None = None
        if touching and last is not None and g.random() < 0.5:
            twin = True
            recipe, like = last
        seed = like if like is not None and g.random() < 0.6 else int(g.integers(1 << 30))
        loose = not twin and cables > 0 and g.random() < 0.2
        shape, slots = (cable if loose else recipe)(np.random.default_rng(seed))
        if g.random() < 0.5:
            _mirror(shape)
        span = (shape.hi - shape.lo)[:2]
        if not _usable(shape):
            continue
        yaw = (
            g.uniform(0, 6.28)
            if rows is None
            else rows + g.normal(0, 0.03) + 3.1416 * g.integers(2)
        )
        for _ in range(12):
            spot = g.uniform(-half * 1.15, half * 1.15, 2)
            if touching and tools and g.random() < 0.8:
                spot, yaw = _beside(g, tools, span, yaw, twin)
            pad = g.uniform(-4, 1.0) if touching else np.exp(g.uniform(np.log(1.0), np.log(25)))
            ox, oy = _origin(shape, spot, yaw)
            box = _corners(shape, ox, oy, yaw, pad)
            if loose or all(apart(box, q) for q in taken):
                break
        else:
            continue
        kind = CABLE_KIND if loose else TOOL_KIND
        pad = -2.0 if touching else 0.0
        _put(things, scene, shape, (ox, oy, yaw), finishes.of(slots), kind, pad)
        if loose:
            cables -= 1
        else:
            last = (recipe, seed)


def _beside(
    g: Generator, tools: list[Record], span: Array, yaw: float, twin: bool
) -> tuple[Array, float]:
    """A place against a tool that lies already; a twin beside the last one, along it."""
    t = tools[g.integers(len(tools))]
    away = g.uniform(0, 6.28)
    far = (t["hi"] - t["lo"])[:2].min() / 2 + span.min() / 2 + g.uniform(-3, 6)
    spot = _corners_of(t).mean(0) + far * np.array([np.cos(away), np.sin(away)])
    if twin:
        t = tools[-1]
        lean = float(np.arctan2(t["s"], t["c"])) + g.normal(0, 0.03)
        yaw = lean + 3.1416 * (g.random() < 0.3)
        side = (t["hi"] - t["lo"])[1] / 2 + span[1] / 2 + g.uniform(-2, 2)
        side *= g.choice([-1, 1])
        slide = g.normal(0, 12)
        c, s = np.cos(lean), np.sin(lean)
        spot = _corners_of(t).mean(0) + np.array([c * slide - s * side, s * slide + c * side])
    elif g.random() < 0.6:
        yaw = float(np.arctan2(t["s"], t["c"])) + g.normal(0, 0.08)
    return spot, yaw
