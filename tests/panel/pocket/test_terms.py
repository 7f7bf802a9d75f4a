"""Each term of the clearance alone: levers, the cut's own scatter, what an edge shares, limits."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2
from shapely import affinity
from shapely.geometry import box

from tests.geometry.shapes import spanner
from tests.panel.pocket.test_clearance import BAR, NO_CUT, SNUG, outline
from tracer.geometry.widen import ring_samples
from tracer.panel.pocket.clearance import Cut, room_for, trial_of
from tracer.panel.pocket.edge_errors import (
    EVIDENCE,
    IN_DOUBT,
    EdgeErrors,
    Evidence,
    drawn_errors,
    errors_of,
    sigma_along,
)
from tracer.panel.pocket.settling import least_clearance, motions, smooth_noise

TURN = 1e-5


def test_levers_are_those_of_a_small_turn() -> None:
    """Turned about its middle, the edge moves along its normal by angle times lever."""
    points, normals, _ = ring_samples(spanner(), 2.5)
    middle = points.mean(axis=0)
    c, s = np.cos(TURN), np.sin(TURN)
    turned = (points - middle) @ np.array([[c, s], [-s, c]]) + middle
    lever = np.sum((turned - points) * normals, axis=1) / TURN
    moves = motions(points, normals)
    assert np.allclose(moves[:, :2], normals)
    scale = np.abs(points - middle).max()
    assert np.allclose(moves[:, 2] * scale, lever, atol=1e-3)


def test_a_turned_tool_needs_no_room() -> None:
    points, normals, _ = ring_samples(spanner(), 2.5)
    moves = motions(points, normals)
    for motion in ([0.5, 0, 0], [0, -0.4, 0], [0, 0, 0.6], [0.2, 0.3, -0.5]):
        # a shift and a turn are undone by settling; the softened optimum is within 1 %
        assert least_clearance(moves @ motion, moves)[0] == pytest.approx(0.0, abs=0.01)


def test_weight_and_draws_hold_the_cuts_scatter() -> None:
    """t(s) = hypot(sigma, sigma of the cut), and the draws scatter by it: chi-square of each."""
    sigma, cut = 0.3, 0.4
    errors = EdgeErrors(factor=1.0, spread=0.0)
    trial = trial_of(outline(BAR, sigma), Cut(sigma_mm=cut, gives_mm=0.0), errors=errors, draws=600)
    assert np.allclose(trial.weight_mm, 0.5, atol=1e-6)
    squares = np.sum((trial.errors_mm / 0.5) ** 2, axis=0)
    low, high = chi2.ppf([1e-5, 1 - 1e-5], 600)  # some 150 places, few of them independent
    assert ((squares > low) & (squares < high)).all()
    bare = trial_of(outline(BAR, sigma), NO_CUT, errors=errors, draws=600)
    assert np.allclose(bare.weight_mm, sigma)
    assert np.std(bare.errors_mm) == pytest.approx(sigma, rel=0.03)


def test_a_cut_that_scatters_asks_for_more() -> None:
    def most(sigma: float) -> float:
        cut = Cut(sigma_mm=sigma, gives_mm=0.0)
        return room_for(outline(BAR, 0.15), SNUG, 0.9, cut=cut).most_mm

    assert most(0.0) < most(0.15) - 0.02 < most(0.4) - 0.1


def test_foam_that_gives_asks_for_less() -> None:
    def most(gives: float) -> float:
        cut = Cut(sigma_mm=0.15, gives_mm=gives)
        return room_for(outline(BAR, 0.6), SNUG, 0.9, cut=cut).most_mm

    # what both sides give is not needed as room, but for what a snug fit starts from
    assert most(0.0) > most(0.2) > most(0.5)


@pytest.mark.parametrize("share", [0.0, 0.45, 0.9])
def test_errors_are_alike_over_a_short_and_a_long_distance(share: float) -> None:
    """Correlations of draws against the model's; 6000 draws know one to 0.05 (4 s.e.)."""
    errors = EdgeErrors(1.0, 0.0, far_share=share, near_mm=8.0, far_mm=60.0)
    drawn = drawn_errors(np.full(400, 0.5), 1000.0, errors, 6000, np.random.default_rng(3))
    assert np.std(drawn) == pytest.approx(0.5, rel=0.05)
    for steps in (2, 4, 12, 60):
        apart = 2.5 * steps
        told = (1 - share) * np.exp(-apart / 8) + share * np.exp(-apart / 60)
        assert np.corrcoef(drawn[:, 7], drawn[:, 7 + steps])[0, 1] == pytest.approx(told, abs=0.05)
    # a ring: its ends are neighbours
    ends = np.corrcoef(drawn[:, 0], drawn[:, -1])[0, 1]
    assert ends == pytest.approx(
        (1 - share) * np.exp(-2.5 / 8) + share * np.exp(-2.5 / 60), abs=0.05
    )


