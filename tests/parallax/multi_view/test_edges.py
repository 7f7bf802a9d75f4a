"""One round of the edge solve: what it predicts, what it weighs, and what it must not depend on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon, box

from tests.parallax.multi_view.solids import ring as circle
from tracer.geometry.closed_rings import normals
from tracer.parallax.multi_view.contours import Contour
from tracer.parallax.multi_view.edges import (
    Camera,
    EdgeSettings,
    Ring,
    Sighting,
    look,
    moved,
    solve_ring,
    solve_round,
)
from tracer.parallax.multi_view.mending import bridged, cleaned

COUNT = 120
RADIUS = 30.0
PLACE = np.array([80.0, -40.0])
POINTS = PLACE + circle(RADIUS, COUNT)
SETTINGS = EdgeSettings()
#: the same edge, finely: no crossing falls on one of its corners
FINE = PLACE + circle(RADIUS, 997) @ np.array([[0.995, 0.0998], [-0.0998, 0.995]])
CAMERAS = [Camera(np.array([400.0, -40.0]), 1000.0), Camera(np.array([-240.0, -40.0]), 1000.0)]


def ring_at(middle: float, half: float = 0.0, guess: float | None = None) -> Ring:
    flat = np.ones(COUNT)
    return Ring(POINTS, middle * flat, half * flat, (middle if guess is None else guess) * flat)


def contour_of(points: np.ndarray, sigma: float = 0.1) -> Contour:
    return Contour([points], [np.full(len(points), sigma)])


def on_sheet(points: np.ndarray, z: np.ndarray | float, camera: Camera) -> np.ndarray:
    """Along the rays to the sheet, by similar triangles."""
    z = np.broadcast_to(z, len(points))[:, None]
    return camera.nadir_mm + (points - camera.nadir_mm) * camera.height_mm / (camera.height_mm - z)


def sighting_of(ring: Ring, cameras=CAMERAS, contours=None, window: float = 12.0) -> Sighting:
    contours = contours or [contour_of(on_sheet(FINE, 20.0, c)) for c in cameras]
    return look(ring, normals(POINTS), cameras, contours, 300.0, window, SETTINGS)


def test_an_edge_at_its_predicted_height_leaves_nothing_over() -> None:
    straight = replace(SETTINGS, roundness=0.0)
    contours = [contour_of(on_sheet(FINE, 20.0, c)) for c in CAMERAS]
    found = look(ring_at(20.0), normals(POINTS), CAMERAS, contours, 300.0, 12.0, straight)
    assert found.seen.all()
    assert found.z_mm == pytest.approx(np.full((2, COUNT), 20.0))
    assert np.abs(found.residual_mm).max() < 0.02
    # seen 3 mm further out along the normal, every sample is 3 mm off
    away = [contour_of(on_sheet(FINE + 3 / RADIUS * (FINE - PLACE), 0.0, c)) for c in CAMERAS]
    flat = look(ring_at(0.0), normals(POINTS), CAMERAS, away, 300.0, 12.0, straight)
    assert flat.residual_mm == pytest.approx(np.full((2, COUNT), 3.0), abs=0.02)


def test_a_camera_behind_an_edge_sees_it_higher_than_one_before_it() -> None:
    found = sighting_of(ring_at(20.0, half=5.0, guess=20.0))
    east = 0  # the sample that faces the first camera: that is before it, the other behind
    before, behind = found.z_mm[:, east]
    assert found.rho_mm[:, east] == pytest.approx([80 + 30 - 400, 80 + 30 + 240])
    # by the half difference, nearly full so far out, and by half the one height times rho / H
    share = np.abs(found.rho_mm[:, east]) / np.hypot(found.rho_mm[:, east], 20.0)
    lean = 0.5 * 20.0 * np.abs(found.rho_mm[:, east]) / 1000.0
    assert before == pytest.approx(20 - 5 * share[0] - lean[0])
    assert behind == pytest.approx(20 + 5 * share[1] + lean[1])
    # one right over the edge sees it in the middle
    over = sighting_of(ring_at(20.0, half=5.0), [Camera(POINTS[east], 1000.0)])
    assert over.z_mm[0, east] == pytest.approx(20.0, abs=0.05)


def test_heights_stay_between_the_sheet_and_the_top() -> None:
    low, high = (sighting_of(ring_at(z, half=4.0, guess=20.0)) for z in (2.0, 59.0))
    assert low.z_mm.min() == 0.0 and low.z_mm.max() > 2.0
    assert high.z_mm.max() == 60.0  # 40 mm above the guess
    assert ring_at(50.0).top_mm(300.0) == pytest.approx(120.0)  # 1.4 times above it
    assert ring_at(50.0).top_mm(90.0) == pytest.approx(90.0)


def test_how_the_seen_place_moves_with_the_height_is_its_numerical_derivative() -> None:
    found = sighting_of(ring_at(20.0))
    for camera, rho, z, slope in zip(CAMERAS, found.rho_mm, found.z_mm, found.slope, strict=True):
        up, down = ((z + d) / (camera.height_mm - z - d) * rho for d in (1e-4, -1e-4))
        assert slope * rho == pytest.approx((up - down) / 2e-4, rel=1e-6)


def test_doubt_of_a_sighting() -> None:
    clean, faint = (
        sighting_of(
            ring_at(20.0), contours=[contour_of(on_sheet(FINE, 20.0, c), s) for c in CAMERAS]
        )
        for s in (0.1, 1.1)
    )
    east = 0
    model = 0.06 * np.array([290.0, 350.0]) * 20.0 / 1000.0
    assert clean.sigma_mm[:, east] == pytest.approx(np.hypot(model, 0.1), rel=1e-6)
    # of a faint edge six tenths of what is beyond a clean one's noise
    assert faint.sigma_mm[:, east] == pytest.approx(np.sqrt(model**2 + 0.1**2 + 0.6**2), rel=1e-6)
    assert faint.grain_mm == pytest.approx(np.full((2, COUNT), 1.1))


def test_the_nearest_edge_that_faces_the_same_way_is_taken() -> None:
    near, far = PLACE + circle(RADIUS + 1, COUNT), PLACE + circle(RADIUS - 2, COUNT)
    both = Contour([near, far], [np.full(COUNT, 0.1)] * 2)
    backwards = Contour([near[::-1], far], [np.full(COUNT, 0.1)] * 2)
    flat = ring_at(0.0)
    over = [Camera(PLACE, 1000.0)]
    assert sighting_of(flat, over, [both]).residual_mm == pytest.approx(1.0, abs=0.02)
    assert sighting_of(flat, over, [backwards]).residual_mm == pytest.approx(-2.0, abs=0.02)
    unseen = sighting_of(flat, over, [both], window=0.9)
    assert not unseen.seen.any() and (unseen.residual_mm == 0).all()


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=15, deadline=None)
def test_a_round_ends_where_it_ends_wherever_the_heights_stood_before(seed: int) -> None:
    """To first order the photos, the ties and the priors speak of heights, not of their changes."""
    rng = np.random.default_rng(seed)
    ring = ring_at(20.0, half=5.0)
    plain = sighting_of(ring)
    shown = replace(
        plain, residual_mm=rng.normal(0, 1.5, (2, COUNT)), seen=rng.random((2, COUNT)) < 0.9
    )
    up, open_ = rng.normal(0, 4, COUNT), rng.normal(0, 2, COUNT)
    by = shown.slope * shown.rho_mm
    other = replace(shown, residual_mm=shown.residual_mm - by * up - by * shown.side * open_)
    raised = replace(ring, middle_mm=ring.middle_mm + up, half_mm=ring.half_mm + open_)
    x, weight = solve_round(ring, normals(POINTS), shown, SETTINGS)
    y, again = solve_round(raised, normals(POINTS), other, SETTINGS)
    assert y[:, 0] == pytest.approx(x[:, 0], abs=1e-6)
    assert y[:, 1] + up == pytest.approx(x[:, 1], abs=1e-6)
    assert y[:, 2] + open_ == pytest.approx(x[:, 2], abs=1e-6)
    assert again == pytest.approx(weight, abs=1e-6)


@given(st.integers(1, COUNT - 1))
@settings(max_examples=10, deadline=None)
def test_a_round_does_not_know_where_the_ring_begins(shift: int) -> None:
    rng = np.random.default_rng(3)
    ring = replace(ring_at(20.0, half=5.0), middle_mm=20 + rng.normal(0, 3, COUNT))
    shown = replace(sighting_of(ring), residual_mm=rng.normal(0, 1.5, (2, COUNT)))

    def turned(value: np.ndarray) -> np.ndarray:
        return np.roll(value, shift, axis=-1)

    x, _ = solve_round(ring, normals(POINTS), shown, SETTINGS)
    rolled = Ring(
        np.roll(POINTS, shift, axis=0),
        *(turned(v) for v in (ring.middle_mm, ring.half_mm, ring.guess_mm)),
    )
    y, _ = solve_round(
        rolled,
        normals(rolled.points_mm),
        Sighting(**{k: turned(getattr(shown, k)) for k in shown.__dataclass_fields__}),
        SETTINGS,
    )
    assert y == pytest.approx(np.roll(x, shift, axis=0), abs=1e-9)


@pytest.mark.parametrize("waves", [2, 7, 20])
@pytest.mark.parametrize("step_mm", [1.0, 0.5])
def test_ties_take_waves_down_as_a_spring_does(waves: int, step_mm: float) -> None:
    """On an even circle each wave is solved by itself: its spring over its spring and its tie.

    A first difference has the square 2 - 2 cos k, a second one that squared; the turn from sample
    to sample loosens all ties alike. Waves are so small that nothing is let go.
    """
    settings_ = replace(SETTINGS, height_step_mm=step_mm)
    angle = 2 * np.pi * np.arange(COUNT) / COUNT
    wave, first = np.cos(waves * angle), 2 - 2 * np.cos(2 * np.pi * waves / COUNT)
    loose = 1 / (1 + (2 * np.pi / COUNT / np.radians(15.0)) ** 2)
    flat, some = np.zeros((1, COUNT)), np.full((1, COUNT), 0.1)
    unsaid = np.full((1, COUNT), np.nan)
    nothing = Sighting(flat, flat, flat > 1, flat, some, some, unsaid, unsaid, flat, flat)
    # heights: the guess has a wave, no photo says anything
    size = 1e-3
    ring = Ring(POINTS, np.full(COUNT, 20.0), np.full(COUNT, 5.0), 20.0 + size * wave)
    x, _ = solve_round(ring, normals(POINTS), nothing, settings_)
    tie = loose / (step_mm**2 * 1.5)
    for column, share, spring in ((1, 1.0, 1 / 8.3**2), (2, 0.25, 1 / 5.3**2)):
        left = share * size * spring / (spring + tie * first)
        assert x[:, column] == pytest.approx(left * wave, rel=1e-2, abs=1e-2 * left)
    # the edge: one photo right above shows a wave of it
    plain = ring_at(20.0, half=5.0)
    above = replace(nothing, seen=flat < 1, residual_mm=size * wave[None])
    x, weight = solve_round(plain, normals(POINTS), above, settings_)
    spring, bend = 1 / 0.1**2, loose / 0.6**2
    left = size * spring / (spring + 1 / 4.0**2 + bend * first**2)
    assert x[:, 0] == pytest.approx(left * wave, rel=1e-2, abs=1e-2 * left)
    assert weight == pytest.approx(1.0, abs=1e-3)


def test_a_photo_that_is_off_is_told_by_its_weight() -> None:
    """A quarter at two deviations, after S. Geman and D. McClure (1987): (1 + (r / 2)^2)^-2."""
    ring = ring_at(20.0)
    shown = sighting_of(ring)
    five = {
        k: np.vstack([getattr(shown, k), getattr(shown, k), getattr(shown, k)[:1]])
        for k in shown.__dataclass_fields__
    }
    bad = Sighting(**{**five, "residual_mm": np.zeros((5, COUNT))})
    bad.residual_mm[4] = 6.0
    x, weight = solve_round(ring, normals(POINTS), bad, SETTINGS)
    assert weight[4].max() < 0.1 * weight[:4].min()
    left = bad.residual_mm - np.einsum(
        "vni,ni->vn",
        np.stack(
            [
                np.ones_like(bad.rho_mm),
                bad.slope * bad.rho_mm,
                bad.slope * bad.rho_mm * bad.side,
            ],
            axis=-1,
        ),
        x,
    )
    assert weight == pytest.approx((1 + (left / (2 * bad.sigma_mm)) ** 2) ** -2, abs=1e-9)


def test_a_disc_is_solved_from_a_poor_start() -> None:
    """A cylinder's rim at 20 mm: radius and height from two photos, 640 mm apart."""
    cameras = [*CAMERAS, Camera(np.array([80.0, 300.0]), 1100.0)]
    contours = [contour_of(on_sheet(FINE, 20.0, c)) for c in cameras]
    start = PLACE + circle(RADIUS + 1.0, COUNT) + np.array([0.8, -0.5])
    fit = solve_ring(start, np.full(COUNT, 16.0), cameras, contours, 300.0, SETTINGS)
    assert fit is not None
    radius = np.linalg.norm(fit.ring.points_mm - PLACE, axis=1)
    # where all three look from one side, the expected height decides
    assert np.abs(radius - RADIUS).max() < 1.2 and np.median(np.abs(radius - RADIUS)) < 0.2
    seen = fit.sighting.z_mm[fit.sighting.seen]
    assert np.median(seen) == pytest.approx(20.0, abs=2.0)


