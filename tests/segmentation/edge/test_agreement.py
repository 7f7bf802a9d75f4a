"""Doubt about outlines, on likelihoods whose wrong area is known from their making."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from shapely.geometry import Polygon, box

from tracer.segmentation.edge.agreement import doubts
from tracer.segmentation.working_picture.raster import Raster, paint

RASTER = Raster(0.25, 99.75, 0.5, (200, 300))  # 150 x 100 mm
EVERYWHERE = np.ones(RASTER.shape, np.bool_)
HANDLE = box(20, 20, 100, 50)  # 2400 mm2


def likelihood(*regions: Polygon, blur_mm: float = 0.0) -> np.ndarray:
    image = paint(list(regions), RASTER).astype(np.float32)
    return cv2.GaussianBlur(image, (0, 0), blur_mm / RASTER.mm_per_cell) if blur_mm else image


@pytest.mark.parametrize("blur_mm", [0.0, 0.6])
def test_a_decided_tool_is_not_in_doubt(blur_mm: float) -> None:
    # a Gaussian of 0.6 mm leaves 0.2 % of its step beyond 1.6 mm
    (found,) = doubts([HANDLE], likelihood(HANDLE, blur_mm=blur_mm), EVERYWHERE, RASTER)
    assert found.share < 0.001


def test_a_face_left_out_is_told_with_its_place() -> None:
    seen = likelihood(HANDLE)
    seen[paint([box(60, 30, 80, 40)], RASTER)] = 0.25
    (found,) = doubts([HANDLE], seen, EVERYWHERE, RASTER)
    # 20 x 10 mm, wrong with 0.75: a cell's width along its edge is drawn either way
    assert found.share == pytest.approx(200 * 0.75 / 2400, rel=0.08)
    assert found.where_mm == pytest.approx((70, 35), abs=1)
    # a patch of 20 x 10 mm under a Gaussian of 4 mm: erf(10/(4 sqrt 2)) erf(5/(4 sqrt 2)) of it;
    # half a cell more all round, as drawn, adds 3 %
    assert found.peak == pytest.approx(0.75 * 0.9876 * 0.7887, rel=0.04)


def test_shadow_beside_a_tool_counts_within_reach_only() -> None:
    (near,) = doubts([HANDLE], likelihood(HANDLE, box(20, 10, 100, 20)), EVERYWHERE, RASTER)
    # of 10 mm of shadow the first 1.6 belong to the edge, what lies beyond 8 is another thing
    assert near.share == pytest.approx(80 * (8 - 1.6) / 2400, rel=0.1)
    assert near.where_mm[1] < 20
    (far,) = doubts([HANDLE], likelihood(HANDLE, box(20, 2, 100, 11)), EVERYWHERE, RASTER)
    assert far.share < 0.001


def test_neighbours_and_cards_are_no_doubt() -> None:
    other = box(20, 52, 100, 80)
    found = doubts([HANDLE, other], likelihood(HANDLE, other), EVERYWHERE, RASTER)
    assert max(d.share for d in found) < 0.001
    card = box(20, 52, 100, 80)
    domain = EVERYWHERE & ~paint([card], RASTER)
    (alone,) = doubts([HANDLE], likelihood(HANDLE, card), domain, RASTER)
    assert alone.share < 0.001


def test_an_outline_at_the_picture_s_rim() -> None:
    beyond = box(-30, 40, 30, 60)
    (found,) = doubts([beyond], likelihood(beyond), EVERYWHERE, RASTER)
    assert found.share < 0.001
