"""The first guess of a tool: tabs and gaps that the other photos confirm or not."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from shapely.affinity import translate
from shapely.geometry import Point, Polygon, box

from tests.parallax.multi_view.lays import silhouette
from tracer.parallax.multi_view.edges import Camera
from tracer.parallax.multi_view.observation import Observation
from tracer.parallax.multi_view.oneheight import at_height, search_height
from tracer.parallax.multi_view.start import (
    bulky_parts,
    confirmed,
    hidden_gap,
    start_region,
    steepest,
    without_specks,
)

FRAME = box(-2000, -2000, 2000, 2000)
OWN = Camera(np.array([0.0, 0.0]), 1000.0)
SIDE = Camera(np.array([600.0, 0.0]), 1000.0)


def on_sheet(shape: Polygon, z_mm: float, camera: Camera) -> Polygon:
    """The shadow of a shape at a height: its corners along the rays, by similar triangles."""
    k = camera.height_mm / (camera.height_mm - z_mm)
    return shapely.transform(shape, lambda p: camera.nadir_mm + k * (p - camera.nadir_mm))


def seen(
    shape: Polygon, camera: Camera, z_mm: float = 0.0, photo: int = 0, whole: bool = True
) -> Observation:
    region = on_sheet(shape, z_mm, camera)
    return Observation(photo, camera, (silhouette("S", "a", region),), FRAME, whole)


@pytest.mark.parametrize(
    ("true_mm", "shown"), [(12.0, True), (40.0, True), (60.0, True), (100.0, False)]
)
def test_a_tab_is_confirmed_near_the_tools_height_and_not_far_from_it(true_mm, shown) -> None:
    """Tried from 0.3 to 1.6 times the one height of 40 mm."""
    tab = Point(30.0, 20.0).buffer(12.0)
    own, other = (seen(tab, c, true_mm) for c in (OWN, SIDE))
    as_taken = at_height(own.region, OWN, 40.0)
    assert confirmed(as_taken, own, [other], 40.0) is shown
    assert confirmed(as_taken, own, [], 40.0) is False
    elsewhere = seen(translate(tab, 0, 100), SIDE, true_mm)
    assert confirmed(as_taken, own, [elsewhere], 40.0) is False


def test_six_tenths_of_a_tab_confirm_it() -> None:
    tab = box(0, 0, 100, 20)
    own = seen(tab, OWN)
    for share, wanted in ((0.62, True), (0.58, False)):
        part = seen(box(0, 0, 100 * share, 20), OWN, photo=1)
        assert confirmed(tab, own, [part], 0.01) is wanted


def test_a_tongue_that_one_photo_shows_goes_and_a_true_arm_stays() -> None:
    body, arm = box(-50, -20, 50, 20), box(50, -5, 80, 5)
    whole = body.union(arm)
    others = [SIDE, Camera(np.array([-500.0, 300.0]), 1000.0)]
    tongue = [seen(whole, OWN), *(seen(body, c, photo=k + 1) for k, c in enumerate(others))]
    assert start_region(tongue, 0.5, 3.0).bounds[2] == pytest.approx(50, abs=1)
    true = [seen(whole, OWN), seen(whole, others[0], photo=1), seen(body, others[1], photo=2)]
    assert start_region(true, 0.5, 3.0).bounds[2] == pytest.approx(80, abs=0.1)


@pytest.mark.parametrize(("top_mm", "open_"), [(40.0, True), (5.0, False)])
def test_a_gap_stays_where_the_others_look_too_far_aslant_to_see_into_it(top_mm, open_) -> None:
    """A slot of 10 mm by 60: its width counts as 1.5 times 2 area / length, about 12.9 mm."""
    slot = box(-30, -5, 30, 5)
    body = box(-60, -40, 60, 40)
    aslant = [SIDE, Camera(np.array([-600.0, 0.0]), 1000.0)]  # 0.6 of their height away
    found = start_region(
        [
            seen(body.difference(slot), OWN),
            *(seen(body, c, photo=k + 1) for k, c in enumerate(aslant)),
        ],
        0.5,
        top_mm,
    )
    assert found.contains(Point(0, 0)) is not open_
    assert shapely.symmetric_difference(found, body).area < (700 if open_ else 30)


def test_how_far_aslant_hides_a_gap() -> None:
    slot = box(-50, -2, 50, 2)
    width = 1.5 * 2 * 400 / 208
    look = [SimpleNamespace(lean=v) for v in (0.4, 0.5)]
    assert hidden_gap(slot, look, width / 0.4 + 0.1)  # type: ignore[arg-type]
    assert not hidden_gap(slot, look, width / 0.4 - 0.1)  # type: ignore[arg-type]


def test_differences_narrower_than_three_millimetres_are_parallax() -> None:
    assert bulky_parts(box(0, 0, 50, 2.9)) == []
    (part,) = bulky_parts(box(0, 0, 50, 3.2))
    assert part.area == pytest.approx(160, abs=5)
    assert bulky_parts(box(0, 0, 3.8, 3.8)) == []  # a crumb


def test_the_steepest_whole_and_unbroken_photo_leads() -> None:
    body = box(-50, -20, 50, 20)
    near = Camera(np.array([40.0, 0.0]), 1000.0)
    a, b = seen(body, SIDE, photo=0), seen(body, near, photo=1)
    assert steepest([a, b]) is b and steepest([b, a]) is b
    cut = seen(body, near, photo=1, whole=False)
    assert steepest([a, cut]) is a
    pieces = (silhouette("S", "a", box(-50, -20, 0, 20)), silhouette("T", "a", box(5, -20, 50, 20)))
    broken = Observation(1, near, pieces, FRAME, True)
    assert broken.largest_share == pytest.approx(50 / 95)
    assert steepest([a, broken]) is a
    assert steepest([broken]) is broken
    assert near.nadir_mm[0] / near.height_mm == pytest.approx(b.lean)


def test_small_holes_are_specks() -> None:
    body = box(0, 0, 100, 100)
    holes = [box(10, 10, 14, 15.1), box(50, 50, 54, 54.9)]  # 20.4 and 19.6 mm^2
    found = without_specks(body.difference(shapely.union_all(holes)))
    assert [round(Polygon(r).area, 1) for r in found.interiors] == [20.4]


def test_a_broken_tool_is_bridged_where_its_pieces_face() -> None:
    pieces = (silhouette("S", "a", box(0, 0, 50, 10)), silhouette("T", "a", box(56, 0, 90, 10)))
    joined = Observation(0, OWN, pieces, FRAME, True).joined
    assert joined.equals(box(0, 0, 90, 10))


@pytest.mark.parametrize("z_mm", [20.0, 5.0, 36.9])
def test_the_one_height_of_a_disc_and_how_sure_it_is(z_mm: float) -> None:
    """Two discs of radius r, apart by d, differ by about 4 r d; two edges are 2 pi r long each."""
    cameras = [OWN, SIDE]
    disc = Point(100.0, 40.0).buffer(40.0, quad_segs=64)
    regions = [on_sheet(disc, z_mm, c) for c in cameras]
    found = search_height(regions, cameras, np.arange(0.0, 41.0, 4.0))
    assert found.z_mm == pytest.approx(z_mm, abs=0.6)  # a parabola through a valley with a crease
    assert found.apart_mm < 0.3
    if z_mm == 20.0:
        # 600 mm apart at 1000: discs part by 0.6 mm per mm of height
        assert found.sigma_mm == pytest.approx(0.1 / (0.6 * 4 * 40 / (2 * np.pi * 40)), rel=0.03)
        assert found.apart_mm == pytest.approx(0, abs=1e-3)


def test_cameras_in_one_place_know_no_height() -> None:
    disc = Point(100.0, 40.0).buffer(40.0)
    assert search_height([disc, disc], [OWN, OWN]).sigma_mm > 1e3
