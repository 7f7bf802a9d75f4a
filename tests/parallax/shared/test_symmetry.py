"""Mirror axes: found where a tool has one, used where its halves agree, left where they do not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from tracer.geometry.closed_rings import normals, resample
from tracer.model.outline import Cause, EdgeModel, HeightSource, Outline
from tracer.parallax.shared.symmetry import evened, mirror_axis

Array = NDArray[np.float64]

SIGMA_MM = 0.4
#: A screwdriver as seen from above: handle, shank, tip; symmetric about y = 0.
DRIVER = shapely.union_all(
    [box(0, -15, 95, 15).buffer(-6).buffer(6), box(90, -3, 190, 3), box(185, -4, 200, 4)]
)
#: A hex key of 10 mm across flats, ISO 2936: 112 mm by 40 mm outside, and about no axis.
KEY = shapely.union_all([box(0, 0, 10, 112), box(0, 0, 40, 10)])


def placed(shape: Polygon, turn: float = 33.0, by: tuple[float, float] = (210.0, -85.0)) -> Polygon:
    return affinity.translate(affinity.rotate(shape, turn, origin=(0, 0)), *by)


def traced(shape: Polygon, off_mm: Array | float = 0.0, sigma: float = SIGMA_MM) -> Outline:
    """The outline of a shape sampled at 1 mm, each sample moved along its normal."""
    turned = shapely.orient_polygons(shape)
    (ring,) = resample(np.asarray(turned.exterior.coords)[:-1], 1.0)
    moved = ring + np.broadcast_to(off_mm, len(ring))[:, None] * normals(ring, 1.5)
    return Outline(
        outline_id="T01",
        name="driver",
        region=Polygon(moved, [r.coords for r in turned.interiors]),
        height_mm=20.0,
        height_source=HeightSource.TYPED,
        method=EdgeModel.LEARNED,
        sigma_mm=sigma,
        sigma_ring_mm=np.full(len(ring), sigma),
        bias_bound_mm=0.0,
        confidence=1.0,
        photo_ids=("a",),
        point_px=(0.0, 0.0),
        budget_mm={Cause.SILHOUETTE: sigma},
    )


def noise(count: int, seed: int) -> Array:
    """Errors of 0.4 mm that go together over about 10 mm, as those of real edges do."""
    raw = gaussian_filter1d(np.random.default_rng(seed).normal(size=count), 5.0, mode="wrap")
    return np.asarray(SIGMA_MM * raw / raw.std(), np.float64)


def off(outline: Outline, shape: Polygon) -> Array:
    points = shapely.points(np.asarray(outline.region.exterior.coords)[:-1])
    return np.asarray(shapely.distance(shape.exterior, points), np.float64)


def samples(shape: Polygon) -> int:
    return len(resample(np.asarray(shape.exterior.coords)[:-1], 1.0)[0])


@pytest.mark.parametrize(("turn", "by"), [(0.0, (0.0, 0.0)), (33.0, (210, -85)), (-108.0, (5, 7))])
def test_the_axis_is_the_one_the_shape_was_drawn_about(
    turn: float, by: tuple[float, float]
) -> None:
    """Shapely's own turn and shift place the axis; sampling at 1 mm rounds corners alike."""
    axis = mirror_axis(traced(placed(DRIVER, turn, by)).region, np.full(samples(DRIVER), SIGMA_MM))
    assert axis is not None
    assert axis.holds
    across = np.array([-np.sin(axis.angle_rad), np.cos(axis.angle_rad)])
    along = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
    assert abs(across @ along) < 1e-3
    assert abs((np.array(axis.at_mm) - by) @ across) < 0.02


def test_the_mean_of_two_halves_has_root_half_of_their_errors() -> None:
    """Errors independent from half to half: the mean's deviation is 1/sqrt 2 of one's.

    Places that agree badly are let go and the axis itself is fitted, which costs some; 20 draws.
    """
    shape = placed(DRIVER)
    ratios = []
    for seed in range(20):
        before = traced(shape, noise(samples(shape), seed))
        after = evened(before)
        assert after is not before
        ratios.append(np.sqrt(np.mean(off(after, shape) ** 2) / np.mean(off(before, shape) ** 2)))
    assert 0.70 < float(np.mean(ratios)) < 0.86


def test_a_shadow_on_one_side_is_halved_at_most_as_far_as_the_evidence_goes() -> None:
    """One side 0.8 mm outside for 60 mm, two deviations: moved a part of the way, never past."""
    shape = placed(DRIVER)
    count = samples(shape)
    bulge = np.zeros(count)
    bulge[20:80] = 0.8
    before = traced(shape, gaussian_filter1d(bulge, 3.0))
    after = evened(before)
    worst = float(off(before, shape).max())
    assert 0.5 * worst < float(off(after, shape).max()) < 0.9 * worst


