"""Stated probabilities against simulation; where a pocket is wide and where it is close."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray
from scipy.stats import norm
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from tests.geometry.shapes import spanner
from tests.panel.pocket.errors import edge, exact_clearance, simulated_errors
from tracer.errors import TracerError, UsageError
from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.model.panel_plan import FitClass
from tracer.panel.pocket.clearance import Cut, room_for, trial_of
from tracer.panel.pocket.edge_errors import EVIDENCE, Evidence
from tracer.panel.pocket.fits import FITS, Fit, default_fit
from tracer.panel.pocket.settling import least_clearance

Array = NDArray[np.float64]
BAR = box(0, 0, 160, 30)
SNUG = FITS[FitClass.SNUG]
NO_CUT = Cut(sigma_mm=0.0, gives_mm=0.0)
TOUCHING = Fit(0.0, 0.0)


def outline(region: Polygon, sigma: float | Array, **changes: object) -> Outline:
    """An outline of one photo, its height typed; sigma for all its corners, or one by one."""
    dense = region.segmentize(4.0)
    count = len(dense.exterior.coords) - 1
    ring = np.full(count, sigma) if np.isscalar(sigma) else np.asarray(sigma)
    usual = Outline(
        "T01", "file", dense, 10, HeightSource.TYPED, EdgeModel.MID, float(np.median(ring)), ring,
        0.0, 1.0, ("p",), (0.0, 0.0),
    )  # fmt: skip
    return replace(usual, **changes)


def gaps(wall: Polygon, region: Polygon) -> Array:
    """Distance of the outline's points to the wall around it."""
    points, _ = edge(region)
    return np.asarray(shapely.distance(shapely.points(points), wall.exterior))


def share_that_goes_in(region: Polygon, widths: Array, sigma: float, seed: int) -> float:
    """Share of 500 tools, drawn with the model's figures, that go in; exact where it is close."""
    model = EVIDENCE[Evidence.ONE_TYPED]
    errors, moves = simulated_errors(
        region,
        500,
        seed,
        near_mm=model.near_mm,
        far_mm=model.far_mm,
        far_share=model.far_share,
        factor=model.factor,
        spread=model.spread,
    )
    left = errors * sigma - widths
    quick = least_clearance(left, moves)  # never below the exact one, and close to it
    close = (quick > 0) & (quick < 0.1)
    in_ = quick <= 0
    in_[close] = [exact_clearance(e, moves) <= 0 for e in left[close]]
    return float(in_.mean())


@pytest.mark.parametrize("probability", [0.5, 0.9])
def test_the_stated_probability_holds(probability: float) -> None:
    room = room_for(outline(BAR, 0.45), TOUCHING, probability, cut=NO_CUT)
    share = share_that_goes_in(BAR, gaps(room.wall, BAR), 0.45, seed=8)
    # the quantile of 1000 draws scatters by sqrt(p (1 - p) / 1000) <= 1.6 points, the 500 tools by
    # 2.2 points: 5.5 points is twice both together
    assert share == pytest.approx(probability, abs=0.055)
    assert room.probability == pytest.approx(probability, abs=0.01)
    # believe half of the true sigma, and the promise breaks: the test can fail
    halved = room_for(outline(BAR, 0.225), TOUCHING, probability, cut=NO_CUT)
    assert share_that_goes_in(BAR, gaps(halved.wall, BAR), 0.45, seed=8) < probability - 0.15


def test_a_pocket_is_wide_where_the_edge_is_in_doubt_and_close_where_it_is_sure() -> None:
    dense = np.asarray(BAR.segmentize(4.0).exterior.coords)[:-1]
    far = dense[:, 0] > 120
    mixed = room_for(outline(BAR, np.where(far, 1.5, 0.2)), SNUG, 0.9)
    points, _ = edge(BAR)
    gap = gaps(mixed.wall, BAR)
    assert gap[points[:, 0] > 140].mean() > 3 * gap[points[:, 0] < 90].mean()
    assert mixed.where_mm[0] > 110
    # the same doubt everywhere asks for more of everything
    even = room_for(outline(BAR, 1.5), SNUG, 0.9)
    assert mixed.wall.area < 0.95 * even.wall.area


