"""How far the sheet is searched: on pictures drawn by hand."""

from __future__ import annotations

import numpy as np
import pytest

from tracer.segmentation.working_picture.extent import find_extent, outlines
from tracer.segmentation.working_picture.raster import Raster

SHAPE = (600, 800)
CARDS = np.s_[260:340, 360:480]


def lit_sheet(seed: int = 1) -> np.ndarray:
    """Log light of a grainy sheet: a lamp makes the far end a seventh as bright."""
    rng = np.random.default_rng(seed)
    fall = -2.0 * np.linspace(0, 1, SHAPE[1])[None, :] * np.ones((SHAPE[0], 1))
    grain = rng.normal(0, 0.04, (*SHAPE, 3))
    return (fall[..., None] + grain - 0.5).astype(np.float32)


def found(log: np.ndarray):
    core = np.zeros(SHAPE, bool)
    core[200:400, 300:540] = True
    allowed = np.ones(SHAPE, bool)
    allowed[CARDS] = False
    return find_extent(log, core, allowed, 1.0)


def test_a_lamps_fall_off_bounds_nothing() -> None:
    extent = found(lit_sheet())
    assert not extent.beyond.any()
    assert extent.eventful.mean() < 0.01


def test_a_tool_far_from_the_cards_is_searched_and_eventful() -> None:
    log = lit_sheet()
    log[40:70, 40:240] -= 1.0
    extent = found(log)
    assert not extent.beyond.any()
    assert extent.eventful[44:66, 48:232].mean() > 0.9


def test_the_bench_past_the_sheets_edge_is_not_searched() -> None:
    log = lit_sheet()
    log[:, :150] += [0.9, 0.2, -0.6]
    extent = found(log)
    assert extent.beyond[:, :136].all()
    assert not extent.beyond[:, 170:].any()
    (region,) = outlines(extent.beyond, Raster(0.0, 599.0, 1.0, SHAPE))
    assert region.area == pytest.approx(150 * 600, rel=0.08)  # blocks of 8 mm


def test_a_tool_that_the_frame_cuts_is_no_bench() -> None:
    log = lit_sheet()
    log[250:320, :200] -= 1.2  # 70 mm of the rim, and no corner
    assert not found(log).beyond.any()


def test_lines_of_a_mat_are_no_edge_of_the_sheet() -> None:
    log = lit_sheet()
    log[::50] += 0.8
    log[:, ::50] += 0.8
    extent = found(log)
    assert not extent.beyond.any()
