"""Heights put together, holes confirmed, limits kept: figures by hand, both sides of each."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from shapely.geometry import Point, Polygon, box

from tests.parallax.multi_view.lays import silhouette
from tracer.parallax.multi_view.bounds import doubt_of
from tracer.parallax.multi_view.edges import Camera
from tracer.parallax.multi_view.observation import Observation
from tracer.parallax.multi_view.oneheight import OneHeight, lies_flat
from tracer.parallax.multi_view.together import (
    TypedPrior,
    contour_of,
    find_height,
    seen_hole,
    solve_together,
    tool_height,
)

OWN = Camera(np.array([0.0, 0.0]), 1000.0)
SIDE = Camera(np.array([400.0, 0.0]), 1000.0)
THIRD = Camera(np.array([100.0, 500.0]), 1200.0)
FRAME = box(-2000, -2000, 2000, 2000)


def on_sheet(shape: Polygon, z_mm: float, of: Camera) -> Polygon:
    k = of.height_mm / (of.height_mm - z_mm)
    return shapely.transform(shape, lambda p: of.nadir_mm + k * (p - of.nadir_mm))


def seen(shape, of: Camera, z_mm: float, photo: int, *, whole=True, frame=FRAME) -> Observation:
    region = on_sheet(shape, z_mm, of).intersection(frame)
    cut = not frame.contains_properly(region)
    found = silhouette(f"S{photo}", "a", region, border=cut)
    return Observation(photo, of, (found,), frame, whole and not cut)


DISC = Point(60.0, 20.0).buffer(40.0, quad_segs=32)


def looks(z_mm: float, cameras=(OWN, SIDE)) -> list[Observation]:
    return [seen(DISC, c, z_mm, k) for k, c in enumerate(cameras)]


@pytest.mark.parametrize("z_mm", [0.0, 12.0, 36.0])
def test_a_typed_height_enters_with_the_scatter_of_edges(z_mm: float) -> None:
    """Edges stand at 0.46 of a tool's height, give or take 0.16 of it and 0.3 mm; both weighed."""
    plain = find_height(looks(z_mm), (), None)
    assert plain.z_mm == pytest.approx(z_mm, abs=0.2)
    for typed in (TypedPrior(50.0, 1.0), TypedPrior(10.0, 8.0)):
        both = find_height(looks(z_mm), (), typed)
        share = np.hypot(0.16 * typed.height_mm, 0.46 * typed.sigma_mm) + 0.3
        weight = np.array([1 / max(plain.sigma_mm, 0.05) ** 2, 1 / share**2])
        mean = weight @ [plain.z_mm, 0.46 * typed.height_mm] / weight.sum()
        assert both.z_mm == pytest.approx(mean)
        assert both.sigma_mm == pytest.approx(weight.sum() ** -0.5)
        assert min(plain.z_mm, 0.46 * typed.height_mm) <= both.z_mm
        assert both.sigma_mm < min(plain.sigma_mm, share)


def test_photos_that_know_nothing_leave_what_was_typed() -> None:
    twice = [seen(DISC, OWN, 0.0, 0), seen(DISC, OWN, 0.0, 1)]
    found = find_height(twice, (), TypedPrior(50.0, 5.0))
    assert found.z_mm == pytest.approx(23.0, abs=0.1)
    assert found.sigma_mm == pytest.approx(np.hypot(8.0, 2.3) + 0.3, rel=1e-3)


def test_cut_silhouettes_are_compared_where_both_photos_look() -> None:
    """A bar that one frame cuts in the middle: its height is that of what both show."""
    bar = box(-100, -10, 160, 10)
    half = box(-2000, -2000, 70, 2000)
    cut = [seen(bar, OWN, 24.0, 0, frame=half), seen(bar, SIDE, 24.0, 1)]
    assert not cut[0].whole and cut[0].silhouettes[0].touches_border
    assert find_height(cut, (), None).z_mm == pytest.approx(24.0, abs=1.0)


def test_tools_run_together_are_searched_as_the_group() -> None:
    left, right = box(0, 0, 60, 30), box(0, 32, 60, 62)
    pair = shapely.union_all([left, right, box(0, 30, 60, 32)])
    both = (silhouette("S", "a", on_sheet(pair, 20.0, OWN)),)
    merged = Observation(0, OWN, both, FRAME, False)
    one = [merged, seen(left, SIDE, 20.0, 1)]
    other = [merged, seen(right, SIDE, 20.0, 1)]
    assert find_height(one, [other], None).z_mm == pytest.approx(20.0, abs=2.0)