def test_a_hole_is_solved_as_its_outside_is() -> None:
    """Negative control for the sense of rings: the same edge, material on its other side."""
    cameras = [*CAMERAS, Camera(np.array([80.0, 300.0]), 1100.0)]
    inside_out = FINE[::-1]
    contours = [contour_of(on_sheet(inside_out, 6.0, c)) for c in cameras]
    start = PLACE + circle(RADIUS - 1.0, COUNT)[::-1]
    fit = solve_ring(start, np.full(COUNT, 6.0), cameras, contours, 300.0, SETTINGS, hole=True)
    assert fit is not None
    assert Polygon(fit.ring.points_mm).exterior.is_ccw is False
    assert np.abs(np.linalg.norm(fit.ring.points_mm - PLACE, axis=1) - RADIUS).max() < 0.5
    wrong = solve_ring(POINTS, np.full(COUNT, 6.0), cameras, contours, 300.0, SETTINGS)
    assert wrong is None or not wrong.sighting.seen.any()


def test_material_thinner_than_0_6_mm_goes_from_within_and_without() -> None:
    """A wall between two slits is material of an exterior and none of a hole."""
    spike = box(0, 0, 60, 40).union(box(60, 19.8, 80, 20.2))
    slits = (
        box(0, 0, 60, 40).difference(box(40, 19.0, 61, 19.4)).difference(box(40, 19.8, 61, 20.2))
    )
    thick = box(0, 0, 60, 40).union(box(60, 19.6, 80, 20.4))

    def after(shape: Polygon, hole: bool) -> Polygon:
        return cleaned(np.asarray(shape.exterior.coords)[:-1], hole)

    assert after(box(0, 0, 60, 40), False).hausdorff_distance(box(0, 0, 60, 40)) < 0.15
    assert after(box(0, 0, 60, 40), True).hausdorff_distance(box(0, 0, 60, 40)) < 0.15
    assert after(spike, False).bounds[2] == pytest.approx(60, abs=0.5)
    assert after(thick, False).bounds[2] == pytest.approx(80, abs=0.3)
    assert after(slits, False).area == pytest.approx(2400 - 20 * 1.2, abs=1)
    assert after(slits, True).area == pytest.approx(2400, abs=1)


