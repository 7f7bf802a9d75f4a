"""Mistakes that finding cards and solving for the camera invite, each with its proof.

Every test puts the trap into the data, and where a plain use of OpenCV steps into it, says so by
doing it. Figures in comments without a source are measured on these very pictures.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.benchmarks.calibration import compare
from tests.calibration.bench import (
    FOCAL_PX,
    RIM,
    SIZE_PX,
    Flaws,
    detect,
    draw_papers,
    make_photo,
    make_view,
    rim,
)
from tests.scene_maker import Scene, make_scene
from tests.scene_maker import make_view as scene_view
from tests.scene_parts import CARDS, Look
from tracer.calibration import CardSizes, calibrate
from tracer.calibration.calibrate import solve_lay
from tracer.calibration.detect import detect_cards, grey_of
from tracer.calibration.markers import charuco_board, find_markers
from tracer.errors import TracerError
from tracer.model.calibration import Calibration
from tracer.model.card import inner_corners_card_mm, on_sheet
from tracer.model.view import View

Array = NDArray[np.float64]
TYPED = CardSizes((168.0, 112.0))


def worst_corner_px(scene: Scene) -> float:
    """Largest error of any corner of any accepted card."""
    worst = 0.0
    for number, card in detect_cards(grey_of(scene.photo), "scene", 1200.0).cards.items():
        place = next(c for c in scene.cards if c.number == number)
        flat = on_sheet(inner_corners_card_mm(), (place.x_mm, place.y_mm, place.angle_rad))
        error = card.points_px - scene.view.to_photo(flat)[card.kept]
        worst = max(worst, float(np.hypot(*error.T).max()))
    return worst


def test_a_board_is_found_from_few_of_its_markers() -> None:
    """4 px a module and a blur of 1.5 px: the board detector's own search loses most corners."""
    scene = make_scene(look=Look(blur_px=1.5))
    grey = grey_of(scene.photo)
    by_board = 0
    for card in scene.cards:
        corners, *_ = cv2.aruco.CharucoDetector(charuco_board(card.number)).detectBoard(grey)
        by_board += 0 if corners is None else len(corners)
    ours = detect_cards(grey, "scene", 1200.0).cards
    assert by_board < 30, "the trap is not in the picture"
    assert [len(ours[card.number].kept) for card in scene.cards] == [15] * 4


def test_small_markers_of_a_large_picture_are_seen() -> None:
    """The detector's least size is a share of the picture: cards of a wide lay fall below it."""
    scene = make_scene(view=scene_view((1000, 750)), look=Look(blur_px=0.5))
    large = np.full((3024, 4032), 120, np.uint8)
    large[1200:1950, 1500:2500] = grey_of(scene.photo)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    plain = cv2.aruco.ArucoDetector(dictionary).detectMarkers(large)[1]
    assert plain is None or len(plain) < 5, "the trap is not in the picture"
    assert {c.number for c in scene.cards} <= set(detect_cards(large, "wide", 3000.0).cards)


