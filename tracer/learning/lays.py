"""Random lays: camera, room, sheet, cards and tools of one training tile."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tracer.learning.bulky_tools import cable
from tracer.learning.finishes import ground, material
from tracer.learning.hand_tools import Recipe
from tracer.learning.recipes import BULKY_TOOLS, HAND_TOOLS
from tracer.learning.records import CARD, LIGHT, MATERIAL, PATCH, PRIM, SCENE, TOOL
from tracer.learning.shapes import Shape

__all__ = ["Lay", "random_lay"]

Array = NDArray[np.float64]
TOOL_KIND, CABLE_KIND, CLUTTER_KIND = 0, 1, 2


@dataclass(frozen=True, eq=False)
class Lay:
    """Records of one tile: a scene (), its tools (n,), primitives (m,) and materials (k,)."""

    scene: NDArray[np.void]
    tools: NDArray[np.void]
    prims: NDArray[np.void]
    materials: NDArray[np.void]


def _unit(azimuth: float, elevation: float) -> Array:
    c = np.cos(elevation)
    return np.array([c * np.cos(azimuth), c * np.sin(azimuth), np.sin(elevation)])


#: What is hard to tell from the sheet or from its own shadow, drawn more often than chance would:
#: level of the sheet (linear), and what the tools' parts are made of for the most part.
_THEMES: dict[str, tuple[tuple[float, float], tuple[str, ...]]] = {
    "blackened": ((0.3, 0.9), ("dark metal", "dark metal", "dark body")),
    "bright": ((0.45, 0.9), ("metal",)),
    "dark": ((0.008, 0.09), ("dark metal", "dark body", "rubber")),
}
_PLAIN_ODDS = 0.55  # lays without a theme
_AMBIENT = {"blackened": (0.02, 0.15)}  # beside a hard lamp: the shadow as dark as the tool


def _room(scene: NDArray[np.void], g: Generator, theme: str) -> None:
    """Light: lamps, windows, ceiling panels, or an overcast room, in any mixture."""
    warm = np.array([1.0, 0.82, 0.6]) if g.random() < 0.35 else np.array([1.0, 0.98, 0.94])
    cool = np.array([0.85, 0.94, 1.0])
    lights, patches = [], []
    # one small lamp rules: crisp dark shadows
    hard = g.random() < (0.75 if theme == "blackened" else 0.4)
    ambient = g.uniform(*_AMBIENT.get(theme, (0.02, 0.35))) if hard else g.uniform(0.03, 1.0)
    style = 0 if hard else g.integers(5)
    count = {0: 1, 1: int(g.integers(2, 6)), 2: 0, 3: 1, 4: 2}[int(style)]
    a0 = g.uniform(0, 6.28)
    for i in range(count):
        one = np.zeros((), LIGHT)
        d = _unit(a0 + i * g.uniform(0.5, 2.5), g.uniform(0.4, 1.5))
        far = g.uniform(700, 3000)
        one["pos"] = d * far
        one["radius"] = far * np.exp(g.uniform(np.log(0.006), np.log(0.06 if hard else 0.3)))
        one["col"] = warm * g.uniform(0.5, 2.5) / np.sqrt(count) * (1 + g.normal(0, 0.05, 3))
        lights.append(one)
    if style in (1, 2, 3, 4) or g.random() < 0.3:
        window = g.random() < 0.5
        a0 = g.uniform(0, 6.28)
        for _ in range(int(g.integers(1, 4 if window else 7))):
            p = np.zeros((), PATCH)
            if window:
                d = _unit(
                    a0 + g.normal(0, 0.5) + (3.1 if g.random() < 0.2 else 0), g.uniform(0.2, 0.8)
                )
                hu, hv = g.uniform(0.15, 0.6), g.uniform(0.2, 0.6)
            else:
                d = np.array([g.normal(0, 0.7), g.normal(0, 0.7), 1.0])
                d /= np.linalg.norm(d)
                hu, hv = g.uniform(0.05, 0.45), g.uniform(0.03, 0.25)
            u = np.cross([0.0, 0.0, 1.0], d)
            u = u / np.linalg.norm(u) if np.linalg.norm(u) > 0.1 else np.array([1.0, 0, 0])
            p["dir"], p["u"], p["hu"], p["hv"] = d, u, hu, hv
            p["col"] = (cool if window else warm) * g.uniform(1.0, 10.0)
            patches.append(p)
            if len(lights) < 6:
                one = np.zeros((), LIGHT)
                far = 2500.0
                one["pos"], one["radius"] = d * far, far * np.sqrt(hu * hv)
                one["col"] = p["col"] * min(hu * hv * 4 / np.pi, 0.6) * g.uniform(0.7, 1.2)
                lights.append(one)
    for i, one in enumerate(lights):
        scene["light"][i] = one
    for i, p in enumerate(patches):
        scene["patch"][i] = p
    scene["n_lights"], scene["n_patches"] = len(lights), len(patches)
    scene["zenith"] = (warm * 0.5 + cool * 0.5) * ambient * g.uniform(0.5, 1.6)
    scene["horizon"] = scene["zenith"] * g.uniform(0.15, 1.2, 3).mean() * (1 + g.normal(0, 0.1, 3))
    scene["below"] = scene["horizon"] * g.uniform(0.1, 0.9)


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


def _apart(a: Array, b: Array) -> bool:
    """Whether two rectangles (4, 2) have a separating side."""
    for q in (a, b):
        for i in (0, 1):
            n = q[i + 1] - q[i]
            pa, pb = a @ n, b @ n
            if pa.max() <= pb.min() or pb.max() <= pa.min():
                return True
    return False


def _card(x: float, y: float, yaw: float, number: int) -> tuple[NDArray[np.void], Array]:
    k = np.zeros((), CARD)
    c, s = np.cos(yaw), np.sin(yaw)
    k["number"], k["x"], k["y"], k["c"], k["s"] = number, x, y, c, s
    paper = np.array([[-8.0, 8], [176, 8], [176, -124], [-8, -124]])
    return k, paper @ np.array([[c, s], [-s, c]]) + [x, y]


def random_lay(g: Generator, size: int, step_mm: float = 1.0) -> Lay:
    """One tile of ``size`` pixels at ``step_mm``, centred on the sheet's origin."""
    scene = np.zeros((), SCENE)
    half = size * step_mm / 2
    scene["x0"], scene["y0"], scene["step"], scene["size"] = -half, half, step_mm, size
    scene["seed"] = int(g.integers(1 << 20))
    height = np.exp(g.uniform(np.log(600), np.log(2300)))
    reach = g.uniform(0, 0.62) * height
    a = g.uniform(0, 6.28)
    scene["cam"] = [reach * np.cos(a), reach * np.sin(a), height]
    theme = "" if g.random() < _PLAIN_ODDS else str(g.choice(list(_THEMES)))
    _room(scene, g, theme)
    scene["ground"][0], scene["ground"][1] = ground(g), ground(g)
    if theme:
        low, high = _THEMES[theme][0]
        level = np.exp(g.uniform(np.log(low), np.log(high))) * (1 + g.normal(0, 0.05, 3))
        own = float(scene["ground"][0]["a"].mean())
        for k in "abc":
            scene["ground"][0][k] = np.clip(scene["ground"][0][k] * level / own, 0.006, 0.92)
    scene["edge"][2] = scene["edge2"][2] = 1e6
    taken: list[Array] = []
    if g.random() < (0.08 if theme else 0.28):  # the sheet ends within the tile
        b = g.uniform(0, 6.28)
        scene["edge"] = [np.cos(b), np.sin(b), g.uniform(0.1, 1.0) * half]
        if g.random() < 0.3:
            scene["edge2"] = [-np.sin(b), np.cos(b), g.uniform(0.2, 1.0) * half]
    cards = []
    for number in g.permutation(48)[: int(g.choice([0, 1, 2, 3], p=[0.5, 0.3, 0.15, 0.05]))]:
        x, y = g.uniform(-half - 60, half - 20), g.uniform(-half + 20, half + 60)
        card, paper = _card(
            x, y, g.uniform(0, 6.28) if g.random() < 0.4 else g.normal(0, 0.15), int(number)
        )
        if all(_apart(paper, t) for t in taken):
            cards.append(card)
            taken.append(paper)
    for i, card in enumerate(cards):
        scene["card"][i] = card
    scene["n_cards"] = len(cards)
    tools, prims, mats = _fill(g, scene, taken, half, theme)
    scene["n_tools"] = len(tools)
    pack = [
        np.array(x, dtype=d) if x else np.zeros(0, d)
        for x, d in ((tools, TOOL), (prims, PRIM), (mats, MATERIAL))
    ]
    return Lay(scene, *pack)


