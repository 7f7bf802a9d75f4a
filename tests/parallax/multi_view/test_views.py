"""Frames, parts, typed heights and bounds of several photos, against closed forms."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from shapely.geometry import Point, Polygon, box

from tests.parallax.multi_view.lays import silhouette
from tests.parallax.multi_view.solids import bench_lay, camera
from tests.parallax.multi_view.solids import ring as circle
from tracer.model.view import View
from tracer.parallax.multi_view.correspond import (
    Part,
    Track,
)
from tracer.parallax.multi_view.edges import Camera
from tracer.parallax.multi_view.observation import Observation
from tracer.parallax.multi_view.solved import TypedHeight
from tracer.parallax.multi_view.together import (
    find_height,
)
from tracer.parallax.multi_view.views import (
    frame_of,
    hull_bounds,
    observations_of,
    siblings_of,
    solve_views,
    typed_for,
)

OWN = Camera(np.array([0.0, 0.0]), 1000.0)
SIDE = Camera(np.array([400.0, 0.0]), 1000.0)
FRAME = box(-2000, -2000, 2000, 2000)
DISC = Point(60.0, 20.0).buffer(40.0, quad_segs=32)


@pytest.mark.parametrize("aim", [np.zeros(2), np.array([150.0, -80.0])])
def test_the_frame_of_a_photo_is_its_picture_less_three_pixels(aim: np.ndarray) -> None:
    """Without distortion it is the quadrilateral of the picture's corners, moved in."""
    view = camera("a", -200.0, 120.0, 1300.0, aim, 3028.0)
    frame = frame_of(view)
    w, h = view.size_px
    corners = np.array([[3, 3], [w - 4, 3], [w - 4, h - 4], [3, h - 4]], float)
    plain = Polygon(view.to_sheet(corners))
    assert frame.hausdorff_distance(plain) < 1e-6
    bent = View("a", view.size_px, view.K, np.array([-0.08, 0.0, 0, 0, 0]), view.R, view.t)
    rim = shapely.segmentize(frame_of(bent).exterior, 5.0)
    pixels = bent.to_photo(
        np.column_stack([shapely.get_coordinates(rim), np.zeros(len(rim.coords))])
    )
    inset = np.minimum(pixels.min(axis=1), np.min([w - 1, h - 1] - pixels, axis=1))
    assert inset == pytest.approx(3.0, abs=1.0)


def test_a_part_is_whole_unless_shared_or_cut() -> None:
    sound, cut = silhouette("A", "a", DISC), silhouette("B", "a", DISC, border=True)
    silhouettes = [(sound, cut), (sound,)]
    track = Track((Part(0, (0,)), Part(0, (1,)), Part(0, (0, 1)), Part(1, (0,), shared=True)))
    found = observations_of(track, silhouettes, [OWN, SIDE], [FRAME, FRAME])
    assert [g.whole for g in found] == [True, False, False, False]
    assert [g.photo for g in found] == [0, 0, 0, 1] and found[3].camera is SIDE


def test_siblings_are_tracks_that_share_a_silhouette() -> None:
    a = Track((Part(0, (0,), shared=True), Part(1, (0,))))
    b = Track((Part(0, (0,), shared=True), Part(1, (1,))))
    c = Track((Part(0, (1,)), Part(1, (2,))))
    assert [siblings_of([a, b, c], k) for k in range(3)] == [[1], [0], []]


def test_a_typed_height_belongs_to_the_tool_whose_middle_is_nearest() -> None:
    view = camera("a", 0.0, 0.0, 1000.0, np.zeros(2), 3028.0)
    near, far = Point(0, 0), Point(25, 0)
    rows = [
        TypedHeight("a", tuple(view.to_photo([[p.x, p.y, 0.0]])[0]), h, 1.0)
        for p, h in ((far, 10.0), (near, 20.0))
    ]
    disc = Point(0, 0).buffer(30)
    look = [Observation(0, OWN, (silhouette("S", "a", disc),), FRAME, True)]
    found = typed_for(look, rows, [view])
    assert found is not None and found.height_mm == 20.0
    assert typed_for(look, rows[:1], [view]) is rows[0]
    elsewhere = [Observation(0, OWN, (silhouette("S", "a", Point(99, 0).buffer(20)),), FRAME, True)]
    assert typed_for(elsewhere, rows, [view]) is None
    other = View("b", view.size_px, view.K, view.dist, view.R, view.t)
    assert typed_for(look, rows, [other]) is None


def whole_of(low: float, high: float, radius: float = 30.0) -> SimpleNamespace:
    out = circle(1.0, 200)
    quality = SimpleNamespace(low_mm=np.full(200, low), high_mm=np.full(200, high))
    fit = SimpleNamespace(ring=SimpleNamespace(points_mm=radius * out), normal=out)
    return SimpleNamespace(exterior=SimpleNamespace(fit=fit, quality=quality))


@pytest.mark.parametrize("high", [0.0, 0.29, 0.31, 5.0])
@pytest.mark.parametrize("low", [0.0, -0.29, -0.31, -5.0, -40.0])
def test_bounds_are_rings_as_far_off_as_the_photos_leave_them(low: float, high: float) -> None:
    outer, inner = hull_bounds(whole_of(low, high))  # type: ignore[arg-type]
    assert (outer is None) is (high < 0.3) and (inner is None) is (low > -0.3)
    if outer is not None:
        assert outer.area == pytest.approx(np.pi * (30 + high) ** 2, rel=2e-3)
    if inner is not None and low > -30:
        assert inner.area == pytest.approx(np.pi * (30 + low) ** 2, rel=2e-3)


def test_a_shape_that_may_be_nothing_has_no_inner_bound() -> None:
    assert hull_bounds(whole_of(-30.0, 0.0)) == (None, None)  # type: ignore[arg-type]


def test_a_solved_tool_says_at_which_height_its_edges_agree() -> None:
    lay = bench_lay(((0.0, 0.0), (-0.4, -0.4), (0.4, -0.4)), names=("block",))
    (tool,) = solve_views(lay.silhouettes, lay.views).tools
    regions = [s[0].region for s in lay.silhouettes]
    cameras = [Camera(v.nadir_mm, v.height_mm) for v in lay.views]
    look = [
        Observation(k, c, (silhouette("S", "a", r),), FRAME, True)
        for k, (r, c) in enumerate(zip(regions, cameras, strict=True))
    ]
    assert tool.edge_mm == pytest.approx(find_height(look, (), None).z_mm, abs=0.5)
    assert 5.0 < tool.edge_mm < 35.0  # between foot and top
    assert tool.edges.low_mm.min() >= 0 and (tool.edges.low_mm <= tool.edges.high_mm).all()
