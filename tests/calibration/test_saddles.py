"""Saddles, lattices, codes and markers of drawn pictures whose truth is known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.calibration.bench import (
    BOARD_MM,
    lone_card,
    make_view,
)
from tracer.calibration.codes import BITS, _read, dictionary
from tracer.calibration.detect import _lattice_sigma, _neighbours, _straighten
from tracer.calibration.markers import _merge, _windows, charuco_board, marker_corners_card_mm
from tracer.calibration.saddle import (
    apply_homography,
    fit_homography,
    fit_lattice,
    fit_saddles,
)
from tracer.model.card import inner_corners_card_mm


def lattice_picture(homography: np.ndarray, size=(260, 360), blur: float = 1.0) -> np.ndarray:
    """A chessboard of 7 by 5 squares of unit size, drawn three times as large and shrunk."""
    fine = 3
    y, x = np.mgrid[: size[0] * fine, : size[1] * fine]
    px = np.column_stack([(x.ravel() + 0.5) / fine - 0.5, (y.ravel() + 0.5) / fine - 0.5])
    at = apply_homography(np.linalg.inv(homography), px)
    dark = (np.floor(at).astype(int).sum(axis=1) % 2 == 0) & (at > 0).all(axis=1)
    dark &= (at < (7, 5)).all(axis=1)
    grey = np.where(dark, 40.0, 200.0).reshape(size[0], fine, size[1], fine).mean(axis=(1, 3))
    return cv2.GaussianBlur(grey, (0, 0), blur).astype(np.uint8)


INNER = np.array([(x, y) for y in range(1, 5) for x in range(1, 7)], float)
PAIRS = np.array(
    [
        (i, j)
        for i in range(24)
        for j in range(24)
        if np.abs(INNER[i] - INNER[j]).sum() == 1 and i < j
    ]
)
TILTED = np.array([[40.0, 3.0, 30.0], [-2.0, 38.0, 35.0], [2e-3, 1e-3, 1.0]])


def test_a_lattice_is_found_where_it_was_drawn_and_its_noise_is_small() -> None:
    true = apply_homography(TILTED, INNER)
    rough = TILTED + np.array([[0, 0, 1.5], [0, 0, -1.0], [0, 0, 0]])
    found = fit_lattice(lattice_picture(TILTED), INNER, PAIRS, rough)
    assert found is not None and len(found.kept) == 24
    away = found.points_px - true[found.kept]
    assert np.abs(away).max() < 0.1
    # the stated noise is that of the points beside the best homography, over 2 K - 8
    best = fit_homography(INNER, found.points_px)
    assert best is not None
    ssr = np.sum((found.points_px - apply_homography(best, INNER)) ** 2)
    assert found.sigma_px == pytest.approx(np.sqrt(ssr / (48 - 8)), rel=0.05)
    assert found.sigma_px < 0.05
    steps = np.linalg.norm(true[PAIRS[:, 0]] - true[PAIRS[:, 1]], axis=1)
    assert found.spacing_px == pytest.approx(steps.min(), abs=0.5)


def test_too_small_or_too_bare_a_lattice_is_none() -> None:
    picture = lattice_picture(TILTED)
    assert fit_lattice(picture, INNER, PAIRS, TILTED @ np.diag([0.08, 0.08, 1.0])) is None
    assert fit_lattice(np.full_like(picture, 90), INNER, PAIRS, TILTED) is None
    assert fit_homography(INNER[:3], INNER[:3]) is None


def test_a_covered_saddle_is_left_out_and_the_rest_stays() -> None:
    picture = lattice_picture(TILTED)
    true = apply_homography(TILTED, INNER)
    x, y = np.round(true[7]).astype(int)
    picture[y - 12 : y + 13, x - 12 : x + 13] = 120
    found = fit_lattice(picture, INNER, PAIRS, TILTED)
    assert found is not None
    assert 7 not in found.kept and len(found.kept) >= 20
    assert np.abs(found.points_px - true[found.kept]).max() < 0.15


@given(st.floats(-0.4, 0.4), st.floats(-0.4, 0.4), st.floats(0.3, 3.0), st.floats(-1.6, 1.6))
@settings(max_examples=25, deadline=None)
def test_the_saddle_of_a_smooth_surface_is_its_saddle(dx, dy, strength, turn) -> None:
    """I = 128 + k (u^2 - v^2), turned: the saddle is known, its strength is 4 k."""
    y, x = np.mgrid[:41, :41].astype(float)
    u = (x - 20 - dx) * np.cos(turn) + (y - 20 - dy) * np.sin(turn)
    v = -(x - 20 - dx) * np.sin(turn) + (y - 20 - dy) * np.cos(turn)
    grey = np.clip(np.round(128 + strength / 4 * (u**2 - v**2)), 0, 255).astype(np.uint8)
    found = fit_saddles(grey, [[21.0, 19.0]], 4.0)
    # whole grey levels leave some hundredths of a pixel
    assert found.points_px[0] == pytest.approx([20 + dx, 20 + dy], abs=0.12 / strength)
    assert found.strength[0] == pytest.approx(strength / 2, rel=0.1, abs=0.02)
    bowl = np.clip(128 + (u**2 + v**2) / 8, 0, 255).astype(np.uint8)
    none = fit_saddles(bowl, [[21.0, 19.0]], 4.0)
    assert none.strength[0] == 0.0 and none.points_px[0].tolist() == [21.0, 19.0]
    outside = fit_saddles(grey, [[-5.0, 20.0], [20.0, 200.0], [0.5, 20.0]], 4.0)
    assert outside.strength.tolist() == [0, 0, 0]
    assert outside.points_px[0].tolist() == [-5.0, 20.0]


@pytest.mark.parametrize("bend", [-0.2, 0.1])
def test_points_are_straightened_by_the_lens_that_bent_them(bend: float) -> None:
    """x_d = x (1 + k1 r^2), r over the focal length (D. C. Brown, 1966), about the middle."""
    ideal = np.array([[0.0, 0.0], [900.0, 300.0], [-700.0, -500.0], [100.0, -650.0]])
    radius2 = np.sum((ideal / 3000.0) ** 2, axis=1, keepdims=True)
    bent = ideal * (1 + bend * radius2) + (999.5, 749.5)
    assert _straighten(bent, bend, (1500, 2000), 3000.0) == pytest.approx(ideal, abs=0.02)


def test_noise_of_a_flat_card_is_that_of_its_corners() -> None:
    rng = np.random.default_rng(4)
    card = lone_card(make_view(tilt_deg=10.0), (300.0, 100.0, 0.3))
    assert _lattice_sigma(card, card.points_px) < 1e-3
    found = [_lattice_sigma(card, card.points_px + rng.normal(0, 0.3, (15, 2))) for _ in range(300)]
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(0.3, rel=0.06)


def test_neighbours_are_the_corners_one_square_apart() -> None:
    apart = inner_corners_card_mm()[_neighbours()]
    steps = np.abs(apart[:, 0] - apart[:, 1])
    assert (np.sort(steps, axis=1) == (0.0, 28.0)).all()
    assert len(np.unique(np.sort(_neighbours(), axis=1), axis=0)) == 4 * 3 + 5 * 2


def test_codes_are_read_to_the_pictures_very_edge() -> None:
    """A marker whose last row and column of bits fall on the rim of the picture."""
    marker = dictionary().generateImageMarker(17, BITS + 2)  # one pixel a bit
    bits = np.where(marker[1:-1, 1:-1] > 0, 1.0, -1.0).ravel()
    big = np.kron(marker, np.ones((10, 10), np.uint8))
    side = 10 * (BITS + 2)
    corners = np.array(
        [[-0.5, -0.5], [side - 0.5, -0.5], [side - 0.5, side - 0.5], [-0.5, side - 0.5]]
    )
    assert _read(big, corners[None].astype(np.float32))[0] == pytest.approx(bits)
    # cut off in the middle of the last bits on each side: what is left of them is read
    for turn in range(4):
        turned = np.ascontiguousarray(np.rot90(big, turn))
        cut = turned[: side - 16, : side - 16]
        found = _read(cut, corners[None].astype(np.float32))[0]
        wanted = np.rot90(np.where(marker > 0, 1.0, -1.0), turn)[1:-1, 1:-1]
        assert found.reshape(BITS, BITS) == pytest.approx(wanted)


def test_bits_on_the_very_last_row_and_column_are_read() -> None:
    """One pixel a bit, and the picture ends with the last of them: nothing beyond is needed."""
    marker = dictionary().generateImageMarker(17, BITS + 2)
    side = BITS + 2
    corners = np.array([[0.0, 0.0], [side, 0.0], [side, side], [0.0, side]]) - 0.5
    for turn in range(4):
        turned = np.ascontiguousarray(np.rot90(marker, turn))
        wanted = np.where(turned[1:-1, 1:-1] > 0, 1.0, -1.0).ravel()
        for first in (0, 1):  # the rim on the right and below, then on the left and above
            cut = np.ascontiguousarray(turned[first:, first:][: side - 1, : side - 1])
            there = (corners - first)[None].astype(np.float32)
            assert _read(cut, there)[0] == pytest.approx(wanted)


def test_markers_of_a_card_are_its_own() -> None:
    for number in (0, 3):
        ids = charuco_board(number).getIds().ravel()
        assert ids.tolist() == list(range(12 * number, 12 * number + 12))
    corners = marker_corners_card_mm()
    assert corners.shape == (12, 4, 2)
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    assert sides == pytest.approx(np.full((12, 4), 21.0))
    assert (corners >= 0).all() and (corners <= BOARD_MM).all()


def test_a_marker_found_again_nearby_replaces_and_elsewhere_is_a_second() -> None:
    square = np.array([[0.0, 0], [10, 0], [10, 10], [0, 10]])
    seen: dict[int, list[np.ndarray]] = {}
    _merge(seen, np.array([square, square + 300]), [5, 6])
    _merge(
        seen, np.array([square + np.array([13.0, 0.0])]), [5]
    )  # less than a diagonal, 14.1, away
    assert [len(seen[5]), len(seen[6])] == [1, 1] and seen[5][0][0].tolist() == [13.0, 0.0]
    _merge(seen, [square + np.array([28.0, 0.0])], [5])
    assert len(seen[5]) == 2


def test_windows_hold_the_cards_that_lack_markers() -> None:
    """Five markers of a card, flat in the picture at 2 px a millimetre."""
    corners = 2.0 * marker_corners_card_mm() + (100.0, 60.0)
    few = {k: [corners[k]] for k in range(5)}
    (window,) = _windows(few, (600, 800))
    rows, columns = window
    assert columns.start <= 100 and columns.stop >= 100 + 2 * 168
    assert rows.start <= 60 and rows.stop >= 60 + 2 * 112
    assert columns.stop - columns.start < 2 * 168 + 100 and rows.stop - rows.start < 2 * 112 + 100
    # cut by the picture, it ends there; with all its markers there is none
    (cut,) = _windows(few, (150, 300))
    assert (cut[0].stop, cut[1].stop) == (150, 300)
    assert _windows({k: [corners[k]] for k in range(12)}, (600, 800)) == []