def test_a_ring_moves_by_what_was_solved_within_bounds() -> None:
    ring = ring_at(20.0, half=5.0)
    seen = np.ones((2, COUNT))

    def after(edge: float, up: float, apart: float) -> Ring | None:
        x = np.tile([edge, up, apart], (COUNT, 1))
        return moved(ring, normals(POINTS), x, seen, 300.0, SETTINGS, False)

    found = after(1.5, 2.0, -1.0)
    assert found is not None
    radius = np.linalg.norm(found.points_mm - PLACE, axis=1)
    assert radius == pytest.approx(RADIUS + 1.5, abs=0.1)
    assert found.middle_mm == pytest.approx(22.0) and found.half_mm == pytest.approx(4.0)
    steps = np.linalg.norm(np.diff(found.points_mm, axis=0), axis=1)
    assert steps == pytest.approx(SETTINGS.spacing_mm, rel=0.02)
    far = after(9.0, 300.0, 300.0)  # no more than 4 mm at a time, no higher than the top
    assert far is not None
    assert np.linalg.norm(far.points_mm - PLACE, axis=1) == pytest.approx(RADIUS + 4, abs=0.1)
    assert far.middle_mm == pytest.approx(60.0) and far.half_mm == pytest.approx(0.0)
    sunk = after(0.0, -300.0, 300.0)
    assert sunk is not None
    assert sunk.middle_mm == pytest.approx(0.0) and sunk.half_mm == pytest.approx(0.0)
    wide = after(0.0, 0.0, 300.0)  # neither below the sheet nor over the top
    assert wide is not None and wide.half_mm == pytest.approx(20.0)
    speck = replace(ring, points_mm=PLACE + circle(1.0, COUNT))
    x = np.zeros((COUNT, 3))
    assert moved(speck, normals(POINTS), x, seen, 300.0, SETTINGS, False) is None


@pytest.mark.parametrize("begins", [0, 3, 18, 27])
def test_a_bridge_is_straight_and_even_wherever_the_ring_begins(begins: int) -> None:
    line = np.column_stack([np.arange(30.0), np.zeros(30)])
    bent = line.copy()
    bent[10:14, 1] = 5.0
    missing = np.zeros(30, bool)
    missing[10:14] = True
    found = bridged(np.roll(bent, begins, axis=0), np.roll(missing, begins), 1.0, 4.0)
    assert np.roll(found, -begins, axis=0) == pytest.approx(line)
    longer = bridged(np.roll(bent, begins, axis=0), np.roll(missing, begins), 1.0, 3.9)
    assert np.roll(longer, -begins, axis=0) == pytest.approx(bent)
    assert bridged(bent, np.ones(30, bool), 1.0, 99.0) is bent
