"""Blur, darkness and valleys of drawn pictures, against the formula that each goes by."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from tests.calibration.bench import lone_card, make_view
from tracer.calibration import detect
from tracer.calibration.detect import (
    BLUR_LIMIT_MM,
    BLUR_LIMIT_PX,
    DARK_LEVEL,
    SQUARE_MM,
    _flattest_bend,
    _lowest,
    blur_px,
    detect_cards,
)
from tracer.errors import TracerError


@pytest.mark.parametrize("sigma", [1.0, 2.5, 5.0])
@pytest.mark.parametrize("contrast", [40.0, 180.0])
def test_the_blur_of_a_step_is_its_gaussians(sigma: float, contrast: float) -> None:
    picture = np.full((120, 160), 30.0)
    picture[:, 80:] += contrast
    # of a wide blur the window of 25 px cuts the tails off
    grey = np.round(cv2.GaussianBlur(picture, (0, 0), sigma)).astype(np.uint8)
    assert blur_px(grey) == pytest.approx(sigma, rel=0.15, abs=0.3)


def test_a_picture_without_an_edge_has_no_blur() -> None:
    assert blur_px(np.full((80, 80), 120, np.uint8)) == 0.0
    faint = np.full((80, 80), 120, np.uint8)
    faint[:, 40:] += 6
    assert blur_px(faint) == 0.0
    faint[:, 40:] += 6  # twelve levels are an edge, as sharp as pixels are
    assert 0 < blur_px(faint) < 1.2


@pytest.mark.parametrize(("low", "high"), [(-0.35, 0.35), (2.0, 9.0)])
@pytest.mark.parametrize("share", [0.02, 0.31, 0.77, 0.98])
def test_a_valley_is_found_to_its_width_in_few_steps(low: float, high: float, share: float) -> None:
    """Each step leaves 0.618 of the stretch (J. Kiefer, 1953)."""
    bottom = low + share * (high - low)
    asked = []

    def valley(x: float) -> float:
        asked.append(x)
        return abs(x - bottom) + 0.5 * (x - bottom) ** 2

    width = (high - low) / 300
    assert _lowest(valley, low, high, width) == pytest.approx(bottom, abs=width / 2 + 1e-9)
    steps = np.ceil(np.log(1 / 300) / np.log((np.sqrt(5) - 1) / 2))
    assert len(asked) == 2 + steps
    assert all(low <= x <= high for x in asked)


@pytest.mark.parametrize("bend", [-0.15, 0.0, 0.12])
def test_the_bend_with_which_cards_are_flattest_is_the_lenss(bend: float) -> None:
    """It is held towards none by 0.2: with cards at the rim that costs a tenth."""
    view = make_view(dist=(bend, 0.0, 0.0, 0.0, 0.0), tilt_deg=3.0)
    places = [(-150.0, -80.0, 0.0), (800.0, -60.0, 0.4), (820.0, 560.0, -0.3), (-140.0, 550.0, 1.0)]
    cards = [lone_card(view, place) for place in places]
    shape = (view.size_px[1], view.size_px[0])
    assert _flattest_bend(cards, shape, view.K[0, 0]) == pytest.approx(bend, abs=0.03)
    assert _flattest_bend([], shape, 3000.0) == 0.0


def test_noise_of_one_card_in_the_middle_bends_no_lens() -> None:
    """What the cards do not tell stays at none: without that the noise would decide."""
    view = make_view(tilt_deg=3.0)
    card, rng = lone_card(view, (366.0, 244.0, 0.0)), np.random.default_rng(1)
    for _ in range(6):
        noisy = replace(card, points_px=card.points_px + rng.normal(0, 0.2, card.points_px.shape))
        shape = (view.size_px[1], view.size_px[0])
        assert _flattest_bend([noisy], shape, view.K[0, 0]) == pytest.approx(0.0, abs=0.03)


def asked(monkeypatch: pytest.MonkeyPatch, blur: float, white: float, spacing: float) -> str:
    """What is said of a picture of such quality, with two cards of such and finer squares."""
    seen = lone_card(make_view(), (300.0, 100.0, 0.0))
    cards = [SimpleNamespace(doubled=False)] * 2
    made = {k: detect.SeenCard(k, seen.kept, seen.points_px, 0.1, spacing + 30 * k) for k in (0, 1)}
    monkeypatch.setattr(detect, "find_markers", lambda grey: dict(enumerate(cards)))
    monkeypatch.setattr(detect, "_measure", lambda grey, number, found: made[number])
    monkeypatch.setattr(detect, "_picture_quality", lambda grey, cards: (blur, white))
    try:
        found = detect_cards(np.zeros((3024, 4032), np.uint8), "a.jpg", 3028.0)
    except TracerError as refused:
        return refused.slug
    assert found.blur_px == blur
    return "measured"


def test_a_blur_matters_in_pixels_and_on_the_sheet(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the card seen smallest: a square of 28 mm over so many pixels."""
    px = BLUR_LIMIT_PX + 0.1
    same = SQUARE_MM * px / BLUR_LIMIT_MM  # pixels a square at which it is the limit on the sheet
    assert asked(monkeypatch, px, 200.0, 0.98 * same) == "photo-blurred"
    assert asked(monkeypatch, px, 200.0, 1.02 * same) == "measured"
    assert asked(monkeypatch, BLUR_LIMIT_PX - 0.1, 200.0, 0.3 * same) == "measured"
    assert asked(monkeypatch, 1.0, DARK_LEVEL - 1, 60.0) == "photo-too-dark"
    assert asked(monkeypatch, 1.0, DARK_LEVEL + 1, 60.0) == "measured"
