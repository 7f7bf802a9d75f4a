"""The comparison's own parts: painting, recipes and the table's sums."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from shapely.geometry import Point, Polygon, box

from tests.benchmarks.cases import painted
from tests.benchmarks.peers import coin_cells, lay_cells, lay_table, table, tool_cells
from tests.benchmarks.recipes import RECIPES, Hints, Prepared
from tracer.model.silhouette import Silhouette
from tracer.model.view import ScaledPicture

PLANE = ScaledPicture("p", (400, 300), 0.5)


def silhouette(region: Polygon) -> Silhouette:
    none = np.empty(0)
    return Silhouette("S01", "p", region, none, 1.0, none, none)


def test_painted_takes_the_pixels_whose_centres_lie_within() -> None:
    # pixel columns 20..59 have their centres within 9.9..29.9 mm, rows 150 within 75 of 75.1 mm
    labels = painted([silhouette(box(9.9, 0.1, 29.9, 75.1))], PLANE, (400, 300))
    rows, cols = np.nonzero(labels)
    assert (cols.min(), cols.max()) == (20, 59)
    assert rows.max() == 298 and rows.min() == 149


def test_painted_keeps_area_and_holes() -> None:
    ring = Point(80.3, 70.7).buffer(50, 128).difference(Point(70, 60).buffer(20, 128))
    labels = painted([silhouette(box(150, 10, 160, 20)), silhouette(ring)], PLANE, (400, 300))
    # counting pixel centres has no bias: the area is right to a small part of a pixel's width
    assert (labels == 2).sum() * 0.25 == pytest.approx(ring.area, rel=2e-3)
    assert labels[299 - 120, 140] == 0
    assert (labels == 1).sum() == pytest.approx(400, abs=41)


@pytest.mark.parametrize("name", [n for n in RECIPES if n != "graph-cut"])
def test_recipes_find_a_plain_thing(name: str) -> None:
    noise = np.random.default_rng(1).normal(0, 3, (900, 1200, 3))
    pixels = np.full((900, 1200, 3), 200.0) + noise
    true = np.zeros((900, 1200), np.uint8)
    cv2.ellipse(true, (600, 450), (260, 120), 20, 0, 360, 1, -1)
    pixels[true > 0] -= 140
    # the watershed takes 8 % of the field for surely tool: the thing is larger
    paper = np.array([[20, 20], [150, 20], [150, 100], [20, 100.0]])
    corners = tuple(paper + shift for shift in ([0, 0], [1000, 0], [0, 750], [1000, 750.0]))
    hints = Hints(500.0, corners)
    labels = RECIPES[name](Prepared(pixels.clip(0, 255).astype(np.uint8), hints))
    assert labels.max() == 1
    both, either = ((labels > 0) & (true > 0)).sum(), ((labels > 0) | (true > 0)).sum()
    assert both / either > 0.95


def lay(**changes):
    one = {"tools": 2, "good": 1, "missed": 0, "merged": 0, "invented": 1}
    one |= {"ious": [0.95, 0.85], "boundary_fs": [0.9, 0.8], "means_mm": [0.3, 0.5]}
    return one | {"p95s_mm": [0.8, 1.2], "seconds": 4.0, "peak_mb": 300.4} | changes


def test_sums_and_medians() -> None:
    cells = lay_cells([lay(), lay(ious=[0.91], means_mm=[0.1], missed=1)])
    assert cells == ["2 of 4", "1", "0", "2", "0.910", "0.850", "0.30", "1.00"]
    coins = {"coins": 9, "found": 8, "merged": 0, "invented": 1}
    none = {"coins": 5, "found": 3, "merged": 1, "invented": 0, "squares_mm2": 0.0, "freedom": 0}
    both = coin_cells([coins | {"squares_mm2": 0.2, "freedom": 5}, none])
    assert both == ["11 of 14", "1", "1", "0.20"]
    tools = [{"one_piece": True, "iou": 0.9}, {"one_piece": False, "iou": None}]
    assert tool_cells(tools) == ["1 of 2", "0.900"]


def test_table_has_a_cell_for_every_head_and_tells_failures() -> None:
    lines = table({"auto": {"a": lay(), "b": {"failed": "no card"}}, "classical": {}}).splitlines()
    assert len({line.count("|") for line in lines[:3]}) == 1
    assert lines[2].startswith("| auto | 1 of 2 | 0 | 0 | 1 |")
    assert lines[-1] == "- auto, b: no card"
    rows = lay_table({"a": lay()}).splitlines()
    assert len({row.count("|") for row in rows}) == 1
