"""Bays measured with a tape, held against plane geometry."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from tracer.errors import TracerError
from tracer.model.panel import Bay, BayKind
from tracer.model.panel_plan import KeepOutPlan
from tracer.panel.layout.bay import bay_corners_mm, keep_outs, panel_shape


def test_right_angle_from_a_3_4_5_triangle() -> None:
    # the carpenter's check (Euclid I.48): sides 600 and 800 with a diagonal of 1000 are square
    corners = bay_corners_mm(Bay(BayKind.WALL, 600, 800, rising_mm=1000, falling_mm=1000))
    assert np.allclose(corners, [[0, 0], [600, 0], [600, 800], [0, 800]], atol=1e-6)


@settings(max_examples=30, deadline=None)
@given(width=st.floats(200, 2000), height=st.floats(200, 2000), lean_deg=st.floats(-4, 4))
def test_a_leaning_bay_is_found_from_its_diagonals(
    width: float, height: float, lean_deg: float
) -> None:
    # parallelogram: diagonals by the law of cosines (any geometry text)
    c = math.cos(math.radians(90 - lean_deg))
    rising = math.sqrt(width**2 + height**2 + 2 * width * height * c)
    falling = math.sqrt(width**2 + height**2 - 2 * width * height * c)
    corners = bay_corners_mm(Bay(BayKind.WALL, width, height, rising_mm=rising, falling_mm=falling))
    want = [height * math.sin(math.radians(lean_deg)), height * math.cos(math.radians(lean_deg))]
    # least squares stops within a micrometre of an exact solution
    assert np.allclose(corners[3], want, atol=1e-3)


def test_four_different_sides_and_one_diagonal() -> None:
    truth = np.array([[0, 0], [900, 0], [893, 604], [5, 598]], float)
    d = lambda i, j: float(np.hypot(*(truth[i] - truth[j])))  # noqa: E731
    bay = Bay(BayKind.WALL, d(0, 1), d(0, 3), top_mm=d(2, 3), right_mm=d(1, 2), rising_mm=d(0, 2))
    assert np.allclose(bay_corners_mm(bay), truth, atol=1e-3)


@pytest.mark.parametrize(
    "bay",
    [
        Bay(BayKind.WALL, -1, 300),
        Bay(BayKind.WALL, 300, 400, rising_mm=520, falling_mm=500),  # 20 mm misread
        Bay(BayKind.WALL, 300, 400, top_mm=310),  # sides differ, no diagonal
    ],
)
def test_measures_that_contradict_are_refused(bay: Bay) -> None:
    with pytest.raises(TracerError) as caught:
        bay_corners_mm(bay)
    assert caught.value.slug == "bay-impossible"


@pytest.mark.parametrize(("squeeze", "width"), [(2.0, 502.0), (0.0, 500.0), (-3.0, 497.0)])
def test_squeeze_is_the_difference_of_the_sizes(squeeze: float, width: float) -> None:
    shape, origin = panel_shape(Bay(BayKind.DRAWER, 500, 400, squeeze_mm=squeeze))
    assert shape.bounds == pytest.approx((0, 0, width, 400 + squeeze), abs=1e-3)
    assert origin == pytest.approx((squeeze / 2, squeeze / 2), abs=1e-3)
    assert shape.exterior.is_ccw and len(shape.exterior.coords) == 5


def test_keep_outs_follow_the_bay_not_the_panel() -> None:
    found = keep_outs(
        [KeepOutPlan("rail", 10, 20, 100, 30), KeepOutPlan("pipe", 50, 60, 40)], (1.0, 1.0)
    )
    assert found[0].region.bounds == (11, 21, 111, 51)
    # 128 chords of a circle of radius 20: 0.04 % of its area are missing
    assert found[1].region.area == pytest.approx(math.pi * 400, rel=1e-3)
    assert isinstance(found[1].region, Polygon)
    with pytest.raises(TracerError):
        keep_outs([KeepOutPlan("nothing", 0, 0, 0)], (0, 0))
