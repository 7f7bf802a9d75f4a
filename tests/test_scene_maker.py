"""The test renderer against things it does not know of: OpenCV's detector and shapely's areas."""

from __future__ import annotations

import cv2
import numpy as np
from shapely.geometry import box

from tests.scene_maker import make_scene, make_view, seen_from
from tests.scene_parts import CARDS, Look, Tool


def test_card_corners_lie_where_the_view_says() -> None:
    """OpenCV's marker detector as the judge (its corners are good to about 0.2 px here)."""
    scene = make_scene(look=Look(blur_px=0.5, noise_dn=0.5))
    grey = cv2.cvtColor(scene.photo.pixels, cv2.COLOR_RGB2GRAY)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(grey)
    assert set(ids.ravel() // 12) == {0, 1, 2, 3}
    errors = []
    for card in CARDS:
        board = cv2.aruco.CharucoBoard(
            (6, 4), 28.0, 21.0, dictionary, np.arange(12 * card.number, 12 * card.number + 12)
        )
        for number, points in zip(board.getIds().ravel(), board.getObjPoints(), strict=True):
            hit = np.flatnonzero(ids.ravel() == number)
            if len(hit):
                u, v = points[:, 0], 112 - points[:, 1]
                c, s = np.cos(card.angle_rad), np.sin(card.angle_rad)
                sheet = np.column_stack([card.x_mm + c * u - s * v, card.y_mm + s * u + c * v])
                errors.append(corners[hit[0]].reshape(4, 2) - scene.view.to_photo(sheet))
    assert len(errors) >= 40
    assert np.abs(np.mean(np.vstack(errors), axis=0)).max() < 0.1
    assert np.std(np.vstack(errors)) < 0.8  # the detector rounds corners to whole pixels


def test_silhouette_of_a_box_is_its_base_and_its_lifted_top() -> None:
    """Relief displacement: a top at h moves away from the foot point by r h / (H - h)."""
    eye = np.array([0.0, 0.0, 1000.0])
    seen = seen_from(box(100, -10, 200, 10), 100.0, eye)
    x0, _, x1, y1 = seen.bounds
    assert np.isclose(x0, 100) and np.isclose(x1, 200 * 1000 / 900)
    assert np.isclose(y1, 10 * 1000 / 900)


def test_dark_tool_covers_its_silhouette() -> None:
    tool = Tool(box(250, 150, 400, 230), 5.0, "black rubber")
    view = make_view((1200, 900))
    scene = make_scene([tool], view=view, look=Look(ground="white paper", blur_px=0, noise_dn=0))
    values = scene.photo.pixels[..., 1].astype(float) / 255
    linear = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    corners = view.to_photo(np.array(tool.plan.exterior.coords)).astype(int)
    x0, y0 = corners.min(axis=0) - 8
    x1, y1 = corners.max(axis=0) + 8
    dark = float(np.sum(linear[y0:y1, x0:x1] < 0.1))
    area = scene.silhouettes[0].area / float(view.mm_per_px([[325, 190]])[0]) ** 2
    # half a pixel along the rim would be 0.5 * 780 px of 28 000: 1.4 %
    assert abs(dark / area - 1) < 0.01
