"""Something left out: on pictures drawn by hand, with nothing found or with one tool found."""

from __future__ import annotations

import numpy as np
from shapely.geometry import Point, Polygon, box

from tracer.segmentation.separate.left_out import LeftOut
from tracer.segmentation.separate.unexplained import unexplained
from tracer.segmentation.working_picture.extent import find_extent
from tracer.segmentation.working_picture.raster import Raster

SHAPE = (600, 800)
RASTER = Raster(0.0, 599.0, 1.0, SHAPE)
TOOL = box(100, 420, 260, 450)  # sheet mm; rows 149 to 179


def told(log: np.ndarray, *found: Polygon) -> list[LeftOut]:
    core = np.zeros(SHAPE, bool)
    core[200:400, 300:540] = True
    extent = find_extent(log.astype(np.float32), core, np.ones(SHAPE, bool), 1.0)
    assert extent.blocks is not None
    return unexplained(extent.blocks, found, RASTER)


def sheet() -> np.ndarray:
    rng = np.random.default_rng(4)
    return rng.normal(0, 0.03, (*SHAPE, 3)) - 0.6


def with_tool() -> np.ndarray:
    log = sheet()
    log[149:180, 100:261] += [-0.9, -0.6, 0.2]
    return log


def test_a_bare_sheet_has_nothing_left_out() -> None:
    assert told(sheet()) == []


def test_a_tool_that_was_found_is_explained_and_one_that_was_not_is_told() -> None:
    assert told(with_tool(), TOOL) == []
    (thing,) = told(with_tool())
    assert TOOL.buffer(8).contains(Point(thing.where_mm))
    assert 150 < thing.size_mm[0] < 185


def test_half_a_tool_is_told() -> None:
    log = with_tool()
    log[149:180, 261:400] += [0.5, 0.3, 0.1]  # a pale handle
    (thing,) = told(log, TOOL)
    assert box(261, 412, 408, 458).contains(Point(thing.where_mm))


def test_the_shadow_of_a_found_tool_is_explained() -> None:
    log = with_tool()
    log[180:210, 110:270] -= 0.8
    assert told(log, TOOL) == []


def test_a_shadow_that_nothing_throws_is_told() -> None:
    log = sheet()
    log[180:215, 110:270] -= 0.8
    assert len(told(log)) == 1


def test_a_knot_and_the_bench_at_a_corner_are_not() -> None:
    log = sheet()
    log[300:318, 600:618] -= 0.5
    log[:70, :70] += [0.6, 0.1, -0.5]
    assert told(log) == []
