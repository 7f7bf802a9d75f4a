"""Thin parts whose two edges are told to pass each other stay part of the tool."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import affinity
from shapely.geometry import Polygon, box
from shapely.geometry.polygon import orient

from tests.parallax.single_view.test_single import EXACT_MM, camera, silhouette
from tracer.geometry.compare import boundary_distance
from tracer.model.outline import EdgeModel
from tracer.parallax.single_view.single import compensate

HEIGHT_MM = 60.0
CAMERA = camera(1000.0)
#: what the far side is told less what the near side is told moves them this far towards each other
#: at 300 mm from the nadir: 300 x 60 / 1000
PASSING_MM = 18.0


def outer(region: Polygon) -> Polygon:
    return orient(Polygon(region.exterior).segmentize(1.0))  # vertices stay in this order


def dumbbell(rod_mm: float) -> Polygon:
    ends = [box(280, y, 320, y + 40) for y in (-100, 60)]
    rod = box(300 - rod_mm / 2, -70, 300 + rod_mm / 2, 70)
    return outer(shapely.union_all([*ends, rod]))


def told(region: Polygon, near: float, far: float) -> Polygon:
    """Brought down with one share for what faces the nadir, another for what faces away."""
    x = np.array(region.exterior.coords)[:-1, 0]
    heights = np.where(x > 300, far, near)
    return compensate(
        silhouette(region, heights), CAMERA, height_mm=HEIGHT_MM, edge=EdgeModel.LEARNED
    ).region


@pytest.mark.parametrize("rod_mm", [4.0, 10.0, 16.0])
def test_both_ends_of_a_thin_rod_are_kept(rod_mm: float) -> None:
    back = told(dumbbell(rod_mm), 0.0, 1.0)
    # the ends reach from y = -100 to 100; scaled by 0.94 at full height, by 1 at the sheet
    assert back.bounds[1] < -92
    assert back.bounds[3] > 92
    # between the ends the rod is as wide as it may be: not nothing, not wider than it is seen
    rod = back.intersection(box(200, -40, 400, 40)).bounds
    assert 0 < rod[2] - rod[0] <= rod_mm


def test_blade_is_not_lost_from_its_body() -> None:
    body = shapely.union_all([box(280, -40, 320, 40), box(298, 40, 302, 90)])
    back = told(outer(body), 0.0, 1.0)
    assert back.bounds[3] > 80  # 90 scaled by 0.94 is 84.6, and rounded where it was evened out


def test_what_holds_is_not_touched() -> None:
    wide = dumbbell(PASSING_MM + 4)
    back = told(wide, 0.0, 1.0)
    # the near half stays, the far half is scaled about the nadir: the rod keeps its 4 mm
    rod = back.intersection(box(200, -40, 400, 40)).bounds
    assert rod[0] == pytest.approx(300 - (PASSING_MM + 4) / 2, abs=EXACT_MM)
    assert rod[2] == pytest.approx((300 + (PASSING_MM + 4) / 2) * 0.94, abs=EXACT_MM)


def test_one_height_is_plain_scaling_however_thin() -> None:
    thin = dumbbell(1.0)
    back = compensate(
        silhouette(thin), CAMERA, height_mm=HEIGHT_MM, edge=EdgeModel.FRACTION, edge_fraction=1.0
    ).region
    scaled = affinity.scale(thin, 0.94, 0.94, origin=(0, 0))
    assert boundary_distance(back, scaled).max_mm < EXACT_MM
