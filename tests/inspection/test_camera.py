"""The panel's camera against OpenCV's projection, and its derivatives against differences."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tracer.inspection.camera import PanelCamera, prior_focal_px

VALUES = np.array([2.9, 0.2, -0.3, -180.0, 140.0, 900.0, np.log(1400.0), 0.03, 2.5])
POINTS = np.array([[10.0, 20.0], [410.0, 30.0], [200.0, 150.0], [390.0, 280.0]])


def camera(values: np.ndarray = VALUES) -> PanelCamera:
    return PanelCamera(values, (1600, 1200), (420.0, 300.0))


def test_pixels_are_those_of_opencv() -> None:
    flat = camera(np.append(VALUES[:8], 0.0))
    K = np.array([[1400, 0, 799.5], [0, 1400, 599.5], [0, 0, 1]])
    space = np.column_stack([POINTS, np.zeros(4)])
    dist = np.array([0.03, 0, 0, 0, 0])
    theirs = cv2.projectPoints(space, VALUES[:3].copy(), VALUES[3:6].copy(), K, dist)[0]
    assert flat.to_photo(POINTS) == pytest.approx(theirs.reshape(-1, 2), abs=1e-6)


def test_the_calibrated_view_projects_alike() -> None:
    flat = camera(np.append(VALUES[:8], 0.0))
    assert flat.view("a").to_photo(POINTS) == pytest.approx(flat.to_photo(POINTS), abs=1e-6)


@pytest.mark.parametrize("number", range(9))
def test_derivatives_are_differences(number: int) -> None:
    step = 1e-5 * max(abs(VALUES[number]), 0.1)
    up, down = VALUES.copy(), VALUES.copy()
    up[number] += step
    down[number] -= step
    difference = (camera(up).to_photo(POINTS) - camera(down).to_photo(POINTS)) / (2 * step)
    ours = camera().project(POINTS)[1][:, :, number]
    assert ours == pytest.approx(difference, rel=1e-4, abs=1e-3)


def test_a_smaller_picture_has_the_same_camera() -> None:
    half = camera().scaled(0.5, (800, 600))
    # pixel centres are whole numbers: (x + 0.5) / 2 - 0.5
    assert half.to_photo(POINTS) == pytest.approx((camera().to_photo(POINTS) + 0.5) / 2 - 0.5)


def test_the_bulge_is_highest_in_the_middle() -> None:
    middle, rim = camera().bulged(np.array([[210.0, 150.0], [0.0, 150.0]]))
    assert middle[2] == pytest.approx(2.5) and rim[2] == 0


def test_a_35_mm_equivalent_is_taken_by_the_diagonal() -> None:
    # CIPA DCG-001-2018: 43.27 mm on the diagonal
    assert prior_focal_px((4000, 3000), 43.267) == pytest.approx(5000)
