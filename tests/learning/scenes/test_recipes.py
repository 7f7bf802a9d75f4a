"""Recipes of thin steel, tongues, base plates, dark rods: drawn within their bounds, and whole."""

from __future__ import annotations

import shutil
from collections import Counter

import cv2
import numpy as np
import pytest

from tracer.learning.renderer.ray_caster import Renderer
from tracer.learning.scenes import sideways_tools, tongues
from tracer.learning.scenes.dark_rods import ACROSS_MM, DARK_RODS, dark_rod, small_key
from tracer.learning.scenes.finishes import material
from tracer.learning.scenes.flat_blades import (
    FLAT_BLADES,
    THICK_MM,
    WIDE_MM,
    plane_iron,
    steel_rule,
)
from tracer.learning.scenes.hand_tools import Recipe
from tracer.learning.scenes.lays import Lay, random_lay
from tracer.learning.scenes.records import MATERIAL, PRIM, TOOL
from tracer.learning.scenes.shapes import BOX, Shape
from tracer.learning.scenes.sideways_tools import HIGH_MM, PLATE_MM, SIDEWAYS, jigsaw
from tracer.learning.scenes.themes import THEMES, draw_theme
from tracer.learning.scenes.tongues import OUT_MM, TONGUED

NEW = ("flat steel", "tongues", "on its side", "dark rods", "soft shadow", "side shadow")
RECIPES = sorted({*FLAT_BLADES, *TONGUED, *SIDEWAYS, *DARK_RODS}, key=lambda r: r.__name__)
SIZE = 300
needs_compiler = pytest.mark.skipif(
    not (shutil.which("g++") or shutil.which("clang++")), reason="needs a C++ compiler"
)


def drawn(recipe: Recipe, n: int, seed: int = 5) -> list[tuple[Shape, list[str]]]:
    return [recipe(np.random.default_rng([seed, k])) for k in range(n)]


@pytest.fixture(scope="module")
def renderer() -> Renderer:
    return Renderer(gpu=False)


def lay_of(shape: Shape) -> Lay:
    """The thing alone in the middle of a tile of 2 mm cells, seen from 3 m above."""
    lay = random_lay(np.random.default_rng(1), SIZE, 2.0)
    scene = lay.scene.copy()
    scene["cam"], scene["n_tools"], scene["n_cards"], scene["throws"] = (0, 0, 3000), 1, 0, 0.0
    scene["n_lights"] = scene["n_patches"] = scene["n_decals"] = 0
    scene["edge"][2] = scene["edge2"][2] = 1e6
    tool = np.zeros(1, TOOL)
    middle = (shape.lo + shape.hi) / 2
    tool["ox"], tool["oy"], tool["c"], tool["count"] = -middle[0], -middle[1], 1.0, len(shape.prims)
    tool["lo"], tool["hi"] = shape.lo - 0.3, shape.hi + 0.3
    material = np.zeros(4, MATERIAL)
    material["a"], material["rough"] = 0.3, 0.5
    return Lay(scene, tool, np.array(shape.prims, PRIM), material)


@pytest.mark.parametrize("recipe", RECIPES, ids=lambda r: r.__name__)
def test_things_fit_a_tile_and_their_parts_have_materials(recipe: Recipe) -> None:
    """At most 40 primitives and 560 mm, as what is laid; hardly below the sheet, where rays end."""
    for shape, slots in drawn(recipe, 60):
        assert 1 <= len(shape.prims) <= 40
        assert (shape.hi > shape.lo).all()
        assert (shape.hi - shape.lo)[:2].max() <= 560
        assert 0.3 <= shape.hi[2] <= 160
        assert {int(p["mat"]) for p in shape.prims} <= set(range(len(slots)))
        assert slots[0] != "same"
        for slot in slots:
            if slot != "same":
                assert 0 <= material(slot, np.random.default_rng(1))["rough"] <= 1


@needs_compiler
@pytest.mark.parametrize("recipe", RECIPES, ids=lambda r: r.__name__)
def test_each_thing_is_one_piece_as_high_as_its_box(recipe: Recipe, renderer: Renderer) -> None:
    """Seen from far above, nothing hangs in the air apart; the box is not far too high.

    The box holds what is cut off again, 16 % beside a hexagon, and a turned tool's corners.
    """
    for shape, _ in drawn(recipe, 3, seed=9):
        tiles, heights = renderer.render([lay_of(shape)])
        assert 0.2 < heights[0] <= shape.hi[2] + 0.4
        assert heights[0] > 0.45 * shape.hi[2]
        seen = (tiles.cover[0, ..., 0] > 0).astype(np.uint8)
        count, _, stats, _ = cv2.connectedComponentsWithStats(seen, connectivity=8)
        assert count == 2, f"{count - 1} pieces, {stats[1:, 4]} quarters of a cell"