def test_codes_that_belong_to_no_card_are_ignored() -> None:
    """The family has 587 codes, 48 cards use 576: the last ones would be a 49th card."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    assert len(dictionary.bytesList) == 587
    picture = np.full((400, 700), 255, np.uint8)
    for k, code in enumerate((575, 576, 580)):
        picture[100:300, 20 + 230 * k : 220 + 230 * k] = dictionary.generateImageMarker(code, 200)
    assert list(find_markers(picture)) == [575 // 12]


class Reshaped:
    """A marker detector that answers in the shapes of another OpenCV release."""

    def __init__(self, inner: cv2.aruco.ArucoDetector, flat: bool) -> None:
        self.inner, self.flat = inner, flat

    def detectMarkers(self, grey: NDArray[np.uint8]) -> tuple[object, object, object]:
        corners, ids, rejected = self.inner.detectMarkers(grey)
        if ids is None:
            return corners, ids, rejected
        shape = (4, 2) if self.flat else (1, 4, 2)
        corners = tuple(np.asarray(c).reshape(shape) for c in corners)
        return corners, np.asarray(ids).reshape((-1,) if self.flat else (-1, 1)), rejected


@pytest.mark.parametrize("flat", [False, True])
def test_either_shape_of_the_detectors_answer_will_do(
    flat: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """OpenCV 4 answers ids as (M, 1), OpenCV 5 as (M,)."""
    grey = grey_of(make_scene(size_px=(1000, 750)).photo)
    plain = cv2.aruco.ArucoDetector
    monkeypatch.setattr(cv2.aruco, "ArucoDetector", lambda *a: Reshaped(plain(*a), flat))
    found = find_markers(grey)
    assert sorted(found) == [c.number for c in CARDS]
    assert all(card.corners_px.shape == (len(card.places), 4, 2) for card in found.values())


@pytest.mark.parametrize("blur", [3.0, 4.0, 5.0])
def test_a_false_lock_is_no_measure(blur: float) -> None:
    """Blurred by half a module, the codes still decode while corners are pixels off."""
    view = scene_view((1200, 900), height_mm=400.0, above_mm=(90.0, 60.0))
    scene = make_scene(view=view, look=Look(blur_px=blur), cards=CARDS[:1])
    try:
        assert worst_corner_px(scene) < 0.5
    except TracerError as refused:
        assert refused.slug in {"photo-blurred", "no-card"}


def lay(
    papers: dict[int, Array], view: View, noise_px: float = 0.1, seed: int = 0, **more: object
) -> Calibration:
    rng = np.random.default_rng(seed)
    photo = make_photo(view, more.pop("focal_35mm", 26.0))  # type: ignore[arg-type]
    return solve_lay([photo], [detect(view, papers, noise_px, rng)], **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("tilt_deg", [0.0, 1.5, 3.0, 12.0])
def test_the_mirrored_pose_of_a_board_is_not_taken(tilt_deg: float) -> None:
    """A board seen from nearly above has two likely poses that mirror each other's tilt."""
    for towards in range(0, 360, 60):
        view = make_view(tilt_deg=tilt_deg, towards_deg=towards, height_mm=700.0)
        place = (366.0, 244.0, 0.0)
        papers = draw_papers({4: place}, Flaws(), np.random.default_rng(towards))
        solved = lay(papers, view, seed=towards)
        found = np.degrees(np.arccos(-solved.views[0].R[2, 2]))
        # one card 700 mm away: its tilt is known to about 1 degree
        assert abs(found - tilt_deg) < 3.0
        corners = np.array([[0.0, 0.0], [168.0, 0.0], [168.0, 112.0], [0.0, 112.0]])
        seen = solved.views[0].to_sheet(view.to_photo(corners + place[:2]))
        assert np.abs(seen - corners).max() < 0.2


def test_a_card_that_leans_on_something_is_named() -> None:
    """It is as flat as the others: each card by itself looks sound."""
    flat = draw_papers(rim(5), Flaws(0.1, 0.0002, 0.05), np.random.default_rng(3))
    leaning = flat[1].copy()
    reach = leaning[:, 0] - leaning[:, 0].min()
    leaning[:, 0] -= reach * (1 - np.cos(np.radians(8)))
    leaning[:, 2] += reach * np.sin(np.radians(8))
    view = make_view()
    sound = lay(flat, view)
    assert all(card.used for card in sound.cards)
    solved = lay({**flat, 1: leaning}, view)
    assert [card.number for card in solved.cards if not card.used] == [1]
    assert compare(solved, [view], 100.0)["photos"][0]["map_rms_mm"] < 0.3


def test_the_stated_error_is_that_of_shapes_not_of_the_frame() -> None:
    """Held at the first card, it would grow with the distance from it for no reason of shape."""
    solved = lay(draw_papers(rim(4), Flaws(), np.random.default_rng(1)), make_view(), 0.15)
    middles = np.array([[RIM[k][0] + 84, RIM[k][1] + 56] for k in range(4)])
    sigma = solved.sigma.at(middles)
    assert sigma.max() < 1.5 * sigma.min()