@pytest.mark.parametrize("power", [0.5, 1.0, 1.4])
def test_deviations_follow_a_power_of_what_is_stated(power: float) -> None:
    errors = EdgeErrors(0.8, 0.0, power=power)
    sigma = np.repeat([0.25, 1.0, 4.0], 100)
    drawn = drawn_errors(sigma, 750.0, errors, 4000, np.random.default_rng(6))
    # at 1 mm the factor itself; 4000 draws know a deviation to 1.1 %
    for k, told in enumerate((0.8 * 0.25**power, 0.8, 0.8 * 4**power)):
        assert drawn[:, 100 * k + 50].std() == pytest.approx(told, rel=0.05)
    assert np.allclose(errors.stated_mm(errors.deviation_mm(sigma)), sigma)


def test_a_part_that_may_be_missing_is_made_up_for_or_told() -> None:
    """P(in) = (1 - missing) P(in, nothing missing), by the law of total probability."""
    tool = outline(BAR, 0.5)
    sure = trial_of(tool, NO_CUT, errors=EdgeErrors(0.8, 0.3, missing=0.02))
    bare = trial_of(tool, NO_CUT, errors=EdgeErrors(0.8, 0.3))
    doubtful = trial_of(tool, NO_CUT, errors=EdgeErrors(0.8, 0.3, missing=0.2))
    rooms = {
        name: room_for(tool, SNUG, 0.9, cut=NO_CUT, trial=trial)
        for name, trial in (("sure", sure), ("bare", bare), ("doubtful", doubtful))
    }
    assert rooms["sure"].probability == pytest.approx(0.9, abs=0.01)
    assert rooms["sure"].most_mm > rooms["bare"].most_mm
    # no wall is made looser for what it cannot cover
    assert rooms["doubtful"].most_mm == pytest.approx(rooms["bare"].most_mm)
    assert rooms["doubtful"].probability == pytest.approx(0.8 * rooms["bare"].probability, abs=2e-3)
    # a probability that the draws cannot reach is asked of nearly all of them
    assert sure.share_for(0.985) == pytest.approx(0.99) and sure.share_for(0.995) == 0.995


def test_an_outline_in_doubt_has_figures_of_its_own_and_promises_less() -> None:
    sure, doubtful = outline(BAR, 0.5), outline(BAR, 0.5, in_doubt=True)
    assert errors_of(sure) is EVIDENCE[Evidence.ONE_TYPED]
    assert errors_of(doubtful) is IN_DOUBT[Evidence.ONE_TYPED]
    one, two = (room_for(tool, SNUG, 0.9) for tool in (sure, doubtful))
    assert two.probability < one.probability - 0.02  # parts of it are missing more often