def test_what_is_asked_for_grows_with_sigma_and_probability() -> None:
    def area(sigma: float, probability: float) -> float:
        return float(room_for(outline(BAR, sigma), SNUG, probability).wall.area)

    assert area(0.2, 0.9) < area(0.4, 0.9) < area(0.8, 0.9)
    assert area(0.4, 0.5) < area(0.4, 0.8) < area(0.4, 0.95)


def test_what_photos_leave_unsaid_is_paid_for_once() -> None:
    # several photos: sigma as stated, no bias on top, and no outer bound as the base
    several = outline(spanner(), 0.5, method=EdgeModel.VIEWS, photo_ids=("p", "q", "r"))
    left = replace(several, bias_bound_mm=3.0, outer=several.region.buffer(6.0))
    # the best motion of each draw is found to 1 %: a draw that is capped may find another
    assert room_for(left, SNUG, 0.9).most_mm <= 1.01 * room_for(several, SNUG, 0.9).most_mm
    # and a tool that one photo leaves in doubt is cut closer from several that are sure of it
    one = outline(spanner(), 1.0, in_doubt=True)
    assert room_for(several, SNUG, 0.9).most_mm < room_for(one, SNUG, 0.9).most_mm


def test_an_outer_bound_is_a_cap_and_never_an_addition() -> None:
    doubtful = outline(BAR, 2.0, method=EdgeModel.VIEWS)
    bounded = replace(doubtful, outer=box(-0.5, -0.5, 160.5, 30.5))
    far = replace(doubtful, outer=box(-30, -30, 190, 60))
    free, capped, loose = (room_for(o, SNUG, 0.9) for o in (doubtful, bounded, far))
    # 0.5 mm to the bound, and as far beyond it as tools stand (0.4 mm in the mean, deviation 0.4),
    # with the share of missing parts made up for
    reached = 0.9 / (1 - EVIDENCE[Evidence.SEVERAL].missing)
    assert capped.most_mm == pytest.approx(0.5 + norm(0.4, 0.4).ppf(reached), abs=0.01)
    assert capped.most_mm < free.most_mm
    assert loose.most_mm == pytest.approx(free.most_mm, rel=0.05)


def test_tools_stand_beyond_an_outer_bound_as_often_as_stated() -> None:
    """Tools of nothing but the bound's own error: Gaussian, seen by scipy's distribution."""
    doubtful = outline(BAR, 30.0, method=EdgeModel.VIEWS, outer=BAR.buffer(0.5, join_style="mitre"))
    errors = trial_of(doubtful, NO_CUT).errors_mm
    # the edge is known to nothing but the bound: where it is drawn outside, it ends beyond that
    outside = np.quantile(errors.max(axis=1), [0.1, 0.5, 0.9])
    assert outside == pytest.approx(norm(0.9, 0.4).ppf([0.1, 0.5, 0.9]), abs=0.03)


def test_corners_that_several_photos_round_off_are_cut_for_the_tools_own() -> None:
    tool = box(0, 0, 160, 30)
    # rounding by 0.6 mm moves a right angle's tip back by 0.6 (sqrt 2 - 1) = 0.25 mm
    seen = shapely.buffer(shapely.buffer(tool, -0.6), 0.6)
    several, one = (
        room_for(outline(seen, 0.1, **kind), SNUG, 0.9)
        for kind in ({"method": EdgeModel.VIEWS, "photo_ids": ("p", "q")}, {})
    )
    tips, sides = ([Point(0, 0), Point(160, 30)], [Point(80, 0), Point(80, 30)])
    near = [min(several.wall.exterior.distance(p) for p in at) for at in (tips, sides)]
    assert near[0] > near[1] - 0.1  # the tips stand free as the sides do
    assert one.most_mm == pytest.approx(one.least_mm, abs=0.01)  # nothing is added from one photo
    assert several.most_mm == pytest.approx(several.least_mm + 0.25, abs=0.01)
    trial = trial_of(outline(seen, 0.1, method=EdgeModel.VIEWS), Cut())
    wide = np.full(len(trial.run_mm), 0.1)
    square = replace(trial, corner_mm=np.zeros_like(wide))
    assert trial.share_in(wide + trial.corner_mm, 0.2) == square.share_in(wide, 0.2)
    assert trial.share_in(wide, 0.2) < square.share_in(wide, 0.2)