@pytest.mark.parametrize(
    ("z", "sigma", "flat"),
    [(0.7, 0.7, True), (-0.7, 0.7, True), (0.9, 0.1, False), (0.1, 0.9, False)],
)
def test_what_lies_flat(z: float, sigma: float, flat: bool) -> None:
    assert lies_flat(OneHeight(z, 0.1, sigma)) is flat


def test_a_tools_top_follows_its_highest_edges() -> None:
    """1.86 top^0.89, never below them; 15 % and 0.8 mm of scatter, more where edges are vague."""
    sure = OneHeight(10.0, 0.1, 0.0)
    height, spread = tool_height(20.0, sure)
    assert height == pytest.approx(1.86 * 20**0.89)
    assert spread == pytest.approx(0.15 * height + 0.8)
    vague = tool_height(20.0, OneHeight(10.0, 0.1, 2.3))[1]
    assert vague == pytest.approx(np.hypot(0.15 * height, 5.0) + 0.8)
    assert tool_height(20.0, OneHeight(10.0, 0.1, np.inf))[1] == pytest.approx(
        np.hypot(0.15 * height, height) + 0.8
    )
    assert tool_height(400.0, sure)[0] == 400.0
    heights = [tool_height(t, sure)[0] for t in np.linspace(0, 300, 61)]
    assert (np.diff(heights) >= 0).all() and heights[0] > 0


def views_of(*counts: int) -> SimpleNamespace:
    return SimpleNamespace(view_count=np.repeat(np.arange(len(counts)), counts))


@pytest.mark.parametrize(
    ("counts", "hole"),
    [
        ((69, 0, 31), True),  # three tenths seen by two
        ((71, 0, 29), False),
        ((19, 70, 11), True),  # or a tenth, and four fifths by one at least
        ((19, 72, 9), False),
        ((21, 68, 11), False),
        ((0, 100, 0), False),
    ],
)
def test_how_much_of_a_hole_must_be_seen(counts, hole: bool) -> None:
    assert seen_hole(views_of(*counts)) is hole  # type: ignore[arg-type]


def test_edges_that_few_photos_confirm() -> None:
    counts = np.array([0, 1, 2, 3])
    assert doubt_of(counts, 2).tolist() == [3.6, 3.6, 0.0, 0.0]
    assert doubt_of(counts, 3).tolist() == [3.6, 3.6, 1.5, 0.0]


def test_a_typed_height_bounds_the_edges_unless_they_are_seen_well_above_it() -> None:
    """Typed and three deviations; and an edge is sought up to half the camera's height at most."""
    cameras = (OWN, SIDE, THIRD)
    within = solve_together(looks(30.0, cameras), typed=TypedPrior(40.0, 1.0))
    assert within is not None
    fit = within.exterior.fit
    assert (fit.ring.middle_mm + fit.ring.half_mm).max() <= 42.0 + 1e-6  # two deviations above
    assert fit.sighting.z_mm.max() <= 42.0 + 1e-6
    contradicted = solve_together(looks(60.0, cameras), typed=TypedPrior(10.0, 1.0))
    assert contradicted is not None
    assert np.median(contradicted.exterior.fit.ring.middle_mm) > 20.0
    assert contradicted.edge_mm == contradicted.one_height.z_mm > 13.0


def test_what_a_photo_shows_is_cut_at_its_frame_and_nowhere_else() -> None:
    plain = contour_of(seen(DISC, OWN, 0.0, 0))
    assert np.linalg.norm(plain.end_mm - plain.start_mm, axis=1).sum() == pytest.approx(
        DISC.length, rel=1e-3
    )
    half = box(-2000, -2000, 60, 2000)
    cut = seen(DISC, OWN, 0.0, 0, frame=half)
    shown = contour_of(Observation(0, OWN, cut.silhouettes, half.buffer(-0.5), False))
    assert shown.start_mm[:, 0].max() < 60.0
    assert np.linalg.norm(shown.end_mm - shown.start_mm, axis=1).sum() == pytest.approx(
        DISC.length / 2, rel=0.02
    )
