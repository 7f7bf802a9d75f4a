"""Finding cards in rendered pictures with exact truth, and refusing those that show none."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from tests.scene_maker import Scene, make_scene, make_view
from tests.scene_parts import CARDS, Look
from tracer.calibration import CardSizes, calibrate
from tracer.calibration.codes import MARKERS_PER_CARD, dictionary, dictionary_of, possible_cards
from tracer.calibration.detect import _lowest, blur_px, detect_cards, grey_of
from tracer.errors import TracerError
from tracer.model.card import inner_corners_card_mm, on_sheet
from tracer.model.photo import Photo

TYPED = CardSizes((168.0, 112.0))


@pytest.fixture(scope="module")
def scene() -> Scene:
    return make_scene(size_px=(2000, 1500))


def corner_errors(scene: Scene) -> NDArray[np.float64]:
    """Found minus true (N, 2) of all corners, px."""
    found = detect_cards(grey_of(scene.photo), "scene", 1500.0)
    errors = []
    for card in scene.cards:
        assert len(found.cards[card.number].kept) == 15
        size = (168 * card.scale, 112 * card.scale)
        flat = on_sheet(inner_corners_card_mm(), (card.x_mm, card.y_mm, card.angle_rad), size)
        errors.append(found.cards[card.number].points_px - scene.view.to_photo(flat))
    return np.vstack(errors)


@pytest.mark.parametrize("blur", [0.7, 1.5, 2.2])
def test_corners_are_exact_in_spite_of_blur(blur: float) -> None:
    scene = make_scene(size_px=(2000, 1500), look=Look(blur_px=blur))
    radial = np.hypot(*corner_errors(scene).T)
    # 0.02 to 0.03 px from noise; JPEG and the renderer's three samples a pixel add the rest
    assert np.sqrt(np.mean(radial**2)) < 0.08
    assert radial.max() < 0.3


def test_calibration_of_a_rendered_photo(scene: Scene) -> None:
    calibration = calibrate([scene.photo], card_sizes=TYPED)
    assert all(card.used for card in calibration.cards)
    assert calibration.checks == ()
    grid = np.array([[x, y] for x in range(0, 700, 100) for y in range(0, 500, 100)], float)
    error = calibration.views[0].to_sheet(scene.view.to_photo(grid)) - grid
    assert np.sqrt(np.mean(error**2)) < 0.15
    assert calibration.views[0].photo_id == scene.photo.photo_id


@pytest.mark.parametrize("blur", [0.7, 2.2])
@pytest.mark.parametrize("shrink", [1, 2, 3])
def test_a_rough_reading_first_loses_no_marker(blur: float, shrink: int) -> None:
    """The library, asked for possible cards only, finds what it finds when asked for all codes."""
    grey = grey_of(make_scene(size_px=(2000, 1500), look=Look(blur_px=blur)).photo)
    grey = np.ascontiguousarray(grey[::shrink, ::shrink])
    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = 0.02
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary(), parameters).detectMarkers(grey)
    possible = possible_cards(grey, parameters)
    assert {int(i) // MARKERS_PER_CARD for i in np.ravel(ids)} <= set(possible.tolist())
    assert len(possible) < 16  # of 48: a reading that lets everything pass would save nothing
    names = (possible[:, None] * MARKERS_PER_CARD + np.arange(MARKERS_PER_CARD)).ravel()
    detector = cv2.aruco.ArucoDetector(dictionary_of(names), parameters)
    same_corners, places, _ = detector.detectMarkers(grey)
    assert names[np.ravel(places)].tolist() == np.ravel(ids).tolist()
    np.testing.assert_array_equal(same_corners, corners)


@pytest.mark.parametrize("middle", [-0.34, -0.1, 0.0, 0.21, 0.35])
def test_the_bottom_of_a_valley_is_found_as_by_the_library_of_optimisers(middle: float) -> None:
    def valley(x: float) -> float:
        return float(np.log((x - middle) ** 2 + 0.003) + (x / 0.4) ** 2)

    exact = {"xatol": 1e-7}
    wanted = minimize_scalar(valley, bounds=(-0.35, 0.35), method="bounded", options=exact)
    # each is within its width: half of 0.002 here, 1e-7 there
    assert _lowest(valley, -0.35, 0.35, 2e-3) == pytest.approx(wanted.x, abs=1.001e-3)


def changed(scene: Scene, pixels: NDArray[np.uint8], **fields: object) -> Photo:
    return replace(scene.photo, pixels=np.ascontiguousarray(pixels), **fields)  # type: ignore[arg-type]


def refusal(photo: Photo) -> str:
    with pytest.raises(TracerError) as caught:
        calibrate([photo], card_sizes=TYPED)
    assert str(caught.value).endswith(".")
    return caught.value.slug


def test_mirrored(scene: Scene) -> None:
    assert refusal(changed(scene, scene.photo.pixels[:, ::-1])) == "photo-mirrored"


def test_too_dark(scene: Scene) -> None:
    noise = np.random.default_rng(1).normal(0, 2, scene.photo.pixels.shape)
    dark = np.clip(0.05 * scene.photo.pixels + noise, 0, 255).astype(np.uint8)
    assert refusal(changed(scene, dark)) == "photo-too-dark"


def test_dim_is_only_warned_about(scene: Scene) -> None:
    dim = (0.25 * scene.photo.pixels).astype(np.uint8)
    checks = calibrate([changed(scene, dim)], card_sizes=TYPED).checks
    assert "photo-dim" in {c.slug for c in checks}


@pytest.mark.parametrize("sigma", [6.0, 12.0])
def test_too_blurred(scene: Scene, sigma: float) -> None:
    blurred = cv2.GaussianBlur(scene.photo.pixels, (0, 0), sigma)
    assert refusal(changed(scene, blurred)) == "photo-blurred"


def test_blur_is_measured(scene: Scene) -> None:
    grey = grey_of(scene.photo)
    for sigma in (1.5, 3.0):
        measured = blur_px(cv2.GaussianBlur(grey, (0, 0), sigma))
        assert 0.7 * sigma < measured < 1.5 * sigma


def test_no_card() -> None:
    assert refusal(make_scene(cards=(), size_px=(1600, 1200)).photo) == "no-card"


def test_number_twice() -> None:
    double = (*CARDS[:3], replace(CARDS[3], number=CARDS[0].number))
    photo = make_scene(cards=double, size_px=(2000, 1500)).photo
    with pytest.raises(TracerError, match=f"number {CARDS[0].number}") as caught:
        calibrate([photo], card_sizes=TYPED)
    assert caught.value.slug == "card-number-twice"


def test_one_card_of_another_print_size_is_named() -> None:
    cards = (CARDS[0], replace(CARDS[1], scale=0.97), *CARDS[2:])
    calibration = calibrate([make_scene(cards=cards, size_px=(2000, 1500)).photo])
    assert [c.number for c in calibration.cards if not c.used] == [CARDS[1].number]
    assert "smaller than its stated size" in calibration.cards[1].reason


def test_covered_corners_are_left_out_one_by_one(scene: Scene) -> None:
    """A tool on part of a card costs its corners, not the card."""
    pixels = scene.photo.pixels.copy()
    x, y = scene.view.to_photo(on_sheet([[40, 40]], (CARDS[0].x_mm, CARDS[0].y_mm, 0.0)))[0]
    cv2.circle(pixels, (round(x), round(y)), 55, (60, 60, 60), -1)
    found = detect_cards(grey_of(changed(scene, pixels)), "scene", 1500.0)
    assert 6 <= len(found.cards[CARDS[0].number].kept) < 15


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_turned_photos(scene: Scene, turns: int) -> None:
    """However the camera was held, heights and nadir stay."""
    straight = calibrate([scene.photo], card_sizes=TYPED)
    turned = changed(scene, np.rot90(scene.photo.pixels, turns), quarter_turns=turns)
    found = calibrate([turned], card_sizes=TYPED)
    assert found.views[0].height_mm == pytest.approx(straight.views[0].height_mm, abs=1.0)
    assert np.allclose(found.views[0].nadir_mm, straight.views[0].nadir_mm, atol=1.0)


def test_small_crop_of_a_photo() -> None:
    view = make_view((640, 480), height_mm=700.0)
    calibration = calibrate([make_scene(view=view).photo], card_sizes=TYPED)
    assert sum(card.used for card in calibration.cards) >= 2  # 2 px a module; two lie whole inside


def test_cropped_photo_is_recognised() -> None:
    """Cut from the side of a larger photo: sound cards must not be blamed for it."""
    view = make_view((2000, 1400), tilt_deg=10.0, height_mm=900.0)
    whole = make_scene(view=view)
    left = 330
    photo = changed(whole, whole.photo.pixels[:, left:])
    calibration = calibrate([photo], card_sizes=TYPED)
    assert all(card.used for card in calibration.cards)
    grid = np.array([[100.0, 150.0], [400.0, 150.0], [400.0, 350.0]])
    found = calibration.views[0].to_sheet(whole.view.to_photo(grid) - (left, 0))
    assert np.abs(found - grid).max() < 2.0