def test_a_bent_tine_stays_bent() -> None:
    """4 mm at one side only, ten deviations: symmetric elsewhere, and here as it was seen."""
    bent = DRIVER.union(box(150, 0, 160, 7)).difference(box(150, -7, 160, -2))
    shape = placed(bent)
    after = evened(traced(shape))
    tine = placed(box(148, -9, 162, 9))
    ring = np.asarray(after.region.exterior.coords)[:-1]
    there = shapely.contains_xy(tine, *ring.T)
    assert float(off(after, shape)[there].max()) < 0.35  # what rounds a corner at 1 mm


def test_what_has_no_axis_stays_as_it_is() -> None:
    key = traced(placed(KEY))
    axis = mirror_axis(key.region, key.sigma_ring_mm)
    assert axis is not None
    assert not axis.holds
    assert evened(key) is key
    small = traced(placed(Point(0, 0).buffer(6)))
    assert evened(small) is small
    blind = replace(traced(placed(DRIVER)), sigma_ring_mm=np.empty(0))
    assert evened(blind) is blind


def test_the_surer_side_decides() -> None:
    """A stretch known to 1.5 mm and 1 mm outside, 0.2 mm elsewhere: it goes to the other side's."""
    shape = placed(DRIVER, 0.0, (0.0, 0.0))
    before = traced(shape)
    ring = np.asarray(before.region.exterior.coords)[:-1]
    unsure = (ring[:, 1] > 14) & (ring[:, 0] > 30) & (ring[:, 0] < 65)
    moved = ring + np.where(unsure, 1.0, 0.0)[:, None] * np.array([0.0, 1.0])
    before = replace(
        before, region=Polygon(moved), sigma_ring_mm=np.where(unsure, 1.5, 0.2).astype(float)
    )
    after = evened(before)
    flank = np.asarray(after.region.exterior.coords)[:-1]
    handle = (ring[:, 0] > 34) & (ring[:, 0] < 61)
    upper, lower = handle & (ring[:, 1] > 14), handle & (ring[:, 1] < -14)
    assert float(np.abs(flank[upper, 1] - 15).max()) < 0.2
    assert float(np.abs(flank[lower, 1] + 15).max()) < 0.1
    assert float(after.sigma_ring_mm[upper].max()) < 0.3


def test_an_edge_is_as_sure_as_the_surer_half_and_no_surer() -> None:
    before = traced(placed(DRIVER))
    np.testing.assert_array_equal(evened(before).sigma_ring_mm, before.sigma_ring_mm)
    ring = np.asarray(before.region.exterior.coords)[:-1]
    middle = mirror_axis(before.region, before.sigma_ring_mm)
    assert middle is not None
    across = np.array([-np.sin(middle.angle_rad), np.cos(middle.angle_rad)])
    above = (ring - middle.at_mm) @ across > 0
    before = replace(before, sigma_ring_mm=np.where(above, 0.8, 0.3))
    after = evened(before)
    inner = np.abs((ring - middle.at_mm) @ across) > 2.5  # where the axis crosses it is either's
    np.testing.assert_allclose(after.sigma_ring_mm[inner], 0.3)
    assert after.sigma_mm < before.sigma_mm
    assert after.budget_mm[Cause.SILHOUETTE] == pytest.approx(after.sigma_mm)


def test_a_height_that_nobody_typed_is_no_reason_to_even() -> None:
    """A lever of 1.2 mm on one side: within a deviation of 2 mm, of which 0.3 mm are the edge's."""
    lever = DRIVER.union(box(20, 10, 80, 16.2))
    shape = placed(lever)
    vague = replace(
        traced(shape, sigma=2.0),
        budget_mm={Cause.HEIGHT: np.sqrt(2.0**2 - 0.3**2), Cause.SILHOUETTE: 0.3},
    )
    seen, even = (
        float(off(evened(o), shape).max())
        for o in (vague, replace(vague, budget_mm={Cause.SILHOUETTE: 2.0}))
    )
    assert seen < 0.3  # what rounds a corner at 1 mm
    assert even > 0.4


def test_holes_and_bounds_go_with_the_outline() -> None:
    shape = placed(DRIVER.difference(Point(12, 3).buffer(3)))
    before = traced(shape, noise(samples(shape), 3))
    grown, shrunk = before.region.buffer(0.4), before.region.buffer(-0.4)
    after = evened(replace(before, outer=grown, inner=shrunk))
    assert after.region.is_valid
    assert after.region.interiors[0].equals(before.region.interiors[0])
    assert after.outer is not None
    assert after.inner is not None
    assert after.outer.buffer(1e-9).contains(after.region)
    assert after.region.buffer(1e-9).contains(after.inner)
