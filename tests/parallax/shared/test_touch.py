"""Heights of touch against tangents found by trying every point of a section."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely.geometry import box

from tests.parallax.single_view.test_single import camera, silhouette
from tracer.model.outline import EdgeModel
from tracer.parallax.shared.edge_models import edge_height_mm
from tracer.parallax.shared.touch import UNFAMILIAR, displacing_share, learned_scatter
from tracer.parallax.shared.uncertainty import EDGE_SCATTER
from tracer.parallax.single_view.single import compensate

CAMERA_MM = 1500.0


def seen_edge(section_mm: np.ndarray, side: int) -> tuple[float, float]:
    """Where the outermost ray past a section (x, z) meets the sheet, and where it touches."""
    x, z = section_mm.T
    q = x * CAMERA_MM / (CAMERA_MM - z)
    at = int(np.argmax(side * q))
    return float(q[at]), float(z[at])


def circle(x: float, z: float, radius: float) -> np.ndarray:
    turn = np.linspace(0, 2 * np.pi, 200_001)
    return np.column_stack([x + radius * np.cos(turn), z + radius * np.sin(turn)])


@pytest.mark.parametrize("x_mm", [60.0, 400.0, 900.0])
@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize(
    ("middle_mm", "radius_mm", "height_mm"),
    [
        (30.0, 30.0, 60.0),  # a bar on the sheet
        (12.0, 12.0, 60.0),  # a thin handle on it, below a taller head
        (45.0, 15.0, 60.0),  # the barrel on top of a machine
    ],
)
def test_round_flank_comes_down_to_its_widest_place(
    x_mm, side, middle_mm, radius_mm, height_mm
) -> None:
    q, touched = seen_edge(circle(x_mm, middle_mm, radius_mm), side)
    share = displacing_share([touched / height_mm], [side * q], CAMERA_MM)[0]
    # 200 000 points of the circle: the touched height is known to 1e-5 of the radius
    assert q - q * share * height_mm / CAMERA_MM == pytest.approx(x_mm + side * radius_mm, abs=1e-3)
    # the touched point itself lies inside: up to r (1 - cos 31 degrees) = 0.14 r here
    naive = q - q * touched / CAMERA_MM
    assert side * naive < side * (x_mm + side * radius_mm)


@pytest.mark.parametrize("side", [1, -1])
def test_corners_of_a_box_are_left_where_they_are(side: int) -> None:
    box_mm = np.array([[300.0, 0.0], [300.0, 40.0], [360.0, 40.0], [360.0, 0.0]])
    q, touched = seen_edge(box_mm, side)
    assert touched == (40.0 if side > 0 else 0.0)
    assert displacing_share([touched / 40.0], [side * q], CAMERA_MM)[0] == touched / 40.0


def test_lying_bar_agrees_with_the_model_for_bars() -> None:
    rho = np.linspace(-1200.0, 1200.0, 25)
    sine = np.sin(np.arctan(rho / CAMERA_MM))
    share = displacing_share((1 + sine) / 2, rho, CAMERA_MM)
    z = edge_height_mm(rho, CAMERA_MM, 30.0, EdgeModel.ROUND)
    np.testing.assert_allclose(30.0 * share, z, atol=1e-9)


def test_displacing_height_lies_between_touch_and_half_the_turn() -> None:
    share, rho = np.meshgrid(np.linspace(0, 1, 41), np.linspace(-1500.0, 1500.0, 41))
    moved = displacing_share(share.ravel(), rho.ravel(), CAMERA_MM)
    assert (moved >= -1e-12).all()
    assert (moved <= 1 + 1e-12).all()
    assert ((share.ravel() - moved) * rho.ravel() >= -1e-12).all()


@pytest.mark.parametrize("x_mm", [0.0, 300.0, 600.0, -450.0])
def test_bar_with_learned_heights_comes_back_exactly(x_mm: float) -> None:
    bar = circle(x_mm, 15.0, 15.0)
    (low, z_low), (high, z_high) = seen_edge(bar, -1), seen_edge(bar, 1)
    region = box(low, -100, high, 100).segmentize(1.0)
    x = np.array(region.exterior.coords)[:-1, 0]
    heights = np.interp(x, [low, high], [z_low / 30, z_high / 30])
    back = compensate(
        silhouette(region, heights), camera(CAMERA_MM), height_mm=30.0, edge=EdgeModel.LEARNED
    ).region
    middle = back.intersection(box(-2000, -50, 2000, 50)).bounds
    # as above: the tangents are found to 1e-5 of the radius, and the camera projects to 1e-6
    assert (middle[0], middle[2]) == pytest.approx((x_mm - 15, x_mm + 15), abs=1e-3)


def test_stated_doubt_travels_into_the_outline() -> None:
    region = box(280, -40, 340, 40).segmentize(1.0)
    count = len(region.exterior.coords) - 1
    spread = {}
    for doubt in (0.05, 0.30, np.nan):
        share = np.full(count, np.nan if np.isnan(doubt) else 1.0)
        seen = silhouette(region, share, np.full(count, doubt))
        back = compensate(
            seen, camera(1000.0), height_mm=50.0, height_sigma_mm=0.0, edge=EdgeModel.LEARNED
        )
        ring = np.array(back.region.exterior.coords)[:-1]
        east = (ring[:, 0] > 310) & (np.abs(ring[:, 1]) < 30)
        spread[doubt] = float(np.median(back.sigma_ring_mm[east]))
    # rho h / H = 340 x 50 / 1000 = 17 mm per whole height; the silhouette itself states 0.1 mm
    for doubt in (0.05, 0.30):
        expected = math.hypot(17.0 * math.hypot(doubt, UNFAMILIAR), 0.1)
        assert spread[doubt] == pytest.approx(expected, rel=1e-3)
    unknown = math.hypot(17.0 * EDGE_SCATTER[EdgeModel.MID], 0.1)
    assert spread[np.nan] == pytest.approx(unknown, rel=1e-3)


def test_doubt_about_the_section_grows_with_the_lean() -> None:
    scatter = learned_scatter([0.5, 0.5, 1.0], [0.1, 0.1, 0.1], [0.0, 600.0, 600.0], 1500.0)
    assert scatter[0] == pytest.approx(math.hypot(0.1, UNFAMILIAR))
    # half of r (sin - tan half), tan theta = 0.4, r = 0.5 / (1 + sin) = 0.365
    half = 0.5 * 0.5 / (1 + 0.37139) * (0.37139 - 0.19258)
    assert scatter[1] == pytest.approx(math.hypot(scatter[0], half), rel=1e-3)
    assert scatter[2] == pytest.approx(scatter[0])  # at the very top there is only a corner


def test_without_a_stated_deviation_a_typical_one_is_taken() -> None:
    scatter = learned_scatter([0.5, np.nan], np.nan, [0.0, 0.0], 1500.0)
    typical = math.hypot(EDGE_SCATTER[EdgeModel.LEARNED], UNFAMILIAR)
    assert scatter.tolist() == pytest.approx([typical, EDGE_SCATTER[EdgeModel.MID]])
