"""The affine map of a scan: against other libraries, and whether its F tests keep their chances."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import scipy.stats
from numpy.typing import NDArray
from shapely.geometry import Polygon

from tests.calibration.bench import make_view
from tests.scan_maker import GlassCard as LyingCard
from tests.scan_maker import true_map
from tracer.calibration.scan_fit import (
    SIGNIFICANT,
    GlassCard,
    ScanFit,
    face_down_mm,
    fit_scan,
    perspective,
    strain,
)
from tracer.model.card import BOARD_MM, inner_corners_card_mm
from tracer.model.scan_map import ScanMap

Array = NDArray[np.float64]
NOISE_PX = 0.1
DPI = (300.0, 301.2)
ORIGIN = (0.0, 0.0, 0.0)


def seen(
    plane: ScanMap,
    rng: np.random.Generator,
    *,
    place: tuple[float, float, float] = ORIGIN,
    printed: float = 1.0,
    noise_px: float = NOISE_PX,
) -> GlassCard:
    """A card of the nominal size that was printed larger by a factor, its corners with noise."""
    size = (BOARD_MM[0] * printed, BOARD_MM[1] * printed)
    there = face_down_mm(inner_corners_card_mm(), place, size)
    points = plane.to_photo(there) + rng.normal(0, noise_px, (15, 2))
    return GlassCard(0, face_down_mm(inner_corners_card_mm(), ORIGIN, BOARD_MM), points)


def scanner(turn_deg: float = 0.0, shear: float = 0.0, dpi: tuple[float, float] = DPI) -> ScanMap:
    return true_map((210.0, 297.0), dpi, turn_deg=turn_deg, shear=shear)


def fitted(plane: ScanMap, seed: int = 0, noise_px: float = NOISE_PX) -> ScanFit:
    return fit_scan([seen(plane, np.random.default_rng(seed), noise_px=noise_px)])


def test_a_card_on_its_face_is_its_mirror_image() -> None:
    """Against shapely's own reflection: left and right change, top and bottom do not."""
    corners = inner_corners_card_mm()
    upright = Polygon(np.column_stack([corners[[0, 4, 10], 0], 112 - corners[[0, 4, 10], 1]]))
    for place in (ORIGIN, (30.0, -20.0, 0.7)):
        lying = LyingCard(0, *place).placed(upright)
        ours = face_down_mm(corners, place, BOARD_MM)[[0, 4, 10]]
        assert np.allclose(ours, np.asarray(lying.exterior.coords)[:3])
    # a shape that turns the other way round is a mirror image
    assert upright.exterior.is_ccw != Polygon(ours).exterior.is_ccw


@pytest.mark.parametrize("turn_deg", [0.0, 1.7, -88.0, 90.0, 179.5, -135.0])
def test_two_scales_and_a_turn_come_back(turn_deg: float) -> None:
    plane = scanner(turn_deg)
    found = fitted(plane, noise_px=0.0)
    assert not found.sheared
    assert np.allclose(found.to_px, plane.to_px, atol=1e-6)
    assert ScanMap("", plane.size_px, found.to_px).dpi == pytest.approx(DPI, abs=1e-6)


@pytest.mark.parametrize("shear", [0.003, -0.003])
def test_a_shear_comes_back_with_its_sign(shear: float) -> None:
    """3 mrad over a board are 5 px, fifty times the noise; its error 0.1 px / 500 px / root 7."""
    plane = scanner(10.0, shear)
    found = fitted(plane)
    assert found.sheared
    assert found.x[3] == pytest.approx(shear, abs=3e-4)
    away = ScanMap("", plane.size_px, found.to_px).to_sheet(plane.to_photo([[100, 250]]))
    assert np.allclose(away, [[100, 250]], atol=0.1)


def test_a_shear_that_is_not_there_is_not_taken() -> None:
    """Once in a thousand scans by chance: four of 300 would be met once in a few hundred runs."""
    taken = sum(fitted(scanner(3.0), seed).sheared for seed in range(300))
    assert taken < 4


