"""Random lays: every class of difficulty holds what it promises."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from tracer.learning.scenes.grounds import GROUND_KINDS, ground
from tracer.learning.scenes.lays import Lay, random_lay
from tracer.learning.scenes.open_shapes import HANDLES, OPEN, SLENDER, ring_spanner
from tracer.learning.scenes.placing import apart
from tracer.learning.scenes.records import DECALS
from tracer.learning.scenes.small_parts import COINS, PIERCED, PLAIN_SOLIDS, SCREWS, THIN
from tracer.learning.scenes.themes import THEMES, draw_theme

SIZE = 240


@pytest.fixture(scope="module")
def lays() -> list[Lay]:
    return [random_lay(np.random.default_rng([8, k]), SIZE) for k in range(160)]


def test_every_class_is_drawn(lays: list[Lay]) -> None:
    """160 draws, the rarest class 3 in 184: missed once in 14 such seeds, so at most two may be."""
    assert len({lay.theme for lay in lays}) >= len(THEMES) - 2


def test_what_stands_tall_is_drawn_more_often_for_several_photos() -> None:
    """Shares of 6 000 draws against the odds; three binomial deviations of 0.4 points allowed."""
    g = np.random.default_rng(3)
    for several in (False, True):
        drawn = [draw_theme(g, several) for _ in range(6000)]
        odds = {k: t.odds * (t.several if several else 1) for k, t in THEMES.items()}
        for name in ("usual", "large", "soft shadow"):
            share = odds[name] / sum(odds.values())
            assert drawn.count(name) / 6000 == pytest.approx(share, abs=0.012)


def test_records_point_into_one_another(lays: list[Lay]) -> None:
    for lay in lays:
        assert lay.scene["n_tools"] == len(lay.tools) < 255
        assert 0 <= lay.scene["n_decals"] <= DECALS
        ends = lay.tools["first"] + lay.tools["count"]
        assert (ends <= len(lay.prims)).all()
        assert (lay.prims["mat"] < max(len(lay.materials), 1)).all()
        for values in (lay.materials["a"], lay.materials["b"], lay.scene["ground"]["a"]):
            assert (values >= 0).all()
            assert (values <= 1).all()


def test_empty_sheets_are_empty_and_dark_ones_dark(lays: list[Lay]) -> None:
    for lay in lays:
        if lay.theme == "empty":
            assert len(lay.tools) == 0
        if lay.theme in ("dark on dark", "pale on dark"):
            # the tint of three channels is 5 % each, patterns keep their contrast
            assert lay.scene["ground"][0]["a"].mean() < 0.11


def test_packed_round_things_do_not_overlap(lays: list[Lay]) -> None:
    """Discs as wide as their boxes: centres at least the two radii apart, but for 0.3 mm pads."""
    seen = 0
    for lay in (x for x in lays if x.theme == "coins"):
        middle = (lay.tools["lo"] + lay.tools["hi"])[:, :2] / 2
        c, s = lay.tools["c"], lay.tools["s"]
        x = lay.tools["ox"] + c * middle[:, 0] - s * middle[:, 1]
        y = lay.tools["oy"] + s * middle[:, 0] + c * middle[:, 1]
        r = (lay.tools["hi"] - lay.tools["lo"])[:, :2].max(axis=1) / 2 - 0.3
        for i, j in combinations(range(len(r)), 2):
            assert np.hypot(x[i] - x[j], y[i] - y[j]) > r[i] + r[j] - 0.05
            seen += 1
    assert seen > 50


def test_separating_sides() -> None:
    square = np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]])
    assert apart(square, square + np.array([1.5, 0]))
    assert apart(square, square + np.array([0, -1.01]))
    assert not apart(square, square + np.array([0.9, 0.9]))


def test_small_recipes_lie_on_the_sheet() -> None:
    """Nothing dips far below z = 0, where rays end: 16 % of a hexagon's box, the end of a bar."""
    g = np.random.default_rng(3)
    recipes = {*COINS, *SCREWS, *PIERCED, *PLAIN_SOLIDS, *THIN, *OPEN, *SLENDER, *HANDLES}
    for recipe in sorted(recipes, key=lambda r: r.__name__):
        for _ in range(20):
            shape, slots = recipe(g)
            if recipe.__name__ == "perforated":  # its flange is cut level afterwards
                continue
            # boxes of the cranked spanner's slanting bars overreach by radius times slope; the
            # shaft of a loop is up to 1.4 times as thick as its wire, of 9 mm at most: 3.6 mm
            assert shape.lo[2] > (-8.0 if recipe is ring_spanner else -3.7), recipe
            assert (shape.hi > shape.lo).all()
            assert slots[0] != "same"


def test_each_kind_of_ground_can_be_asked_for() -> None:
    for k, _ in enumerate(GROUND_KINDS):
        assert ground(np.random.default_rng(k), (k,))["kind"] == k