def _fill(
    g: Generator,
    scene: NDArray[np.void],
    taken: list[Array],
    half: float,
    theme: str,
) -> tuple[list[NDArray[np.void]], list[NDArray[np.void]], list[NDArray[np.void]]]:
    """Throw tools on the sheet until it is as full as this tile is meant to be."""
    tools: list[NDArray[np.void]] = []
    prims: list[NDArray[np.void]] = []
    mats: list[NDArray[np.void]] = []
    last: tuple[Recipe, int] | None = None
    wanted = int(g.choice([0, 1, 3, 6, 10, 16], p=[0.05, 0.1, 0.2, 0.3, 0.25, 0.1]))
    wanted = max(wanted, 6) if theme else wanted
    cables = int(g.choice([0, 1, 2], p=[0.6, 0.25, 0.15]))
    touching = g.random() < 0.35
    rows = g.uniform(0, 3.14) if g.random() < 0.35 else None
    family = g.random()
    shared = {k: material(k, g) for k in ("metal", "grip", "body", "accent", "dark metal", "wood")}
    matched = g.random() < 0.3  # a set: same steel and grips
    match_ground = g.random() < 0.2  # tools of the sheet's own tone
    for _try in range(wanted * 5):
        if len(tools) >= wanted:
            break
        pick = HAND_TOOLS if g.random() < (0.6 if family < 0.7 else 0.2) else BULKY_TOOLS
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
        mid = (shape.lo + shape.hi)[:2] / 2
        span = (shape.hi - shape.lo)[:2]
        if max(span) > 560 or len(shape.prims) > 40:
            continue
        yaw = (
            g.uniform(0, 6.28)
            if rows is None
            else rows + g.normal(0, 0.03) + 3.1416 * g.integers(2)
        )
        for _ in range(12):
            spot = g.uniform(-half * 1.15, half * 1.15, 2)
            if touching and tools and g.random() < 0.8:
                t = tools[g.integers(len(tools))]
                away = g.uniform(0, 6.28)
                far = (t["hi"] - t["lo"])[:2].min() / 2 + span.min() / 2 + g.uniform(-3, 6)
                centre = _corners_of(t).mean(0)
                spot = centre + far * np.array([np.cos(away), np.sin(away)])
                if twin:
                    t = tools[-1]
                    lean = float(np.arctan2(t["s"], t["c"])) + g.normal(0, 0.03)
                    yaw = lean + 3.1416 * (g.random() < 0.3)
                    side = (t["hi"] - t["lo"])[1] / 2 + span[1] / 2 + g.uniform(-2, 2)
                    side *= g.choice([-1, 1])
                    slide = g.normal(0, 12)
                    c, s = np.cos(lean), np.sin(lean)
                    aside = np.array([c * slide - s * side, s * slide + c * side])
                    spot = _corners_of(t).mean(0) + aside
                elif g.random() < 0.6:
                    yaw = float(np.arctan2(t["s"], t["c"])) + g.normal(0, 0.08)
            pad = g.uniform(-4, 1.0) if touching else np.exp(g.uniform(np.log(1.5), np.log(25)))
            c, s = np.cos(yaw), np.sin(yaw)
            ox, oy = spot - np.array([c * mid[0] - s * mid[1], s * mid[0] + c * mid[1]])
            box = _corners(shape, ox, oy, yaw, pad)
            if loose or all(_apart(box, q) for q in taken):
                break
        else:
            continue
        edge = scene["edge"]
        along = box @ edge[:2] - edge[2]
        beyond = along.max() > 0 or (box @ scene["edge2"][:2] - scene["edge2"][2]).max() > 0
        t = np.zeros((), TOOL)
        t["first"], t["count"] = len(prims), len(shape.prims)
        t["kind"] = CABLE_KIND if loose else (CLUTTER_KIND if beyond else TOOL_KIND)
        t["ox"], t["oy"], t["c"], t["s"] = ox, oy, c, s
        t["lo"], t["hi"] = shape.lo - 0.3, shape.hi + 0.3
        t["lo"][2] = min(float(t["lo"][2]), 0.0)
        base = len(mats)
        for slot in slots:
            if theme and g.random() < 0.7:
                slot = str(g.choice(_THEMES[theme][1]))
            m = shared[slot] if matched and slot in shared else material(slot, g)
            m = m.copy()
            if match_ground and m["metal"] < 0.5 and g.random() < 0.6:
                m["a"] = np.clip(scene["ground"][0]["a"] * g.uniform(0.5, 1.5), 0.004, 0.9)
            mats.append(m)
        for p in shape.prims:
            p["mat"] = base + min(int(p["mat"]), len(slots) - 1)
        tools.append(t)
        prims.extend(shape.prims)
        if loose:
            cables -= 1
        else:
            last = (recipe, seed)
            taken.append(_corners(shape, ox, oy, yaw, 0.0 if not touching else -2.0))
    return tools, prims, mats


def _corners_of(t: NDArray[np.void]) -> Array:
    s = Shape()
    s.lo, s.hi = t["lo"].astype(float), t["hi"].astype(float)
    return _corners(s, float(t["ox"]), float(t["oy"]), float(np.arctan2(t["s"], t["c"])), 0.0)
