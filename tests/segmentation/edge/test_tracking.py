"""The choice among edges near a ring, on rings small enough to enumerate and on drawn lays."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
import shapely
from shapely.geometry import Polygon, box

from tests.scene_maker import Scene, make_scene
from tests.scene_parts import Look, Tool
from tracer.segmentation.edge.refine import MeasuredRing, measure_ring
from tracer.segmentation.edge.tracking import JUMP, SLOPE, marginals

SQUARE = box(260, 120, 420, 160)


def test_chances_are_those_of_all_paths_round_the_ring() -> None:
    """Against the definition: every closed path weighed by its product, summed by brute force."""
    score = np.random.default_rng(2).normal(0, 1, (6, 3))
    offset = np.array([-0.2, 0.0, 0.2])
    change = np.abs(offset[:, None] - offset) / 1.0
    step = np.exp(-change / SLOPE) + JUMP * np.exp(-change)
    total = np.zeros_like(score)
    for path in product(range(3), repeat=6):
        following = [*path[1:], path[0]]
        weight = np.exp(sum(score[i, j] for i, j in enumerate(path)))
        weight *= np.prod([step[a, b] for a, b in zip(path, following, strict=True)])
        for i, j in enumerate(path):
            total[i, j] += weight
    expected = total / total.sum(axis=1, keepdims=True)
    # running ahead instead of closing the ring exactly costs most on a ring as short as this
    assert marginals(score, offset, 1.0) == pytest.approx(expected, abs=0.1)
    assert np.array_equal(marginals(score, offset, 1.0).argmax(axis=1), expected.argmax(axis=1))


def measured(scene: Scene, truth: Polygon, off_mm: float) -> MeasuredRing:
    ring = np.asarray(truth.buffer(off_mm, join_style="mitre").exterior.coords)[:-1]
    if not shapely.LinearRing(ring).is_ccw:
        ring = ring[::-1]
    return measure_ring(
        scene.photo.pixels, scene.view, ring, step_mm=1.0, search_mm=2.0, sigma_px=0.8
    )


def errors_mm(ring: MeasuredRing, truth: Polygon) -> np.ndarray:
    return np.asarray(shapely.distance(shapely.points(ring.points_mm), truth.exterior))


def drawn(finish: str, ground: str = "grey board") -> Scene:
    return make_scene(tools=[Tool(SQUARE, 8.0, finish)], look=Look(ground=ground, seed=4))


@pytest.mark.parametrize("off_mm", [-0.5, 0.0, 0.5, 0.9])
def test_the_edge_is_found_from_a_ring_beside_it(off_mm: float) -> None:
    scene = drawn("black rubber")
    truth = scene.silhouettes[0]
    error = errors_mm(measured(scene, truth, off_mm), truth)
    # 0.5 mm a pixel here: a third of a pixel on average; corners are cut by the 1 mm spacing
    assert np.mean(error) < 0.17
    assert np.percentile(error, 95) < 0.5


def test_chrome_is_at_most_a_fifth_of_a_millimetre_worse_than_rubber() -> None:
    means = []
    for finish in ("black rubber", "chrome"):
        scene = drawn(finish)
        truth = scene.silhouettes[0]
        means.append(np.mean(errors_mm(measured(scene, truth, 0.4), truth)))
    assert means[1] - means[0] < 0.2


def test_a_line_on_the_sheet_does_not_draw_the_edge() -> None:
    # nearer than about 2.5 mm, four pixels of tool to sheet to line, the fit is drawn to it
    line = box(200, 163, 480, 163.8)
    look = Look(ground="grey board", seed=4, extras=((line, (0.75, 0.75, 0.75)),))
    scene = make_scene(tools=[Tool(SQUARE, 2.0, "black rubber")], look=look)
    truth = scene.silhouettes[0]
    assert np.percentile(errors_mm(measured(scene, truth, 0.0), truth), 95) < 0.5
