"""One photo's ring, moved down along its rays: samples, normals, doubt of each edge model."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from shapely import affinity
from shapely.geometry import MultiPolygon, Polygon, box

from tests.parallax.multi_view.lays import silhouette
from tests.parallax.multi_view.solids import camera
from tracer.model.calibration import SigmaMap
from tracer.model.outline import Cause, EdgeModel
from tracer.model.report import Severity
from tracer.parallax.shared.edge_models import edge_height_mm
from tracer.parallax.single_view.plausible import doubtful_height
from tracer.parallax.single_view.relief import brought_down, relief_corrected
from tracer.parallax.single_view.sampled_ring import sampled
from tracer.parallax.single_view.single import _lost, compensate, outline_from_silhouette

H = 1000.0
VIEW = camera("a", 40.0, -30.0, H, np.array([40.0, -30.0]), 3028.0)
NADIR = np.array([40.0, -30.0])
SQUARE = box(340, 170, 400, 210)


def ring_of(region: Polygon, **figures: object):
    return sampled(shapely.get_coordinates(shapely.orient_polygons(region).exterior), **figures)  # type: ignore[arg-type]


def test_a_ring_is_sampled_on_its_sides_no_more_than_a_millimetre_apart() -> None:
    """Reference: shapely's segmentize, which halves sides as evenly."""
    region = Polygon([(0, 0), (50.5, 0), (50.5, 20), (0.4, 20), (0.4, 19.6)])
    found = ring_of(region)
    wanted = shapely.get_coordinates(shapely.segmentize(region.exterior, 1.0))[:-1]
    assert found.points_mm == pytest.approx(wanted)
    steps = np.linalg.norm(np.diff(found.points_mm, axis=0), axis=1)
    assert steps.max() <= 1.0 + 1e-9
    beyond = shapely.points(found.points_mm + 0.5 * found.normals)
    assert not shapely.intersects(region.buffer(-1e-6), beyond).any()
    assert np.hypot(*found.normals.T) == pytest.approx(1.0)


def test_figures_go_straight_from_corner_to_corner() -> None:
    x, y = shapely.get_coordinates(SQUARE.exterior)[:-1].T
    found = ring_of(SQUARE, sigma_mm=2 * x - y, fraction=x + y)
    px, py = found.points_mm.T
    assert found.sigma_mm == pytest.approx(2 * px - py)
    assert found.fraction == pytest.approx(px + py)
    assert np.isnan(found.fraction_sigma).all()


def test_the_distance_of_an_edge_from_the_nadir_is_that_of_its_line() -> None:
    found = ring_of(SQUARE)
    rho = found.rho_mm(NADIR)
    sides = [(0, 340.0, -300.0), (0, 400.0, 360.0), (1, 170.0, -200.0), (1, 210.0, 240.0)]
    for axis, side, wanted in sides:
        there = (found.points_mm[:, axis] == side) & (np.abs(found.normals[:, axis]) > 0.999)
        assert there.sum() > 10
        assert rho[there] == pytest.approx(wanted, rel=1e-3)
    # in another frame nothing changes
    moved = ring_of(affinity.translate(SQUARE, -500.0, 70.0)).rho_mm(
        NADIR + np.array([-500.0, 70.0])
    )
    assert moved == pytest.approx(rho)


def test_points_come_down_along_their_rays() -> None:
    """Similar triangles: what stands at z and is seen at q lies (1 - z / H) of the way out."""
    true = ring_of(SQUARE)
    z = np.linspace(5.0, 40.0, len(true.points_mm))
    seen = NADIR + (true.points_mm - NADIR) * (H / (H - z))[:, None]
    raised = SimpleNamespace(points_mm=seen)
    assert relief_corrected(raised, NADIR, H, z) == pytest.approx(true.points_mm)  # type: ignore[arg-type]


def test_a_thin_part_whose_edges_are_told_two_heights_holds() -> None:
    """A rod of 4 mm, one edge told 60 mm and the other nothing: they would pass each other."""
    body = box(300, 100, 360, 140).union(box(360, 118, 520, 122))
    outer = ring_of(body)
    rod = outer.points_mm[:, 0] > 365
    z = np.where(rod & (outer.normals[:, 1] > 0.5), 60.0, 0.0)
    shape, used = brought_down(outer, z, [], NADIR, H)
    assert shape.bounds[2] > 480  # the rod is there
    assert np.abs(used - z).max() > 10
    far = np.linalg.norm(outer.points_mm - (300, 120), axis=1) < 10
    assert used[far] == pytest.approx(z[far])  # far from it heights stay
    sound, kept = brought_down(outer, np.full(len(z), 20.0), [], NADIR, H)
    assert (kept == 20.0).all() and sound.is_valid


def test_what_a_footprint_loses_is_all_but_its_largest_piece() -> None:
    pieces = MultiPolygon([box(0, 0, 30, 10), box(40, 0, 50, 10)])
    assert _lost(pieces) == pytest.approx(0.25)
    assert _lost(box(0, 0, 30, 10)) == 0.0


@pytest.mark.parametrize(("height", "far"), [(5, 0.6), (15, 0.6), (20, 0.55), (25, 0.5), (60, 0.5)])
def test_low_tools_are_seen_higher_on_their_far_side(height: float, far: float) -> None:
    """0.6 of the height up to 15 mm, half of it from 25 mm on; 0.3 of it towards the nadir."""
    away, near, over = edge_height_mm([4e5, -4e5, 0.0], H, height, EdgeModel.MID)
    assert away == pytest.approx(far * height, rel=1e-4)
    assert near == pytest.approx(0.3 * height, rel=1e-3)
    assert over == pytest.approx((far + 0.3) / 2 * height)
    half = edge_height_mm([20.0], H, height, EdgeModel.MID)[0]  # 20 mm off
    assert half == pytest.approx(over + (far - 0.3) / 2 * height / 2**0.5)