def test_focusing_between_shots_is_allowed_for() -> None:
    """Autofocus changes the focal length by up to a hundredth from photo to photo."""
    views = [
        make_view("a", shift_mm=(-300.0, 0.0), aim=True, focal_px=FOCAL_PX * 1.007),
        make_view("b", shift_mm=(300.0, 0.0), aim=True, focal_px=FOCAL_PX * 0.993),
        make_view("c", tilt_deg=1.0, focal_px=FOCAL_PX * 1.007),
    ]
    rng = np.random.default_rng(5)
    papers = draw_papers(rim(5), Flaws(0.15, 0.0002, 0.05), rng)
    seen = [detect(v, papers, 0.15, rng) for v in views]
    solved = solve_lay([make_photo(v) for v in views], seen)
    assert all(card.used for card in solved.cards)
    for row in compare(solved, views, 100.0)["photos"]:
        assert row["map_rms_mm"] < 0.15
        assert abs(row["height_z"]) < 3.0


@pytest.mark.parametrize("bend", [-0.08, 0.08])
@pytest.mark.parametrize("stretch", [0.97, 1.03])
def test_neither_focal_length_nor_lens_is_frozen(bend: float, stretch: float) -> None:
    """Held at the file's focal length and at no bend, the map would be 1 to 2 mm wrong."""
    view = make_view(tilt_deg=12.0, focal_px=FOCAL_PX * stretch, dist=(bend, 0, 0, 0, 0))
    solved = lay(draw_papers(rim(8), Flaws(), np.random.default_rng(2)), view)
    row = compare(solved, [view], 100.0)["photos"][0]
    assert row["map_rms_mm"] < 0.15
    assert abs(row["height_z"]) < 3.0


def test_a_rounded_focal_length_is_not_believed_to_the_last_digit() -> None:
    """26 mm in the file means 25.5 to 26.5: seen from above nothing corrects it."""
    view = make_view(tilt_deg=0.0, focal_px=FOCAL_PX * 1.02)
    solved = lay(draw_papers(rim(4), Flaws(), np.random.default_rng(4)), view)
    height_sigma = float(np.sqrt(solved.pose_cov["a"][2, 2]))
    assert abs(solved.views[0].height_mm - 1500.0) < 2.5 * height_sigma
    assert height_sigma > 0.015 * 1500.0


def test_an_ultra_wide_lens_is_warned_about() -> None:
    focal = FOCAL_PX / 2
    view = make_view(height_mm=750.0, focal_px=focal, dist=(-0.02, 0, 0, 0, 0))
    papers = draw_papers(rim(6), Flaws(), np.random.default_rng(6))
    wide = lay(papers, view, focal_35mm=13.0)
    assert "lens-ultra-wide" in {c.slug for c in wide.checks}
    usual = lay(papers, make_view())
    assert "lens-ultra-wide" not in {c.slug for c in usual.checks}


def test_without_a_focal_length_in_the_file_the_map_holds() -> None:
    """Only the camera's height suffers, and that is said where tilt does not show it."""
    scene = make_scene(view=scene_view((1600, 1200), tilt_deg=1.0))
    bare = replace(scene.photo, focal_35mm=None)
    solved = calibrate([bare], card_sizes=TYPED)
    grid = np.array([[x, y] for x in range(0, 700, 100) for y in range(0, 500, 100)], float)
    error = solved.views[0].to_sheet(scene.view.to_photo(grid)) - grid
    assert np.sqrt(np.mean(error**2)) < 0.3
    assert "camera-height-unsure" in {c.slug for c in solved.checks}


def test_quarter_of_the_width_cut_off_moves_no_tool_far() -> None:
    """A crop moves the lens's middle off the picture's: nadir and heights would follow it."""
    view = make_view(tilt_deg=6.0)
    papers = draw_papers(rim(6), Flaws(), np.random.default_rng(7))
    cut = 700
    K = view.K.copy()
    K[0, 2] -= cut
    left = View(view.photo_id, (SIZE_PX[0] - cut, SIZE_PX[1]), K, view.dist, view.R, view.t)
    kept = {
        number: corners
        for number, corners in papers.items()
        if (left.to_photo(corners)[:, 0] > 10).all()
    }
    assert len(kept) >= 3
    row = compare(lay(kept, left), [left], 100.0)["photos"][0]
    # believed to be whole, the picture gives a nadir 100 mm off with a stated 7 mm
    assert abs(row["height_z"]) < 3.0
    assert row["map_rms_mm"] < 0.4
