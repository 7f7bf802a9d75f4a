"""Projection, derivatives and first guesses against OpenCV and against textbook figures."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.calibration.bench import Flaws, detect, draw_papers, make_photo, make_view, rim
from tracer.calibration.calibrate import solve_lay
from tracer.calibration.layout import Layout
from tracer.calibration.lens import project, rotation, turn_matrix, unturn_px
from tracer.calibration.optics import focal_px

DIST = (-0.1, 0.03, 0.0007, -0.0006, 0.01)


def test_projection_is_opencvs() -> None:
    """Reference: OpenCV `projectPoints`, with its order k1, k2, p1, p2, k3."""
    rng = np.random.default_rng(0)
    points = rng.uniform(-400, 400, (50, 3)) * (1, 1, 0.05)
    pose = np.array([3.0, 0.2, -0.1, 50.0, -20.0, 1200.0])
    lens = np.array([np.log(2900.0), 2010.0, 1500.0, DIST[0], DIST[1], DIST[4], DIST[2], DIST[3]])
    K = np.array([[2900.0, 0, 2010], [0, 2900.0, 1500], [0, 0, 1]])
    expected = cv2.projectPoints(points, pose[:3], pose[3:], K, np.array(DIST))[0].reshape(-1, 2)
    assert np.allclose(project(lens, pose, points)[0], expected, atol=1e-8)
    assert np.allclose(rotation(pose[:3])[0], cv2.Rodrigues(pose[:3])[0], atol=1e-12)


def test_view_is_opencvs() -> None:
    view = make_view(dist=DIST, tilt_deg=12.0)
    points = np.random.default_rng(1).uniform(0, 600, (40, 3)) * (1, 1, 0.1)
    rvec = cv2.Rodrigues(view.R)[0]
    expected = cv2.projectPoints(points, rvec, view.t, view.K, view.dist)[0].reshape(-1, 2)
    assert np.allclose(view.to_photo(points), expected, atol=1e-8)
    assert np.allclose(view.to_sheet(expected, points[:, 2]), points[:, :2], atol=1e-6)


def test_derivatives_are_finite_differences() -> None:
    rng = np.random.default_rng(2)
    points = rng.uniform(-300, 300, (6, 3)) * (1, 1, 0.02)
    pose = np.array([3.05, 0.1, 0.05, 20.0, 30.0, 1000.0])
    lens = np.array([np.log(3000.0), 2015.0, 1511.0, *(-0.1, 0.02, 0.01), 5e-4, -4e-4])
    _, by_lens, by_pose, by_point = project(lens, pose, points)
    for k in range(8):
        step = np.zeros(8)
        step[k] = 1e-6
        numeric = (
            project(lens + step, pose, points)[0] - project(lens - step, pose, points)[0]
        ) / 2e-6
        assert np.allclose(by_lens[:, :, k], numeric, atol=1e-3)
    for k in range(6):
        step = np.zeros(6)
        step[k] = 1e-6
        numeric = (
            project(lens, pose + step, points)[0] - project(lens, pose - step, points)[0]
        ) / 2e-6
        assert np.allclose(by_pose[:, :, k], numeric, atol=1e-3)
    for k in range(3):
        step = np.zeros(3)
        step[k] = 1e-4
        numeric = (
            project(lens, pose, points + step)[0] - project(lens, pose, points - step)[0]
        ) / 2e-4
        assert np.allclose(by_point[:, :, k], numeric, atol=1e-5)


def test_card_derivatives_are_finite_differences() -> None:
    layout = Layout((0,), ((168.0, 112.0), (163.0, 108.5)), 0)
    rng = np.random.default_rng(3)
    x = rng.normal(0, 0.3, layout.size)
    cards, kept = np.array([0, 1, 1]), np.array([3, 0, 14])
    _, by = layout.corner_points(x, cards, kept)
    for k in range(11):
        step = np.zeros(layout.size)
        for card in range(2):
            step[layout.card(card).start + k] = 1e-6
        high, low = (layout.corner_points(x + s * step, cards, kept)[0] for s in (1, -1))
        assert np.allclose(by[:, :, k], (high - low) / 2e-6, atol=1e-6)


def test_quarter_turns_undo_numpy_rot90() -> None:
    """`numpy.rot90` turns counter-clockwise, as `Photo.quarter_turns` counts."""
    stored = np.zeros((30, 50))
    stored[7, 41] = 1
    for turns in range(4):
        upright = np.rot90(stored, turns)
        row, column = np.argwhere(upright == 1)[0]
        back = unturn_px(np.array([[column, row]], float), upright.shape[::-1], turns)
        assert np.allclose(back, [[41, 7]])
    assert np.allclose(turn_matrix(2) @ turn_matrix(2), np.eye(2))


def test_focal_length_is_by_diagonal() -> None:
    # CIPA DCG-001: 26 mm on 4:3 at 4032 px is 3028.6 px; the width rule would give 2912
    assert focal_px(26.0, (4032, 3024)) == pytest.approx(26 * 5040 / 43.2666, rel=1e-5)


def test_ground_sample_distance() -> None:
    """Published exercise: sensor 13.125 mm, f 15.4 mm, H 100 m, 4608 px wide: 1.85 cm a pixel."""
    focal = 15.4 / 13.125 * 4608
    view = make_view(height_mm=100_000.0, tilt_deg=0.0, focal_px=focal, size_px=(4608, 3456))
    assert view.mm_per_px([[450.0, 300.0]])[0] == pytest.approx(18.5, abs=0.05)


def test_relief_displacement() -> None:
    """Surveying exercise (relief displacement d = r h / H): H 1000 m, r 100 mm, d 7.2 mm: 72 m."""
    view = make_view(height_mm=1_000_000.0, tilt_deg=0.0)
    nadir_px = view.to_photo([[*view.nadir_mm, 0.0]])[0]
    base = view.nadir_mm + np.array([200_000.0, 0.0])
    foot, top = view.to_photo([[*base, 0.0], [*base, 72_000.0]])
    r = np.linalg.norm(top - nadir_px)
    assert np.linalg.norm(top - foot) / r == pytest.approx(7.2 / 100, rel=1e-9)


def test_height_and_nadir_come_out_of_exact_corners() -> None:
    view = make_view(tilt_deg=8.0, towards_deg=130.0, dist=(0.03, 0, 0, 0, 0))
    rng = np.random.default_rng(4)
    seen = detect(view, draw_papers(rim(6), Flaws(), rng), 0.0, rng)
    found = solve_lay([make_photo(view)], [seen]).views[0]
    # priors hold lens and focal length at other values, so exact corners do not give exact poses
    assert found.height_mm == pytest.approx(view.height_mm, abs=4.0)
    assert np.linalg.norm(found.nadir_mm - view.nadir_mm) < 3.0
    assert found.tilt_deg == pytest.approx(8.0, abs=0.15)
