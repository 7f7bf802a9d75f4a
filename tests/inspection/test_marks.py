"""Corner marks: the published family, on bare face, printed true to size, found in a photo."""

from __future__ import annotations

import cv2
import numpy as np
import pypdfium2
import pytest
import shapely

from tests.panel.bench import drawer, panel_of, plan, row_of_bars, spanner, tool
from tracer.export.paper.corner_marks import corner_marks_pdf
from tracer.inspection.camera import from_points, prior_focal_px
from tracer.inspection.marks import (
    MARK_MM,
    PAPER_MM,
    cameras_by_marks,
    find_marks,
    mark_places,
)
from tracer.model.card_codes import marker_cells
from tracer.model.panel import Panel

FAMILY = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
DPI = 300


@pytest.fixture(scope="module")
def panel() -> Panel:
    return panel_of(row_of_bars(3), plan(drawer(460, 320)))


def test_codes_are_the_published_family_and_no_cards() -> None:
    # OpenCV's copy of AprilTag 36h11
    for marker in range(576, 580):
        drawn = FAMILY.generateImageMarker(marker, 8, borderBits=1)
        assert np.array_equal(marker_cells(marker), drawn == 0)


def test_marks_lie_on_bare_face_near_their_corners(panel: Panel) -> None:
    places = mark_places(panel)
    assert [p.corner for p in places] == ["lower left", "lower right", "upper right", "upper left"]
    for place in places:
        half = PAPER_MM / 2
        paper = shapely.box(
            place.x_mm - half, place.y_mm - half, place.x_mm + half, place.y_mm + half
        )
        assert panel.shape.contains(paper)
        for pocket in panel.pockets:
            assert paper.distance(pocket.region) > 3
            assert all(paper.distance(n.region) > 3 for n in pocket.notches)
    x = [p.x_mm for p in places]
    assert x[0] < 100 < 360 < x[1] and places[0].y_mm < 100 < 220 < places[2].y_mm


def test_a_corner_without_room_has_no_mark() -> None:
    full = panel_of([tool(spanner(), 1, 0, 0)], plan(drawer(62, 220)))
    assert len(mark_places(full)) < 4


def test_printed_marks_are_read_back_true_to_size(panel: Panel) -> None:
    rows = [(p.marker_id, p.corner, p.x_mm, p.y_mm) for p in mark_places(panel)]
    data = corner_marks_pdf("Bench", rows, side_mm=MARK_MM)
    page = pypdfium2.PdfDocument(data)[0].render(scale=DPI / 72, grayscale=True)
    grey = np.ascontiguousarray(page.to_numpy().reshape(page.height, -1)[:, : page.width])
    # OpenCV's detector over the whole family, not our own
    corners, ids, _ = cv2.aruco.ArucoDetector(FAMILY).detectMarkers(grey)
    assert sorted(np.ravel(ids).tolist()) == [576, 577, 578, 579]
    sides = np.linalg.norm(np.diff(np.array(corners).reshape(4, 4, 2), axis=1), axis=2)
    assert sides * 25.4 / DPI == pytest.approx(MARK_MM, abs=0.15)  # a pixel at 300 dpi is 0.085


def _picture(panel: Panel, turn: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """The marks alone, drawn by OpenCV and warped by a known homography."""
    w, h = panel.size_mm
    scale = 3.0
    flat = np.full((int(h * scale), int(w * scale)), 120, np.uint8)
    for p in mark_places(panel):
        side = int(MARK_MM * scale)
        marker = FAMILY.generateImageMarker(p.marker_id, side, borderBits=1)
        marker = cv2.copyMakeBorder(marker, 8, 8, 8, 8, cv2.BORDER_CONSTANT, value=230)
        x, y = int((p.x_mm - MARK_MM / 2) * scale) - 8, int((h - p.y_mm - MARK_MM / 2) * scale) - 8
        flat[y : y + marker.shape[0], x : x + marker.shape[1]] = marker
    corners = np.float32([[0, 0], [w * scale, 0], [w * scale, h * scale], [0, h * scale]])
    seen = np.float32([[180, 160], [1420, 240], [1350, 1010], [230, 1080]])
    H = cv2.getPerspectiveTransform(corners, seen)
    c, s = np.cos(turn), np.sin(turn)
    R = np.array([[c, -s, 800 - 800 * c + 600 * s], [s, c, 600 - 800 * s - 600 * c], [0, 0, 1]])
    return cv2.warpPerspective(flat, R @ H, (1600, 1200), borderValue=90), R @ H


@pytest.mark.parametrize("turn", [0.0, 0.4, 2.0, np.pi])
def test_a_photo_of_marks_gives_the_camera(panel: Panel, turn: float) -> None:
    picture, H = _picture(panel, turn)
    corners, ids = find_marks(picture)
    assert len(ids) >= 2 and set(ids.tolist()) <= {576, 577, 578, 579}
    cameras = cameras_by_marks(
        corners, ids, mark_places(panel), (1600, 1200), panel.size_mm, 1300.0
    )
    assert len(cameras) == 1
    w, h = panel.size_mm
    points = np.array([[w / 2, h / 2], [30, 40], [w - 30, h - 40]])
    flat = np.column_stack([points[:, 0] * 3, (h - points[:, 1]) * 3]).reshape(-1, 1, 2)
    true = cv2.perspectiveTransform(flat, H).reshape(-1, 2)
    # the quadrilateral is no exact pin hole's of this focal length; three pixels are a millimetre
    assert np.abs(cameras[0].to_photo(points) - true).max() < 30


def test_mirrored_marks_give_no_camera(panel: Panel) -> None:
    picture, _ = _picture(panel)
    corners, _ = find_marks(np.ascontiguousarray(picture[:, ::-1]))
    assert len(corners) == 0


def test_a_plane_from_behind_gives_no_camera() -> None:
    mm = np.array([[0, 0], [400, 0], [400, 300], [0, 300]], float)
    front = np.array([[300, 900], [1300, 900], [1300, 150], [300, 150]], float)
    size, focal = (1600, 1200), prior_focal_px((1600, 1200), 26.0)
    assert from_points(mm, front, size, (400, 300), focal) is not None
    assert from_points(mm, front[::-1], size, (400, 300), focal) is None
