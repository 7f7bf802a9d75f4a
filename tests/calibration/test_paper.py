"""Cards as they lie and bend, and how much a fit doubts them, against closed forms."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.polynomial import legendre
from scipy.stats import chi2
from shapely import affinity

from tests.calibration.bench import (
    BOARD_MM,
)
from tracer.calibration.layout import Layout, Paper
from tracer.calibration.quality import paper_of, verdicts
from tracer.model.card import inner_corners_card_mm


@pytest.mark.parametrize("bend", range(6))
def test_heights_of_a_card_are_products_of_legendre_polynomials(bend: int) -> None:
    """Reference: numpy's. Orthogonal on the square, so they are told apart; of P2 two thirds."""
    layout = Layout((0,), (BOARD_MM,), 0, 0.2)
    x = np.zeros(layout.size)
    x[layout.card(0).start + 5 + bend] = 3.0
    points, by = layout.corner_points(x, np.zeros(15, int), np.arange(15))
    u, v = points[:, 0] / (BOARD_MM[0] / 2), points[:, 1] / (BOARD_MM[1] / 2)
    two = [0, 0, 2 / 3]
    one = [[1.0], [0, 1], [1.0], two, [1.0], [0, 1]][bend]
    other = [[1.0], [1.0], [0, 1], [1.0], two, [0, 1]][bend]
    wanted = legendre.legval(u, one) * legendre.legval(v, other)
    assert points[:, 2] == pytest.approx(0.2 + 3.0 * wanted)
    assert by[:, 2, 5 + bend] == pytest.approx(wanted)


@given(st.floats(-3, 3), st.floats(-0.02, 0.02), st.floats(-0.02, 0.02))
@settings(max_examples=20, deadline=None)
def test_corners_of_a_card_are_turned_and_stretched_about_its_middle(angle, along, across) -> None:
    """Reference: shapely's scale and rotate of the printed lattice."""
    layout = Layout((0,), (BOARD_MM,), 0)
    x = np.zeros(layout.size)
    start = layout.card(0).start
    x[start : start + 5] = 40.0, -70.0, angle, along, across
    found, _ = layout.corner_points(x, np.zeros(15, int), np.arange(15))
    flat = (inner_corners_card_mm() - np.array(BOARD_MM) / 2) * (1, -1)
    lattice = affinity.scale(shapely.MultiPoint(flat), np.exp(along), np.exp(across), origin=(0, 0))
    turned = affinity.rotate(lattice, angle, origin=(0, 0), use_radians=True)
    wanted = shapely.get_coordinates(affinity.translate(turned, 40.0, -70.0))
    assert found[:, :2] == pytest.approx(wanted, abs=1e-9)


def fake_fit(means: np.ndarray, shares: np.ndarray) -> SimpleNamespace:
    """Two cards; their paper numbers in prior deviations, and how much of the prior is left."""
    layout = Layout((0,), (BOARD_MM, BOARD_MM), 0)
    priors = layout.paper_priors(Paper(0.001, 0.2))
    x, covariance = np.zeros(layout.size), np.zeros((layout.size, layout.size))
    for card in range(2):
        for k in range(8):
            index = layout.card(card).start + 3 + k
            sigma = 0.001 if k < 2 else 0.2
            x[index] = means[card, k] * sigma
            covariance[index, index] = shares[card, k] * sigma**2
    return SimpleNamespace(layout=layout, priors=priors, x=x, covariance=covariance)


def test_doubt_of_a_card_is_the_chance_of_its_chi_square() -> None:
    """Independent numbers: m^2 / (1 - c) each (reference: scipy's chi2), 8, 2 and 6 of them."""
    means = np.array([[0.2] * 8, [2.0, -1.0, 0.5, 1.5, 0.0, -2.0, 1.0, 0.3]])
    shares = np.array([[0.5] * 8, [0.1, 0.3, 0.5, 0.2, 0.6, 0.4, 0.25, 0.7]])
    worst, sound = verdicts(fake_fit(means, shares))  # type: ignore[arg-type]
    assert (worst.card, sound.card) == (1, 0)
    terms = means[1] ** 2 / (1 - shares[1])
    size = -np.log10(chi2.sf(terms[:2].sum(), 2))
    shape = -np.log10(chi2.sf(terms[2:].sum(), 6))
    assert worst.size_doubt == pytest.approx(size) and worst.shape_doubt == pytest.approx(shape)
    whole = -np.log10(chi2.sf(terms.sum(), 8))
    assert worst.doubt == pytest.approx(max(whole, size, shape))
    # without its prior a stretch would be m / (1 - c)
    free = means[1, :2] / (1 - shares[1, :2]) * 0.001
    assert worst.scale == pytest.approx(np.expm1(free))


def test_a_chance_too_small_for_numbers_is_still_told() -> None:
    """Of two degrees the tail is exp(-x / 2); where numbers end, at 1e-308, that still is told."""
    means, shares = np.zeros((2, 8)), np.full((2, 8), 0.5)
    means[1, 0] = 40.0
    worst = verdicts(fake_fit(means, shares))[0]  # type: ignore[arg-type]
    assert worst.size_doubt == pytest.approx(1600 / np.log(10), rel=1e-3)
    assert worst.flat


@pytest.mark.parametrize(("bend", "span"), [(0, 0), (1, 2), (2, 2), (3, 1), (4, 1), (5, 2)])
def test_the_span_of_a_cards_heights_is_that_of_its_bend(bend: int, span: float) -> None:
    means, shares = np.zeros((2, 8)), np.full((2, 8), 0.5)
    means[0, 2 + bend] = 1.5
    found = next(v for v in verdicts(fake_fit(means, shares)) if v.card == 0)  # type: ignore[arg-type]
    assert found.height_mm == pytest.approx(span * 1.5 * 0.2 / 0.5)
    assert not found.flat


def test_what_the_corners_say_nothing_of_does_not_count() -> None:
    means, shares = np.ones((2, 8)), np.ones((2, 8))
    found = verdicts(fake_fit(means, shares))  # type: ignore[arg-type]
    assert [v.doubt for v in found] == pytest.approx([0.0, 0.0])


def test_these_cards_paper_is_the_mean_square_with_its_doubt_within_bounds() -> None:
    means = np.array([[1.0] * 8, [-2.0] * 8])
    shares = np.full((2, 8), 0.25)
    # each number counts once, in the block it belongs to: one of them alone is seen by its block
    for k in range(8):
        alone = np.zeros((2, 8))
        alone[1, k] = 6.0
        found = paper_of(fake_fit(alone, 0 * shares), Paper(0.001, 0.2))  # type: ignore[arg-type]
        told = (max(0.001 * 3 * (k < 2), 0.0002), max(0.2 * 3**0.5 * (k >= 2), 0.05))
        assert (found.scale, found.height_mm) == pytest.approx(told)
    found = paper_of(fake_fit(means, shares), Paper(0.001, 0.2))  # type: ignore[arg-type]
    rms = np.sqrt((1 + 4) / 2 + 0.25)
    assert (found.scale, found.height_mm) == pytest.approx((rms * 0.001, rms * 0.2))
    perfect = paper_of(fake_fit(0 * means, 0 * shares), Paper(0.001, 0.2))  # type: ignore[arg-type]
    assert (perfect.scale, perfect.height_mm) == (0.0002, 0.05)
    awful = paper_of(fake_fit(20 * means, shares), Paper(0.001, 0.2))  # type: ignore[arg-type]
    assert (awful.scale, awful.height_mm) == pytest.approx((0.003, 0.6))  # three times tolerated
