"""Random lays: camera, room, sheet, cards and tools of one training tile."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tracer.learning.scenes.grounds import decals, ground, toned
from tracer.learning.scenes.placing import apart, fill
from tracer.learning.scenes.records import CARD, LIGHT, MATERIAL, PATCH, PRIM, SCENE, TOOL
from tracer.learning.scenes.themes import THEMES, Theme, draw_theme

__all__ = ["Lay", "random_lay"]

Array = NDArray[np.float64]

TWO_LAMPS = 0.3  # odds that two small lamps rule instead of one


@dataclass(frozen=True, eq=False)
class Lay:
    """Records of one tile: a scene (), its tools (n,), primitives (m,) and materials (k,).

    ``theme`` is its class of difficulty, a key of `tracer.learning.scenes.themes.THEMES`.
    """

    scene: NDArray[np.void]
    tools: NDArray[np.void]
    prims: NDArray[np.void]
    materials: NDArray[np.void]
    theme: str = "usual"


def _unit(azimuth: float, elevation: float) -> Array:
    c = np.cos(elevation)
    return np.array([c * np.cos(azimuth), c * np.sin(azimuth), np.sin(elevation)])


def _room(scene: NDArray[np.void], g: Generator, theme: Theme) -> None:
    """Light: lamps, windows, ceiling panels, or an overcast room, in any mixture."""
    warm = np.array([1.0, 0.82, 0.6]) if g.random() < 0.35 else np.array([1.0, 0.98, 0.94])
    cool = np.array([0.85, 0.94, 1.0])
    lights, patches = [], []
    # one small lamp rules, or two: crisp dark shadows
    hard = g.random() < theme.hard
    ambient = g.uniform(*theme.ambient) if hard else g.uniform(0.03, 1.0)
    style = 0 if hard else g.integers(5)
    lamps = 2 if hard and g.random() < TWO_LAMPS else 1
    count = {0: lamps, 1: int(g.integers(2, 6)), 2: 0, 3: 1, 4: 2}[int(style)]
    a0 = g.uniform(0, 6.28)
    for i in range(count):
        one = np.zeros((), LIGHT)
        rise, wide = (theme.rise, theme.lamp) if hard else ((0.25, 1.5), (0.006, 0.3))
        d = _unit(a0 + i * g.uniform(0.5, 2.5), g.uniform(*rise))
        far = g.uniform(700, 3000)
        one["pos"] = d * far
        one["radius"] = far * np.exp(g.uniform(*np.log(wide)))
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


def _card(x: float, y: float, yaw: float, number: int) -> tuple[NDArray[np.void], Array]:
    k = np.zeros((), CARD)
    c, s = np.cos(yaw), np.sin(yaw)
    k["number"], k["x"], k["y"], k["c"], k["s"] = number, x, y, c, s
    paper = np.array([[-8.0, 8], [176, 8], [176, -124], [-8, -124]])
    return k, paper @ np.array([[c, s], [-s, c]]) + [x, y]


def random_lay(g: Generator, size: int, step_mm: float = 1.0, several: bool = False) -> Lay:
    """One tile of ``size`` pixels at ``step_mm``, centred on the sheet's origin.

    ``several``: it is to be seen by several cameras.
    """
    scene = np.zeros((), SCENE)
    half = size * step_mm / 2
    scene["x0"], scene["y0"], scene["step"], scene["size"] = -half, half, step_mm, size
    scene["seed"] = int(g.integers(1 << 20))
    height = np.exp(g.uniform(np.log(400), np.log(2800)))
    reach = g.uniform(0, 0.8) * height
    a = g.uniform(0, 6.28)
    scene["cam"] = [reach * np.cos(a), reach * np.sin(a), height]
    name = draw_theme(g, several)
    theme = THEMES[name]
    _room(scene, g, theme)
    scene["throws"] = g.uniform(0.4, 1.3) if g.random() < theme.throws else 0.0
    scene["ground"][0], scene["ground"][1] = ground(g, theme.kinds()), ground(g)
    if theme.level:
        level = np.exp(g.uniform(*np.log(theme.level))) * (1 + g.normal(0, 0.05, 3))
        scene["ground"][0] = toned(scene["ground"][0], level)
    _edges(g, scene, half, theme)
    flat = (
        decals(g, scene["ground"][0], half, theme.marked == 1) if g.random() < theme.marked else []
    )
    scene["decal"][: len(flat)] = np.array(flat, scene["decal"].dtype) if flat else []
    scene["n_decals"] = len(flat)
    taken: list[Array] = []
    cards = []
    for number in g.permutation(48)[: int(g.choice([0, 1, 2, 3], p=[0.5, 0.3, 0.15, 0.05]))]:
        x, y = g.uniform(-half - 60, half - 20), g.uniform(-half + 20, half + 60)
        card, paper = _card(
            x, y, g.uniform(0, 6.28) if g.random() < 0.4 else g.normal(0, 0.15), int(number)
        )
        if all(apart(paper, t) for t in taken):
            cards.append(card)
            taken.append(paper)
    for i, card in enumerate(cards):
        scene["card"][i] = card
    scene["n_cards"] = len(cards)
    things = fill(g, scene, taken, half, theme)
    scene["n_tools"] = len(things.tools)
    tools, prims, mats = (
        np.array(x, dtype=d) if x else np.zeros(0, d)
        for x, d in ((things.tools, TOOL), (things.prims, PRIM), (things.mats, MATERIAL))
    )
    return Lay(scene, tools, prims, mats, name)


def _edges(g: Generator, scene: NDArray[np.void], half: float, theme: Theme) -> None:
    """Now and then the sheet ends within the tile, at one side, a corner, or as a strip."""
    scene["edge"][2] = scene["edge2"][2] = 1e6
    scene["edge_mm"] = np.exp(g.uniform(np.log(0.4), np.log(25)))
    scene["edge_shade"] = g.uniform(0.1, 0.9) if g.random() < 0.85 else g.uniform(1.0, 2.0)
    if g.random() >= theme.edged:
        return
    b = g.uniform(0, 6.28)
    scene["edge"] = [np.cos(b), np.sin(b), g.uniform(-0.3, 1.0) * half]
    roll = g.random()
    if roll < 0.25:
        scene["edge2"] = [-np.sin(b), np.cos(b), g.uniform(0.2, 1.0) * half]
    elif roll < 0.4:
        c = b + 3.1416 + g.normal(0, 0.05)
        scene["edge2"] = [np.cos(c), np.sin(c), g.uniform(0.2, 1.0) * half]
