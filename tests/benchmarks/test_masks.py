"""Scoring of label pictures, on a picture made by hand."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import box

from tests.benchmarks.masks import boundary_f, score_masks
from tests.benchmarks.truth import Tool


def tool(index: int, cut=(), optional=False) -> Tool:
    return Tool(index, f"tool {index}", 20.0, box(0, 0, 1, 1), (0,), cut, optional)


@pytest.fixture
def truth() -> np.ndarray:
    labels = np.zeros((200, 300), np.int64)
    labels[20:60, 20:120] = 1
    labels[100:180, 30:60] = 2
    labels[100:180, 200:299] = 3
    return labels


TOOLS = [tool(0), tool(1), tool(2)]


def test_perfect_labels(truth) -> None:
    score = score_masks(truth, truth, TOOLS, 0)
    assert (score.good, score.missed, score.merged, score.invented) == (3, (), 0, 0)
    assert min(score.boundary_fs) == 1


def test_each_fault_is_counted(truth) -> None:
    found = truth.copy()
    found[found == 2] = 1  # merged, and one of the two has no partner
    found[0:10, 150:200] = 4  # invented
    score = score_masks(found, truth, TOOLS, 0)
    assert (score.merged, score.invented, score.missed) == (1, 1, ("tool 1",))
    assert score.good == 1


def test_cut_and_loose_things_do_not_count(truth) -> None:
    tools = [tool(0), tool(1, optional=True), tool(2, cut=(0,))]
    found = np.where(truth == 1, 1, 0) + np.where(truth == 3, 2, 0)
    score = score_masks(found, truth, tools, 0)
    assert (score.counted, score.missed, score.invented) == (1, (), 0)


def test_boundary_f_knows_two_pixels() -> None:
    base = np.zeros((100, 100), bool)
    base[30:70, 30:70] = True
    near, far = np.roll(base, 2, axis=1), np.roll(base, 5, axis=1)
    assert boundary_f(base, near) == 1
    # the two upright sides are 5 px off, the others lie on themselves but for their ends
    assert 0.4 < boundary_f(base, far) < 0.6
    assert boundary_f(base, np.zeros_like(base)) == 0