def test_bare_blades_are_thin_flat_and_of_a_blade_s_width() -> None:
    for shape, _ in drawn(steel_rule, 80):
        assert THICK_MM[0] <= shape.hi[2] - shape.lo[2] <= THICK_MM[1] + 0.01
        assert WIDE_MM[0] <= shape.hi[1] - shape.lo[1] <= WIDE_MM[1] + 0.01
    for shape, _ in drawn(plane_iron, 80):
        assert shape.hi[1] - shape.lo[1] <= WIDE_MM[1] + 0.01
        assert 2 * shape.prims[0]["p"][0] <= THICK_MM[1]


def test_a_jigsaw_stands_on_a_thin_high_plate_that_reaches_beyond_it() -> None:
    for shape, _ in drawn(jigsaw, 80):
        foot = shape.prims[0]
        assert foot["type"] == BOX
        long, thick, high = 2 * foot["p"][:3]
        assert PLATE_MM[0] <= thick <= PLATE_MM[1]
        assert HIGH_MM[0] <= high <= HIGH_MM[1]
        assert long > 100
        turn, shift = foot["m"].reshape(3, 4)[:, :3], foot["m"].reshape(3, 4)[:, 3]
        middle = -turn.T @ shift
        # its lower edge on the sheet, its upper one as high as the plate is wide
        assert middle[2] == pytest.approx(high / 2, abs=0.6)
        assert abs(turn[1, 2]) < 0.15  # hardly aslant: seen on its edge


def test_tongues_reach_out_a_little() -> None:
    for k in range(50):
        assert OUT_MM[0] <= tongues._out(np.random.default_rng(k)) <= OUT_MM[1]
    reached = [shape.hi[0] - shape.prims[0]["p"][0] for shape, _ in drawn(tongues.tape_measure, 80)]
    assert min(reached) >= OUT_MM[0]
    assert np.median(reached) < OUT_MM[1]


def test_small_rods_are_as_thin_as_they_say() -> None:
    """16 % more for a hexagon's box, 3 % for the bend, 40 % and its lift for a sleeve."""
    for recipe, most in ((small_key, 2.7 * ACROSS_MM[1] / 2), (dark_rod, 1.17 * ACROSS_MM[1])):
        for shape, _ in drawn(recipe, 80):
            assert 0.9 * ACROSS_MM[0] <= shape.hi[2] <= most
            assert 2 * shape.prims[0]["p"][0] <= ACROSS_MM[1]


def test_steel_is_drawn_from_mirror_to_dull_and_from_dark_to_bright() -> None:
    steel = np.array([material("steel", np.random.default_rng([2, k])) for k in range(300)])
    assert (steel["rough"] < 0.1).mean() > 0.03
    assert (steel["rough"] > 0.3).mean() > 0.2
    tone = steel["a"].mean(axis=1)
    assert (tone < 0.15).mean() > 0.05
    assert (tone > 0.5).mean() > 0.3


def test_new_classes_come_last_and_make_a_fifth() -> None:
    """4000 draws: a share of 0.20 has a standard deviation of 0.0063."""
    assert tuple(THEMES)[-len(NEW) :] == NEW
    assert list(THEMES)[:2] == ["usual", "blackened"]
    g = np.random.default_rng(3)
    count = Counter(draw_theme(g) for _ in range(4000))
    assert sum(count[name] for name in NEW) / 4000 == pytest.approx(0.205, abs=0.025)
    assert sideways_tools.SIDEWAYS.count(jigsaw) >= 3


def test_ruling_lamps_are_as_wide_and_as_high_as_their_class_asks() -> None:
    """``soft shadow`` wide, ``side shadow`` narrow: radius over distance, sine of elevation."""
    seen = Counter[str]()
    for k in range(700):
        lay = random_lay(np.random.default_rng([6, k]), 40)
        if lay.theme not in ("soft shadow", "side shadow"):
            continue
        theme, lamp = THEMES[lay.theme], lay.scene["light"][0]
        far = float(np.linalg.norm(lamp["pos"]))
        assert theme.lamp[0] * 0.99 <= lamp["radius"] / far <= theme.lamp[1] * 1.01
        assert np.sin(theme.rise[0]) <= lamp["pos"][2] / far + 1e-5
        assert lamp["pos"][2] / far <= np.sin(theme.rise[1]) + 1e-5
        seen[lay.theme] += 1
    assert min(seen.values()) > 3
    assert len(seen) == 2