def test_the_rim_of_a_lying_bar_is_where_its_tangent_is() -> None:
    """Brute force: the outermost of all points of a circle, cut with the sheet along the rays."""
    radius, axis = 12.0, 300.0
    angle = np.linspace(0, 2 * np.pi, 20001)
    x, z = axis + radius * np.cos(angle), radius + radius * np.sin(angle)
    seen = x * H / (H - z)
    for side, true, shown in ((1, axis + radius, seen.max()), (-1, axis - radius, seen.min())):
        rho = side * shown
        (height,) = edge_height_mm([rho], H, 2 * radius, EdgeModel.ROUND)
        assert shown * (1 - height / H) == pytest.approx(true, abs=0.1)
        assert abs(shown - true) > 2.0


def test_learned_heights_stand_in_where_they_are_known() -> None:
    plain = edge_height_mm([300.0, 300.0], H, 30.0, EdgeModel.MID)
    found = edge_height_mm([300.0, 300.0], H, 30.0, EdgeModel.LEARNED, [0.9, np.nan])
    assert found == pytest.approx([27.0, plain[1]])
    assert edge_height_mm([300.0, -300.0], H, 30.0, EdgeModel.FRACTION, 0.4) == pytest.approx(12.0)
    assert edge_height_mm([300.0, -300.0], H, 30.0, EdgeModel.THIN).tolist() == [0.0, 0.0]
    assert edge_height_mm([300.0, -300.0], H, 30.0, EdgeModel.UPRIGHT).tolist() == [30.0, 0.0]


SCATTER = {
    EdgeModel.MID: 0.20,
    EdgeModel.THIN: 0.10,
    EdgeModel.ROUND: 0.05,
    EdgeModel.UPRIGHT: 0.05,
}


@pytest.mark.parametrize("edge", SCATTER)
def test_each_models_doubt_on_the_far_side(edge: EdgeModel) -> None:
    """Height, class, camera and map by hand at the middle of the side that faces away."""
    height, spread = 20.0, 3.0
    cov = np.diag([16.0, 9.0, 25.0])
    axis = np.array([-2000.0, 2000.0])
    taken = silhouette("S", "a", shapely.segmentize(SQUARE, 2.0), sigma_mm=0.15)
    found = compensate(
        taken,
        VIEW,
        height_mm=height,
        edge=edge,
        height_sigma_mm=spread,
        pose_cov=cov,
        sigma_map=SigmaMap(axis, axis, np.full((2, 2), 0.3)),
    )
    rho = 360.0
    (z,) = edge_height_mm([rho], H, height, edge)
    tilt = rho / H
    wanted = np.sqrt(
        0.15**2
        + (tilt * z / height * spread) ** 2
        + (tilt * height * SCATTER[edge]) ** 2
        + (z / H) ** 2 * 16
        + (rho * z / H**2) ** 2 * 25
        + 0.3**2
    )
    ring = shapely.get_coordinates(found.region.exterior)[:-1]
    at = (400 - NADIR[0]) * (1 - z / H) + NADIR[0]
    middle = np.argmin(np.linalg.norm(ring - (at, (190 + 30) * (1 - z / H) - 30), axis=1))
    assert found.sigma_ring_mm[middle] == pytest.approx(wanted, rel=0.02)
    assert set(found.budget_mm) == {
        Cause.SILHOUETTE, Cause.HEIGHT, Cause.EDGE_CLASS, Cause.CAMERA, Cause.SHEET,
    }  # fmt: skip
    assert found.bias_bound_mm == 0.0 and found.method is edge


def test_a_height_that_would_show_sides_says_how_much_of_them() -> None:
    """Seen from 1000 mm, 420 mm out: 200 mm up would show 84 mm."""
    where = box(NADIR[0] + 410, NADIR[1] - 10, NADIR[0] + 430, NADIR[1] + 10)
    (check,) = doubtful_height(where, VIEW, 200.0, "T01", "T01")
    assert check.slug == "height-excluded" and "84 mm of its sides" in check.sentence
    assert doubtful_height(where, VIEW, 10.0, "T01", "T01") == ()
    assert doubtful_height(where, VIEW, 0.0, "T01", "T01") == ()
    assert doubtful_height(where, VIEW, 1000.0, "T01", "T01") == ()
    broad = box(NADIR[0] - 40, NADIR[1] - 10, NADIR[0] + 40, NADIR[1] + 10)
    for height, told in ((59.0, False), (61.0, True)):  # three times its 20 mm
        checks = doubtful_height(broad, VIEW, height, "T01", "T01")
        assert [c.slug for c in checks] == (["height-doubtful"] if told else [])
        assert all(c.limit == pytest.approx(60, abs=0.5) for c in checks)


def test_without_a_height_a_warning_says_what_each_centimetre_costs() -> None:
    """Its far corner, whose normal is the mean of two sides', lies 424 mm out: 4.24 of 10 mm."""
    taken = silhouette("S", "a", shapely.segmentize(SQUARE, 2.0))
    _, checks = outline_from_silhouette(taken, VIEW, outline_id="T01", name="pump")
    (check,) = [c for c in checks if c.slug == "height-unknown"]
    assert check.severity is Severity.WARN and check.subject_id == "T01"
    assert check.value == pytest.approx((360 + 240) / 2**0.5 / 100, rel=1e-3)