@pytest.mark.parametrize(("factor", "spread"), [(1.0, 0.5), (1.3, 0.54), (0.34, 1.2)])
def test_factor_and_spread_are_log_normal(factor: float, spread: float) -> None:
    """Per draw the size over sigma: median the factor, log's standard deviation the spread."""
    errors = EdgeErrors(factor=factor, spread=spread)
    drawn = drawn_errors(np.full(2000, 0.5), 20_000.0, errors, 400, np.random.default_rng(4))
    size = np.log(drawn.std(axis=1) / 0.5)  # of 500 independent stretches: 3 % each
    assert np.median(size) == pytest.approx(np.log(factor), abs=0.05)
    assert np.std(size) == pytest.approx(spread, rel=0.06)


def test_noise_is_even_and_of_unit_variance() -> None:
    noise = smooth_noise(128, 3.0, 4000, np.random.default_rng(5))
    # the variance of 4000 draws is known to 2.2 %: nowhere beyond 4 of that
    assert np.abs(noise.var(axis=0) - 1).max() < 0.09
    ends = np.corrcoef(noise[:, 0], noise[:, -1])[0, 1]  # a ring: its ends are neighbours
    assert ends == pytest.approx(np.exp(-1 / (4 * 9.0)), abs=0.02)


def test_doubt_spreads_to_its_sides_and_keeps_its_square() -> None:
    dense = BAR.segmentize(2.0)
    corners = shapely.get_coordinates(dense.exterior)[:-1]
    sigma = np.where(np.abs(corners[:, 0] - 80) < 4, 2.0, 0.2)
    doubtful = outline(dense, sigma)
    points, _, run = ring_samples(doubtful.region, 2.0)
    spacing = doubtful.region.exterior.length / len(run)
    even = sigma_along(doubtful, points, spacing)
    there, beside = (np.hypot(*(points - at).T).argmin() for at in ([80, 0], [90, 0]))
    far = np.hypot(*(points - [10, 0]).T).argmin()
    assert pytest.approx(even[far], rel=1e-3) == 0.2
    assert 0.2 < even[beside] < even[there] < 2.0
    # a Gaussian of 4 mm over variances keeps their mean: two stretches of 8 mm of 380
    assert np.mean(even**2) == pytest.approx(np.mean(sigma**2), rel=0.25)


@given(st.floats(0.15, 2.0), st.floats(0.2, 0.97), st.floats(0.5, 5.0))
@settings(max_examples=25, deadline=None)
def test_units_scale_with_the_drawing(sigma: float, probability: float, scale: float) -> None:
    """All lengths times a factor: so are all widths (no cut, no class, one correlation kept)."""
    room = room_for(outline(BAR, sigma), SNUG, probability, cut=NO_CUT)
    assert SNUG.gap_mm <= room.least_mm <= room.most_mm <= room.needed_mm + 1e-9
    assert 0.0 <= room.probability <= 1.0
    limited = room_for(outline(BAR, sigma), SNUG, probability, cut=NO_CUT, loosest_mm=scale)
    assert limited.most_mm <= scale + 1e-9
    assert limited.probability <= room.probability + 1e-9


def test_a_pocket_moves_and_turns_with_its_tool() -> None:
    there = affinity.translate(affinity.rotate(BAR, 30, origin=(0, 0)), 400, -200)
    one, two = room_for(outline(BAR, 0.5), SNUG, 0.9), room_for(outline(there, 0.5), SNUG, 0.9)
    back = affinity.rotate(affinity.translate(two.wall, -400, 200), -30, origin=(0, 0))
    # rounding may give the ring a point more, and with it other draws: the 0.9 quantile of 300
    # draws is then known to about 2 %, which is 0.03 mm all round 380 mm of wall
    assert one.wall.symmetric_difference(back).area < 5e-3 * one.wall.area
    assert two.most_mm == pytest.approx(one.most_mm, rel=0.04)


def test_a_box_of_lines_is_its_own_wall_where_nothing_is_in_doubt() -> None:
    exact = box(0, 0, 100, 40)
    room = room_for(outline(exact, 0.0), SNUG, 0.9, cut=NO_CUT)
    assert room.most_mm == pytest.approx(SNUG.gap_mm, abs=0.35)
    # corners are rounded to 1e-7 mm
    assert room.wall.area >= exact.area - 1e-7 * exact.length