def test_the_free_map_is_that_of_other_libraries() -> None:
    plane = scanner(10.0, 0.003)
    card = seen(plane, np.random.default_rng(1))
    ours = fit_scan([card]).to_px
    # numpy's least squares and OpenCV's, which weighs alike without outliers
    rows = np.column_stack([card.lying_mm, np.ones(15)])
    assert np.allclose(ours, np.linalg.lstsq(rows, card.points_px, rcond=None)[0].T, atol=1e-4)
    theirs, _ = cv2.estimateAffine2D(card.lying_mm, card.points_px, ransacReprojThreshold=50.0)
    assert np.allclose(ours[:, :2], theirs[:, :2], atol=1e-3)


def test_the_covariance_is_what_repetition_shows() -> None:
    """200 draws: a standard deviation is then known to 5 % (1 / sqrt(2 n)); three of these."""
    plane = scanner(3.0)
    draws = [fitted(plane, seed) for seed in range(200)]
    free = [k for k in range(6) if k != 3]
    spread = np.std([d.x[free] for d in draws], axis=0)
    stated = np.sqrt(np.mean([np.diag(d.covariance)[free] for d in draws], axis=0))
    assert np.allclose(spread / stated, 1.0, atol=0.15)
    assert np.median([d.sigma_px for d in draws]) == pytest.approx(NOISE_PX, rel=0.05)


def test_chances_of_perspective_are_even_for_scans() -> None:
    """If the test is an F test, its chances are uniform: Kolmogorov and Smirnov do not object.

    4000 draws show a chance that is out by 0.03 anywhere, as with a freedom miscounted by two.
    """
    plane = scanner(12.0, 0.002)
    chances = [perspective([seen(plane, np.random.default_rng(k))])[0] for k in range(4000)]
    assert scipy.stats.kstest(chances, "uniform").pvalue > 0.01


def test_chances_of_strain_are_even_for_cards_of_one_size() -> None:
    plane, chances = scanner(12.0, 0.002), []
    for k in range(300):
        rng = np.random.default_rng(k)
        cards = [seen(plane, rng), seen(plane, rng, place=(150.0, 130.0, 1.5))]
        chances.append(strain(cards)[0])
    assert scipy.stats.kstest(chances, "uniform").pvalue > 0.01


@pytest.mark.parametrize("tilt_deg", [2.0, 5.0, 15.0])
def test_a_photo_shows_perspective(tilt_deg: float) -> None:
    """From 600 mm, the change over a board of 168 mm is sin(tilt) 168 / 600."""
    view = make_view(height_mm=600.0, tilt_deg=tilt_deg, towards_deg=0.0)
    there = face_down_mm(inner_corners_card_mm(), (350.0, 250.0, 0.0), BOARD_MM)
    points = view.to_photo(there) + np.random.default_rng(0).normal(0, NOISE_PX, (15, 2))
    card = GlassCard(0, face_down_mm(inner_corners_card_mm(), ORIGIN, BOARD_MM), points)
    chance, change = perspective([card])
    assert chance < SIGNIFICANT
    assert change == pytest.approx(np.sin(np.radians(tilt_deg)) * 168 / 600, rel=0.1)


def test_a_second_card_tells_its_place_and_whether_it_agrees() -> None:
    plane, place = scanner(-4.0), (20.0, 140.0, 0.3)
    rng = np.random.default_rng(2)
    first = seen(plane, rng)
    found = fit_scan([first, seen(plane, rng, place=place)])
    assert found.places[0] == ORIGIN
    assert found.places[1] == pytest.approx(place, abs=0.02)  # 0.1 px are 0.008 mm
    chance, difference = strain([first, seen(plane, rng, place=place, printed=1.03)])
    assert chance < SIGNIFICANT
    assert difference == pytest.approx(0.03, abs=0.003)