@pytest.mark.parametrize(
    ("fit", "low", "high"),
    [
        (FitClass.PRESS, -0.42, -0.35),
        (FitClass.SNUG, 0.0, 0.5),
        (FitClass.EASY, 0.5, 0.8),
        (FitClass.LOOSE, 1.0, 1.5),
    ],
)
def test_a_sure_edge_gets_the_gap_of_its_class(fit: FitClass, low: float, high: float) -> None:
    room = room_for(outline(BAR, 0.15), FITS[fit], 0.9)
    signed = (room.wall.area - BAR.area) / BAR.exterior.length
    assert low <= signed <= high


def test_classes_are_apart_however_sure_the_edge_is() -> None:
    order = [FitClass.PRESS, FitClass.SNUG, FitClass.EASY, FitClass.LOOSE]
    for sigma in (0.15, 0.5, 1.2):
        areas = [room_for(outline(BAR, sigma), FITS[f], 0.9).wall.area for f in order]
        steps = np.diff(areas) / BAR.exterior.length
        assert (steps > 0.15).all()


def test_a_limit_holds_everywhere_and_costs_probability() -> None:
    free = room_for(outline(BAR, 1.5), SNUG, 0.9)
    limited = room_for(outline(BAR, 1.5), SNUG, 0.9, loosest_mm=1.0)
    assert not free.limited and limited.limited
    assert limited.most_mm == 1.0
    assert limited.needed_mm == pytest.approx(free.most_mm)
    assert limited.probability < 0.7 < free.probability
    # round corners of the wall lie this far from the outline's sharp ones, and no further
    assert limited.wall.difference(BAR.buffer(1.01)).area < 1e-6


def test_islands_only_where_several_photos_see_through() -> None:
    ring = Point(0, 0).buffer(60, 64).difference(Point(0, 0).buffer(35, 64))
    one = outline(ring, 0.3)
    assert not room_for(one, SNUG, 0.9).wall.interiors
    several = replace(one, method=EdgeModel.VIEWS)
    (hole,) = room_for(several, SNUG, 0.9).wall.interiors
    assert 30 < np.sqrt(Polygon(hole).area / np.pi) < 35


def test_a_ring_without_its_own_sigmas_is_refused() -> None:
    broken = replace(outline(BAR, 0.4), sigma_ring_mm=np.full(7, 0.4))
    with pytest.raises(TracerError) as caught:
        room_for(broken, SNUG, 0.9)
    assert caught.value.slug == "outline-sigma-count"
    # none at all: the tool's own holds all round
    bare = replace(outline(BAR, 0.4), sigma_ring_mm=np.empty(0))
    assert room_for(bare, SNUG, 0.9).most_mm == pytest.approx(
        room_for(outline(BAR, 0.4), SNUG, 0.9).most_mm
    )


def test_equal_outlines_give_equal_rooms() -> None:
    one, two = (room_for(outline(BAR, 0.3), SNUG, 0.9) for _ in range(2))
    assert one.wall.equals_exact(two.wall, 0)
    turned = room_for(outline(affinity.rotate(BAR, 90), 0.3), SNUG, 0.9)
    # its ring may start elsewhere, with other draws: their quantile scatters by some percent
    assert turned.most_mm == pytest.approx(one.most_mm, rel=0.1)


@pytest.mark.parametrize("probability", [0.0, 1.0, -3.0, 90.0])
def test_a_probability_lies_between_0_and_1(probability: float) -> None:
    with pytest.raises(UsageError) as caught:
        room_for(outline(BAR, 0.1), SNUG, probability)
    assert caught.value.slug == "fit-probability-out-of-range"


def test_one_rule_for_where_no_class_is_named() -> None:
    from tracer.model.panel import BayKind

    assert default_fit(BayKind.WALL) is FitClass.SNUG
    assert default_fit(BayKind.DRAWER) is default_fit(None) is FitClass.EASY
