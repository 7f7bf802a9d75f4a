"""The counting itself, on a lay made by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import Polygon, box

from tests.benchmarks.scoring import Result, camera_scale, score_lay
from tests.benchmarks.truth import Tool
from tracer.geometry.compare import Motion
from tracer.model.view import View

SHAPES = [
    box(0, 0, 180, 25),
    box(0, 60, 140, 80).union(box(120, 50, 150, 90)),
    box(220, 0, 260, 120),
    box(320, 20, 350, 100),
]
FRAME = Motion(math.radians(80), (500.0, -120.0))
ONE = range(1)


def tool(i: int, shape: Polygon, cut=(), optional=False) -> Tool:
    return Tool(i, f"tool {i}", 20.0, shape, (0,), cut, optional)


TOOLS = [tool(i, s) for i, s in enumerate(SHAPES)]


def results(shapes: list[Polygon], motion: Motion = FRAME) -> list[Result]:
    return [Result(f"T{i:02d}", "", motion.region(s)) for i, s in enumerate(shapes, 1)]


def near(motion: Motion) -> list[Motion]:
    """A start that is off by a degree and some millimetres, and one that is quite wrong."""
    x, y = motion.shift_mm
    return [Motion(1.0), Motion(motion.angle_rad + 0.017, (x + 3, y - 2))]


def test_perfect_lay_scores_nothing() -> None:
    score = score_lay(results(SHAPES), TOOLS, ONE, near(FRAME))
    assert len(score.tools) == score.counted == 4
    assert score.missed == score.merged == score.invented == ()
    assert max(t.distance.max_mm for t in score.tools) < 1e-3
    assert score.scale_error == pytest.approx(0, abs=1e-6)


def test_grown_lay_shows_its_growth_and_no_shift() -> None:
    grown = [s.buffer(0.6, join_style="mitre") for s in SHAPES]
    score = score_lay(results(grown), TOOLS, ONE, near(FRAME))
    assert [t.distance.signed_mm for t in score.tools] == pytest.approx([0.6] * 4, abs=0.02)


def test_missed_invented_and_merged() -> None:
    both = SHAPES[0].union(SHAPES[1]).convex_hull
    score = score_lay(results([both, SHAPES[2], box(500, 0, 530, 40)]), TOOLS, ONE, [FRAME])
    assert score.merged == ("T01",)
    assert score.invented == ("T03",)
    assert len(score.missed) == 2  # one of the merged pair, and the one not traced
    assert "tool 3" in score.missed


def test_cut_and_loose_things_do_not_count() -> None:
    tools = [*TOOLS[:2], tool(2, SHAPES[2], cut=(0,)), tool(3, SHAPES[3], optional=True)]
    half = SHAPES[2].intersection(box(0, 0, 300, 60))
    score = score_lay(results([*SHAPES[:2], half, SHAPES[3]]), tools, ONE, [FRAME])
    assert (score.counted, score.missed, score.invented) == (2, (), ())


def test_tool_in_another_photo_does_not_count() -> None:
    elsewhere = Tool(3, "tool 3", 20.0, SHAPES[3], (1,), (), False)
    score = score_lay(results(SHAPES[:3]), [*TOOLS[:3], elsewhere], ONE, [FRAME])
    assert score.missed == ()
    both = score_lay(results(SHAPES[:3]), [*TOOLS[:3], elsewhere], range(2), [FRAME])
    assert both.missed == ("tool 3",)


def test_nothing_found() -> None:
    score = score_lay([], TOOLS, ONE)
    assert len(score.missed) == 4
    assert score.scale_error is None


def test_scale_of_the_lay() -> None:
    larger = [affinity.scale(s, 1.004, 1.004, origin=(0, 0)) for s in SHAPES]
    score = score_lay(results(larger), TOOLS, ONE, [FRAME])
    assert score.scale_error == pytest.approx(0.004, abs=1e-5)


def test_camera_scale_finds_a_scaled_and_turned_camera() -> None:
    K = np.array([[3000.0, 0, 2000], [0, 3000, 1500], [0, 0, 1]])
    R = np.diag([1.0, -1.0, -1.0])
    true = View("p", (4000, 3000), K, np.zeros(5), R, -R @ [50.0, 20.0, 1000.0])
    # the same camera in a frame scaled by 1.002 and turned
    c, s = math.cos(0.3), math.sin(0.3)
    turned = R @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    found = View("p", (4000, 3000), K, np.zeros(5), turned, true.t * 1.002)
    scale, rest = camera_scale(found, true, box(-300, -200, 300, 200))
    assert scale == pytest.approx(0.002, abs=1e-9)
    assert rest < 1e-9
