"""One-photo compensation: textbook exercises, closed forms, and solids seen through OpenCV."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
import shapely
from shapely import affinity
from shapely.geometry import Point, Polygon, box
from shapely.geometry.polygon import orient

from tracer.errors import TracerError
from tracer.geometry.compare import boundary_distance
from tracer.model.calibration import SigmaMap
from tracer.model.outline import EdgeModel, HeightSource
from tracer.model.silhouette import Silhouette
from tracer.model.view import View
from tracer.parallax.shared.edge_models import edge_height_mm
from tracer.parallax.single_view.prism import prism
from tracer.parallax.single_view.single import compensate, edge_model_for, outline_from_silhouette

EXACT_MM = 1e-6


def camera(height_mm: float, nadir_mm: tuple[float, float] = (0.0, 0.0), tilt_deg=0.0) -> View:
    """A 12-megapixel camera over the sheet; tilt turns it about its x axis."""
    c, s = math.cos(math.radians(tilt_deg)), math.sin(math.radians(tilt_deg))
    R = np.array([[1, 0, 0], [0, c, -s], [0, s, c]]) @ np.diag([1.0, -1.0, -1.0])
    K = np.array([[3028.7, 0, 2015.5], [0, 3028.7, 1511.5], [0, 0, 1.0]])
    t = -R @ np.array([*nadir_mm, height_mm])
    return View("photo", (4032, 3024), K, np.array([0.03, -0.05, 2e-4, -1e-4, 0.01]), R, t)


def silhouette(region: Polygon, edge_height=(), edge_height_sigma=()) -> Silhouette:
    count = len(region.exterior.coords) - 1
    return Silhouette(
        "S01",
        "photo",
        orient(region),
        np.full(count, 0.1),
        0.9,
        np.ones(count),
        np.asarray(edge_height, float),
        edge_height_sigma=np.asarray(edge_height_sigma, float),
    )


def seen_solid(solid_mm: np.ndarray, view: View) -> Polygon:
    """Silhouette of a convex solid on the sheet, projected by OpenCV and not by our camera."""
    px = cv2.projectPoints(solid_mm, cv2.Rodrigues(view.R)[0], view.t, view.K, view.dist)[0]
    return (
        orient(Polygon(view.to_sheet(px.reshape(-1, 2))).convex_hull)
        if len(px) == 3
        else (orient(shapely.MultiPoint(view.to_sheet(px.reshape(-1, 2))).convex_hull))
    )


def box_corners(footprint: Polygon, height_mm: float) -> np.ndarray:
    ring = np.array(footprint.exterior.coords[:-1])
    return np.vstack([np.column_stack([ring, np.full(len(ring), z)]) for z in (0.0, height_mm)])


def test_minaret_exercise() -> None:
    # Relief displacement exercise of a public surveying course: flying height 1000 m, top at
    # 100 mm from the nadir in the photo, displaced by 7.2 mm: 72 m high. Ratios carry over.
    assert edge_height_mm([100.0], 1000.0, 72.0, EdgeModel.UPRIGHT) == [72.0]
    seen = silhouette(affinity.translate(Point(0, 0).buffer(0.5), 100.0, 0))
    down = compensate(seen, camera(1000.0), height_mm=72, edge=EdgeModel.FRACTION, edge_fraction=1)
    assert 100.0 - down.region.centroid.x == pytest.approx(7.2, abs=1e-3)


@pytest.mark.parametrize(
    ("camera_mm", "distance_mm", "height_mm", "shift_mm"),
    # R h / (H - h), with R the true distance (derived from the same textbook form d = r h / H)
    [(600, 100, 10, 1.69), (1000, 200, 20, 4.08), (1500, 300, 30, 6.12), (2000, 400, 40, 8.16)],
)
def test_displacement_from_the_true_place(camera_mm, distance_mm, height_mm, shift_mm) -> None:
    view = camera(camera_mm)
    px = cv2.projectPoints(
        np.array([[0.0, distance_mm, height_mm]]),
        cv2.Rodrigues(view.R)[0],
        view.t,
        view.K,
        view.dist,
    )[0]
    seen = view.to_sheet(px.reshape(-1, 2))[0]
    assert seen[1] - distance_mm == pytest.approx(shift_mm, abs=0.006)  # table has two decimals


def test_ground_sample_distance() -> None:
    # f35 = 26 mm on 4032 x 3024 px: 26 x 5040 / 43.267 = 3028.6 px; GSD = H / f
    gsd = camera(1500.0).mm_per_px([[0.0, 0.0]])[0]
    assert gsd == pytest.approx(1500 / 3028.6, rel=2e-3)  # the lens model stretches a little


def test_widening_case() -> None:
    # Box from 280 to 320 mm, 30 high, seen from 1500: near side at its foot, far side at its top.
    footprint = box(280, -60, 320, 60)
    view = camera(1500.0)
    seen = seen_solid(box_corners(footprint, 30.0), view)
    assert seen.bounds[0] == pytest.approx(280.0, abs=EXACT_MM)
    assert seen.bounds[2] == pytest.approx(326.53, abs=0.005)
    back = compensate(silhouette(seen), view, height_mm=30.0, edge=EdgeModel.UPRIGHT)
    assert back.region.bounds == pytest.approx((280, -60, 320, 60), abs=1e-4)
    # one scaling for the whole tool cannot do it: 46.1 instead of 40
    half = compensate(
        silhouette(seen), view, height_mm=30.0, edge=EdgeModel.FRACTION, edge_fraction=0.5
    )
    assert half.region.bounds[2] - half.region.bounds[0] == pytest.approx(46.1, abs=0.05)


@pytest.mark.parametrize("angle_deg", [0, 20, 75])
@pytest.mark.parametrize("centre_mm", [(0, 0), (150, -40), (300, 200), (-600, 50)])
def test_upright_box_comes_back_exactly(angle_deg: float, centre_mm: tuple[float, float]) -> None:
    footprint = affinity.translate(
        affinity.rotate(box(-20, -75, 20, 75), angle_deg, origin=(0, 0)), *centre_mm
    )
    view = camera(1500.0, (7.0, -11.0), tilt_deg=6.0)
    seen = seen_solid(box_corners(footprint, 30.0), view)
    back = compensate(silhouette(seen), view, height_mm=30.0, edge=EdgeModel.UPRIGHT)
    # the opening of 0.05 rounds nothing at mitred corners; rings are simplified to 0.02
    assert boundary_distance(back.region, footprint).max_mm < 0.03


def test_prism_keeps_a_hole_and_closes_only_what_no_ray_passes() -> None:
    # U with slots: at 300 mm, 30 high and 1500 up, gaps along the ray below 6.1 mm cannot be seen
    outer = box(280, -40, 340, 40)
    narrow, wide = box(290, -30, 294, -10), box(290, 10, 310, 30)
    footprint = outer.difference(narrow).difference(wide)
    scales = np.linspace(1, 1500 / 1470, 400)
    seen = shapely.union_all([affinity.scale(footprint, s, s, origin=(0, 0)) for s in scales])
    assert len(seen.interiors) == 1
    back = prism(seen, (0.0, 0.0), 1500.0, 30.0)
    visible = outer.difference(wide)
    assert back.buffer(1e-6).contains(visible)
    # in the hole's corners the rays are short as well: a wedge of 6 mm length in each of two
    # corners, 6^2 / 2 x (30 / 293 + 10 / 310) = 2.4 mm^2 that no photo from there can show
    assert back.difference(visible).area == pytest.approx(2.4, abs=0.3)


@pytest.mark.parametrize("distance_mm", [0.0, 300.0, 600.0, -450.0])
@pytest.mark.parametrize("radius_mm", [5.0, 15.0])
def test_lying_bar_comes_back_exactly(distance_mm: float, radius_mm: float) -> None:
    # Tangents from the camera to a circle of radius r at (d, r), by trigonometry
    H = 1500.0
    reach = math.hypot(distance_mm, H - radius_mm)
    axis = math.atan2(distance_mm, H - radius_mm)
    spread = math.asin(radius_mm / reach)
    low, high = H * math.tan(axis - spread), H * math.tan(axis + spread)
    back = compensate(
        silhouette(box(low, -100, high, 100)),
        camera(H),
        height_mm=2 * radius_mm,
        edge=EdgeModel.ROUND,
    ).region
    middle = back.intersection(box(-2000, -50, 2000, 50)).bounds
    assert middle[0] == pytest.approx(distance_mm - radius_mm, abs=EXACT_MM)
    assert middle[2] == pytest.approx(distance_mm + radius_mm, abs=EXACT_MM)


def test_mid_takes_half_far_and_less_near() -> None:
    z = edge_height_mm([-300.0, 0.0, 300.0], 1500.0, 40.0, EdgeModel.MID)
    # 20 mm of turn leave 0.2 % of the difference at 300 mm
    assert z == pytest.approx([12.0, 16.0, 20.0], abs=0.02)
    low = edge_height_mm([-300.0, 300.0], 1500.0, 10.0, EdgeModel.MID)
    assert low == pytest.approx([3.0, 6.0], abs=0.01)


def test_coins_need_their_half_height() -> None:
    # 2 euro: 25.75 x 2.20 mm (Council Regulation (EC) 975/98). Upright rim, seen 400 mm out.
    coin = Point(400, 0).buffer(25.75 / 2, 64)
    view = camera(1000.0)
    seen = seen_solid(box_corners(coin, 2.20), view)
    flat = compensate(silhouette(seen), view, height_mm=2.2, edge=EdgeModel.THIN).region
    back = compensate(silhouette(seen), view, height_mm=2.2, edge=EdgeModel.UPRIGHT).region
    assert math.sqrt(4 * back.area / math.pi) == pytest.approx(25.75, abs=0.02)
    assert flat.area > back.area * 1.03


def test_id1_card_hardly_moves() -> None:
    # ISO/IEC 7810 ID-1: 85.60 x 53.98 x 0.76 mm
    card = box(300, 100, 385.60, 153.98)
    view = camera(1000.0)
    seen = seen_solid(box_corners(card, 0.76), view)
    back = compensate(silhouette(seen), view, height_mm=0.76, edge=EdgeModel.UPRIGHT).region
    assert boundary_distance(back, card).max_mm < 0.03
    assert boundary_distance(orient(seen), card).max_mm > 0.25


def test_learned_heights_are_followed_and_gaps_filled() -> None:
    region = box(280, -40, 340, 40).segmentize(1.0)
    count = len(region.exterior.coords) - 1
    view = camera(1500.0)
    args = {"height_mm": 30.0}
    full = compensate(silhouette(region, np.full(count, 1.0)), view, edge=EdgeModel.LEARNED, **args)
    scaled = affinity.scale(region, 0.98, 0.98, origin=(0, 0))
    assert boundary_distance(full.region, scaled).max_mm < EXACT_MM
    none = compensate(
        silhouette(region, np.full(count, np.nan)), view, edge=EdgeModel.LEARNED, **args
    )
    mid = compensate(silhouette(region), view, edge=EdgeModel.MID, **args)
    assert none.region.equals_exact(mid.region, EXACT_MM)


def test_holes_stay_inside() -> None:
    ring = Point(300, 0).buffer(40).difference(Point(300, 0).buffer(30))
    back = compensate(silhouette(ring), camera(1200.0), height_mm=20.0).region
    assert len(back.interiors) == 1
    assert back.is_valid
    assert back.exterior.is_ccw
    assert not back.interiors[0].is_ccw


def test_noisy_contour_stays_simple() -> None:
    rng = np.random.default_rng(5)
    angle = np.linspace(0, 2 * np.pi, 2000, endpoint=False)
    radius = 40 + rng.normal(0, 0.15, len(angle))
    ring = np.column_stack([500 + 3 * radius * np.cos(angle), radius * np.sin(angle)])
    seen = Polygon(ring).buffer(0)
    back = compensate(silhouette(seen), camera(1000.0), height_mm=60.0)
    assert back.region.is_valid
    assert len(back.sigma_ring_mm) == len(back.region.exterior.coords) - 1
    # 0.3 h on the near side, 0.5 h on the far: 380 -> 373.2, 620 -> 601.4 (noise 0.15 x 3)
    assert back.region.bounds[0] == pytest.approx(373.2, abs=1.5)
    assert back.region.bounds[2] == pytest.approx(601.4, abs=1.5)


@pytest.mark.parametrize(
    ("slug", "kwargs"),
    [
        ("height-negative", {"height_mm": -1.0}),
        ("height-negative", {"height_mm": float("nan")}),
        ("height-above-camera", {"height_mm": 1500.0}),
        ("edge-fraction-range", {"height_mm": 10.0, "edge": EdgeModel.FRACTION}),
        (
            "edge-fraction-range",
            {"height_mm": 10.0, "edge": EdgeModel.FRACTION, "edge_fraction": 1.2},
        ),
    ],
)
def test_impossible_input_is_refused(slug: str, kwargs: dict) -> None:
    with pytest.raises(TracerError) as caught:
        compensate(silhouette(box(0, 0, 10, 10)), camera(1500.0), **kwargs)
    assert caught.value.slug == slug


def test_upright_that_leaves_nothing_falls_back() -> None:
    thin = box(500, -100, 508, 100)
    back = compensate(silhouette(thin), camera(1000.0), height_mm=60, edge=EdgeModel.UPRIGHT)
    assert back.method is EdgeModel.MID
    assert [c.slug for c in back.checks] == ["upright-collapsed"]
    assert not back.region.is_empty


def test_unknown_height_is_said_with_its_price() -> None:
    seen = silhouette(box(280, -40, 340, 40))
    outline, checks = outline_from_silhouette(seen, camera(1000.0), outline_id="T03")
    assert outline.height_source is HeightSource.ASSUMED
    assert outline.region.equals(orient(seen.region))
    (check,) = checks
    assert check.slug == "height-unknown"
    # far side at 340 mm from the nadir, 1000 up: 3.4 mm per 10 mm
    assert check.value == pytest.approx(3.4, abs=0.05)
    known, none = outline_from_silhouette(
        seen, camera(1000.0), outline_id="T03", name="15 mm spanner", height_mm=8.0
    )
    assert none == ()
    assert known.name == "15 mm spanner"
    assert known.sigma_mm < outline.sigma_mm / 3
    assert known.point_px == pytest.approx(tuple(camera(1000.0).to_photo([[310.0, 0.0]])[0]), abs=1)


def test_all_sigmas_are_combined() -> None:
    seen = silhouette(box(290, -40, 310, 40))
    grid = SigmaMap(np.array([-500.0, 500]), np.array([-500.0, 500]), np.full((2, 2), 0.3))
    plain = compensate(
        seen, camera(1000.0), height_mm=0.0, height_sigma_mm=0.0, edge=EdgeModel.THIN
    )
    assert plain.sigma_ring_mm == pytest.approx(0.1)
    mapped = compensate(
        seen,
        camera(1000.0),
        height_mm=0.0,
        height_sigma_mm=0.0,
        edge=EdgeModel.THIN,
        sigma_map=grid,
    )
    assert mapped.sigma_ring_mm == pytest.approx(math.hypot(0.1, 0.3))


@pytest.mark.parametrize(
    ("footprint", "height_mm", "model"),
    [
        (Point(300, 100).buffer(14), 38.0, EdgeModel.UPRIGHT),  # socket on its end
        (Point(-60, 20).buffer(45), 60.0, EdgeModel.UPRIGHT),  # tub beside the nadir
        (box(300, 80, 345, 125), 38.0, EdgeModel.MID),  # square body
        (box(200, 80, 380, 100), 12.0, EdgeModel.MID),  # long bar
        (Point(300, 100).buffer(14), 0.0, EdgeModel.MID),  # height not known
    ],
)
def test_round_bodies_on_their_end_are_known(footprint, height_mm, model) -> None:
    view = camera(1000.0)
    seen = silhouette(seen_solid(box_corners(footprint, height_mm), view))
    assert edge_model_for(seen, view, height_mm) is model


def test_lying_bar_is_not_taken_for_a_round_body() -> None:
    # a thick short bar lying along the ray: long silhouette, no circle in it
    view = camera(1000.0)
    seen = silhouette(seen_solid(box_corners(box(250, -15, 330, 15), 30.0), view))
    assert edge_model_for(seen, view, 30.0) is EdgeModel.MID


def test_learned_edge_is_preferred() -> None:
    region = Point(300, 0).buffer(20)
    heights = np.full(len(region.exterior.coords) - 1, np.nan)
    heights[3] = 0.4
    assert edge_model_for(silhouette(region, heights), camera(1000.0), 30.0) is EdgeModel.LEARNED
