"""Saddle corners and the plane fit on real photographs of printed boards.

Needs the folder of real photos in the environment variable TRACER_REAL.
"""

from __future__ import annotations

import os
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from tests.calibration.real_sheets import as_cards, blocks_of, lattice_of, tag_centres
from tracer.calibration.calibrate import solve_lay
from tracer.calibration.initial import rigid_2d
from tracer.calibration.saddle import fit_homography, fit_lattice, fit_saddles
from tracer.errors import TracerError
from tracer.model.photo import Photo

FOLDER = os.environ.get("TRACER_REAL")
pytestmark = pytest.mark.skipif(not FOLDER, reason="TRACER_REAL names no folder of real photos")
REAL = Path(FOLDER or ".")

Array = NDArray[np.float64]


def grey_at(path: Path) -> NDArray[np.uint8]:
    picture = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    assert picture is not None, path
    return np.asarray(picture, np.uint8)


def test_all_corners_of_a_wavy_board_on_a_desk() -> None:
    """CharucoBoard (5, 7), 40 mm squares, DICT_6X6_250; OpenCV's own corners leave 0.22 px."""
    grey = grey_at(REAL / "boards/charuco_5x7_on_desk.jpg")
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250)
    board = cv2.aruco.CharucoBoard((5, 7), 40.0, 20.0, family)
    corners, ids, _ = cv2.aruco.ArucoDetector(family).detectMarkers(grey)
    known = np.asarray(board.getObjPoints(), np.float64)[np.ravel(ids)].reshape(-1, 3)[:, :2]
    rough = fit_homography(known, np.asarray(corners, np.float64).reshape(-1, 2), robust_px=3.0)
    assert rough is not None
    points = np.asarray(board.getChessboardCorners(), np.float64)[:, :2]
    gaps = np.linalg.norm(points[:, None] - points[None], axis=2)
    neighbours = np.argwhere(np.triu(np.abs(gaps - 40) < 1))
    lattice = fit_lattice(grey, points, neighbours, rough)
    assert lattice is not None
    assert len(lattice.kept) == 24
    assert 0.02 < lattice.sigma_px < 0.20


@pytest.mark.parametrize("side", ["left", "right"])
def test_chessboards_kept_back_are_predicted(side: str) -> None:
    """Calibrate OpenCV's camera on every other photo, predict the others.

    Reference on the same split: OpenCV's `cornerSubPix` corners, which must not do better.
    """
    saddles: list[Array] = []
    windows: list[Array] = []
    for path in sorted((REAL / "chessboard_stereo").glob(f"{side}*.jpg")):
        grey = grey_at(path)
        found, corners = cv2.findChessboardCorners(grey, (9, 6))
        assert found
        start = np.asarray(corners, np.float64).reshape(-1, 2)
        grid = start.reshape(6, 9, 2)
        spacing = min(np.linalg.norm(np.diff(grid, axis=k), axis=2).min() for k in (0, 1))
        points = start
        for share in (0.25, 0.2):  # no markers in the squares: a larger disc may be used
            points = fit_saddles(grey, points, share * spacing).points_px
        saddles.append(points)
        criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)
        refined = cv2.cornerSubPix(
            grey, start.astype(np.float32).reshape(-1, 1, 2), (5, 5), (-1, -1), criteria
        )
        windows.append(np.asarray(refined, np.float64).reshape(-1, 2))
    ours, reference = kept_back_rms(saddles), kept_back_rms(windows)
    assert ours < 0.25
    assert ours < reference


def kept_back_rms(corners: list[Array]) -> float:
    board = np.array([[x, y, 0] for y in range(6) for x in range(9)], np.float32)
    points = [c.astype(np.float32) for c in corners]
    train = points[0::2]
    _, K, dist, _, _ = cv2.calibrateCamera([board] * len(train), train, (640, 480), None, None)
    squares: list[float] = []
    for seen in points[1::2]:
        _, turn, shift = cv2.solvePnP(board, seen, K, dist)
        expected = cv2.projectPoints(board, turn, shift, K, dist)[0].reshape(-1, 2)
        squares += list(np.sum((expected - seen) ** 2, axis=1))
    return float(np.sqrt(np.mean(squares)))


def photo_of(path: Path) -> Photo:
    """Size and focal length of a photo, as stored."""
    with Image.open(path) as picture:
        width, height = picture.size
        focal = picture.getexif().get_ifd(0x8769).get(0xA405)
    blank = np.broadcast_to(np.uint8(0), (height, width, 3))
    return Photo(path.stem, path.name, blank, float(focal) if focal else None, "phone")


def test_flat_print_is_measured_as_well_as_stated() -> None:
    """A tag sheet lying nearly flat, photographed by a phone: blocks of tags stand for cards.

    The tags form one lattice, so the places found can be held against it: lengths here are in
    units of the pitch = 28 mm.
    """
    path = REAL / "screws_on_tag_sheet/screws_on_red_tags.jpg"
    lattice = lattice_of(tag_centres(path))
    assert len(lattice) > 100
    blocks = blocks_of(lattice)
    calibration = solve_lay([photo_of(path)], [as_cards(lattice, blocks)])
    assert all(card.used for card in calibration.cards)
    keys = sorted(lattice)
    found = calibration.views[0].to_sheet(np.array([lattice[k] for k in keys]), 0.1)
    true = np.array(keys) * (28.0, -28.0)
    angle, shift = rigid_2d(found, true)
    c, s = np.cos(angle), np.sin(angle)
    error = found @ np.array([[c, s], [-s, c]]) + shift - true
    rms = float(np.sqrt(np.mean(np.sum(error**2, axis=1)) / 2))
    stated = float(np.sqrt(np.mean(calibration.sigma.at(found) ** 2)))
    # part of the error is the tag centres' own noise, 1 px = 0.1 mm; a plane with two radial
    # numbers fitted to the whole sheet leaves 1.8 px
    assert rms < 0.5
    assert rms < 3 * float(np.hypot(stated, calibration.sigma_px * 0.095))


def test_loose_wavy_sheet_is_noticed() -> None:
    """The same print lying loose on a desk: off a plane by up to a fifth of the pitch."""
    path = REAL / "screws_on_tag_sheet/tag_sheet_photo.jpg"
    lattice = lattice_of(tag_centres(path))
    seen = as_cards(lattice, blocks_of(lattice))
    try:
        calibration = solve_lay([photo_of(path)], [seen])
    except TracerError as error:
        assert error.slug in {"cards-disagree", "cards-not-flat"}
    else:
        assert {"card-left-out", "cards-scatter"} & {c.slug for c in calibration.checks}
