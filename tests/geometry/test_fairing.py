"""Evening out a ring: what it may take away, and what it must leave."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import Point, Polygon, box

from tests.geometry.shapes import ring_points, spanner
from tracer.geometry.arcs import fit_arcs
from tracer.geometry.compare import boundary_distance
from tracer.geometry.fairing import faired
from tracer.geometry.loops import polygon_of
from tracer.geometry.tangent_arcs import joint_breaks
from tracer.geometry.widen import widened


def noisy(region: Polygon, noise_mm: float, seed: int = 3, alike: int = 3) -> Polygon:
    """The region's ring with noise across it that stays alike over a few millimetres."""
    points = ring_points(region, 1.0)
    rng = np.random.default_rng(seed)
    weights = np.ones(alike) / np.sqrt(alike)
    noise = rng.standard_normal(len(points) + alike - 1)
    noise = noise_mm * np.convolve(noise, weights, "valid")
    along = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    along /= np.hypot(*along.T)[:, None]
    return Polygon(points + noise[:, None] * np.column_stack([along[:, 1], -along[:, 0]]))


def test_noise_goes_and_the_shape_stays() -> None:
    true = spanner()
    traced = noisy(true, 0.2)
    even, chi = faired(traced, np.full(len(traced.exterior.coords) - 1, 0.6), share=0.1, most=1.0)
    before, after = boundary_distance(traced, true), boundary_distance(even, true)
    assert after.mean_mm < 0.85 * before.mean_mm
    assert 0 < chi <= np.sqrt(0.1)


def test_never_beyond_the_evidence() -> None:
    # a bent tine: 1.5 mm over 40 mm of a straight bar, known to 0.2 mm
    x = np.arange(0, 161.0)
    bent = 1.5 * np.exp(-(((x - 80) / 20) ** 2))
    bar = Polygon([*zip(x, bent, strict=True), *zip(x[::-1], bent[::-1] + 12, strict=True)])
    bar = bar.buffer(-3).buffer(3, quad_segs=32)  # ends rounded: what moves is the bend alone
    sigma = np.full(len(bar.exterior.coords) - 1, 0.2)
    even, _ = faired(bar, sigma, share=0.05, most=0.7)
    assert boundary_distance(even, bar).max_mm < 0.2
    # and no movement at all where the edge is known exactly
    sure, chi = faired(bar, np.full(len(sigma), 1e-6), share=0.05, most=0.7)
    assert chi == 0 and sure.equals(bar)


def test_true_corners_stay_sharp() -> None:
    traced = noisy(box(0, 0, 120, 40).segmentize(1.0), 0.05)
    even, _ = faired(traced, np.full(len(traced.exterior.coords) - 1, 0.5), share=0.05, most=0.7)
    for corner in ((0, 0), (120, 0), (120, 40), (0, 40)):
        assert even.exterior.distance(Point(corner)) < 0.6


def test_an_even_ring_needs_few_pieces_that_meet_without_kinks() -> None:
    traced = noisy(spanner(), 0.15)
    even, _ = faired(traced, np.full(len(traced.exterior.coords) - 1, 0.5), share=0.1, most=1.0)

    def fitted(region: Polygon, *, tangent: bool) -> np.ndarray:
        ring = np.asarray(region.buffer(1.0, quad_segs=32).exterior.coords)[:-1]
        return fit_arcs(ring, 0.15, tangent=tangent).loop.vertices

    rough, smooth = fitted(traced, tangent=False), fitted(even, tangent=True)
    assert len(smooth) < 0.7 * len(rough)
    kinks = np.abs(joint_breaks(smooth)) > np.radians(6)
    assert kinks.mean() < (np.abs(joint_breaks(rough)) > np.radians(6)).mean() / 2


def test_made_tangent_stays_near_its_points() -> None:
    ring = np.asarray(spanner().buffer(2.0, quad_segs=32).exterior.coords)[:-1]
    fit = fit_arcs(ring, 0.1, tangent=True)
    region = polygon_of(fit.loop, 0.002)
    assert boundary_distance(region, Polygon(ring)).max_mm < 0.16
    assert fit.max_distance_mm <= 0.15


@pytest.mark.parametrize("width", [1.2, -0.4])
def test_an_even_width_is_a_buffer(width: float) -> None:
    region = spanner()
    moved = widened(region, np.array([0.0]), np.array([width]))
    # shapely's own round buffer as the reference; chords of both rings: 0.005 mm along the ring
    exact = region.buffer(width, quad_segs=64)
    assert moved.symmetric_difference(exact).area < 0.005 * region.exterior.length


def test_a_width_that_changes_follows_its_places() -> None:
    bar = box(0, 0, 200, 20)
    run = np.array([0.0, 100.0, 200.0, 220.0])
    first = bar.exterior.coords[0]
    moved = widened(bar, run, np.array([0.5, 0.5, 2.5, 0.5]))
    assert moved.contains(bar)
    ahead = np.asarray(bar.exterior.interpolate(150.0).coords)[0]
    assert moved.exterior.distance(Point(ahead)) == pytest.approx(1.5, abs=0.02)
    near = np.asarray(bar.exterior.interpolate(50.0).coords)[0]
    assert moved.exterior.distance(Point(near)) == pytest.approx(0.5, abs=0.02)
    assert len(first) == 2
