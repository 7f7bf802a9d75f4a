"""What the learned model says of heights, beside what several photos show of them."""

from __future__ import annotations

import numpy as np
import pytest

from tests.parallax.multi_view.solids import ring as circle
from tracer.geometry.closed_rings import normals, resample
from tracer.parallax.multi_view.contours import Contour
from tracer.parallax.multi_view.edges import (
    Camera,
    EdgeSettings,
    height_variance,
    look,
    solve_ring,
    tallness_by,
)
from tracer.parallax.multi_view.edges import Ring as SolvedRing
from tracer.parallax.multi_view.shares import Tallness, told_heights

RADIUS, TOP, HIGH = 40.0, 60.0, 1000.0
FLAT = circle(RADIUS, 900)
#: all photos from the east: what faces east is seen by all of them from the same side
EAST = [Camera(np.array([x, y]), HIGH) for x, y in ((350.0, -60.0), (420.0, 0.0), (350.0, 60.0))]


def edge_of_disc(camera: Camera, z_mm: float, share: float | None, sigma: float) -> Contour:
    """A thin disc's edge, carried to the sheet along the rays, with what the model says of it."""
    seen = camera.nadir_mm + (FLAT - camera.nadir_mm) * HIGH / (HIGH - z_mm)
    said = np.column_stack([np.full(900, np.nan if share is None else share), np.full(900, sigma)])
    return Contour([seen], [np.full(900, 0.1)], shares=[said])


def solved(z_mm: float, share: float | None, sigma: float = 0.03) -> tuple[float, Tallness]:
    """Mean radius of a disc solved from a guess that is 25 mm too low, and its tool's height."""
    contours = [edge_of_disc(c, z_mm, share, sigma) for c in EAST]
    (start,) = resample(FLAT, 1.5)
    guess = np.full(len(start), z_mm - 25.0)
    tall = Tallness(TOP, 15.0)
    fit = solve_ring(start, guess, EAST, contours, 300.0, EdgeSettings(), tall=tall)
    assert fit is not None
    off = float(np.abs(np.linalg.norm(fit.ring.points_mm, axis=1) - RADIUS).mean())
    return off, tallness_by(fit.sighting, EAST, tall, EdgeSettings())


def test_shares_mend_what_all_photos_see_from_one_side() -> None:
    """The disc lies 45 mm high, three quarters of its tool's height."""
    without, untold = solved(45.0, None)
    with_shares, tall = solved(45.0, 0.75)
    assert without > 1.0
    assert with_shares < 0.6 * without
    assert untold == Tallness(TOP, 15.0)
    assert abs(tall.height_mm - TOP) < 5.0


def test_shares_that_contradict_the_photos_are_let_go() -> None:
    """From both sides parallax knows the height: shares of a tenth of it change next to nothing."""
    cameras = [*EAST, *(Camera(-c.nadir_mm, HIGH) for c in EAST)]
    radii = []
    for share in (None, 0.1):
        contours = [edge_of_disc(c, 45.0, share, 0.03) for c in cameras]
        (start,) = resample(FLAT, 1.5)
        fit = solve_ring(
            start,
            np.full(len(start), 40.0),
            cameras,
            contours,
            300.0,
            EdgeSettings(),
            tall=Tallness(TOP, 15.0),
        )
        assert fit is not None
        radii.append(np.abs(np.linalg.norm(fit.ring.points_mm, axis=1) - RADIUS).mean())
    assert radii[1] < radii[0] + 0.1


def test_height_by_edges_whose_heights_are_known() -> None:
    """Half of the edge 20 mm high at a third of the height, half 50 mm at five sixths: 60 mm."""
    z = np.repeat([[20.0, 50.0]], 40, axis=1)
    share = z / 60.0
    found = Tallness(90.0, 30.0).with_edges(
        np.vstack([z, z]), np.full(80, 4.0), np.vstack([share, share]), np.full((2, 80), 0.05), 1.5
    )
    assert found.height_mm == pytest.approx(60.0, abs=1.0)
    assert 0.1 * 60 <= found.sigma_mm < 9.0


def test_height_stays_where_nothing_is_said_or_known() -> None:
    before = Tallness(90.0, 30.0)
    z, unsaid, share = np.full((2, 40), 20.0), np.full((2, 40), np.nan), np.full((2, 40), 0.5)
    assert before.with_edges(z, np.full(40, 4.0), unsaid, unsaid, 1.5) is before
    assert before.with_edges(z, np.full(40, np.inf), share, share / 10, 1.5) is before
    # parallax that knows nothing leaves the height where it was
    vague = before.with_edges(z, np.full(40, 1e6), share, share / 10, 1.5)
    assert vague.height_mm == pytest.approx(90.0, abs=0.5)


def test_a_few_wild_shares_do_not_rule_the_height() -> None:
    z = np.full((1, 60), 30.0)
    share = np.full((1, 60), 0.5)
    share[0, ::6] = 0.05
    found = Tallness(80.0, 30.0).with_edges(z, np.full(60, 4.0), share, np.full((1, 60), 0.05), 1.5)
    assert found.height_mm == pytest.approx(60.0, abs=3.0)


def test_all_photos_together_weigh_as_one() -> None:
    """The same share in one photo and in four; where nothing is said the weight is nothing."""
    tall = Tallness(60.0, 6.0)
    height, one = told_heights(tall, np.array([[0.5, np.nan]]), np.array([[0.1, 0.1]]))
    assert height[0, 0] == 30.0
    assert one[0] == pytest.approx([1 / (6.0**2 + 3.0**2 + 1.0), 0.0])
    _, four = told_heights(tall, np.full((4, 1), 0.5), np.full((4, 1), 0.1))
    assert four.sum() == pytest.approx(one[0, 0])


def test_variance_by_parallax_is_that_of_a_line_through_what_is_seen() -> None:
    """The slope's variance of a straight line by least squares (any textbook): s^2 / Sxx."""
    (start,) = resample(FLAT, 1.5)
    flat = np.ones(len(start))
    contours = [edge_of_disc(c, 45.0, 0.5, 0.1) for c in EAST]
    ring = SolvedRing(start, 45.0 * flat, 0.0 * flat, 45.0 * flat)
    settings = EdgeSettings(roundness=0.0, model_share=0.0, noise_mm=0.1, grain_share=0.0)
    shown = look(ring, normals(start), EAST, contours, 300.0, 6.0, settings)
    assert shown.seen.all()
    lean = shown.rho_mm / HIGH
    wanted = 0.1**2 / ((lean - lean.mean(axis=0)) ** 2).sum(axis=0)
    assert height_variance(shown, EAST) == pytest.approx(wanted, rel=1e-6)
    # one photo alone knows nothing of heights
    alone = look(ring, normals(start), EAST[:1], contours[:1], 300.0, 6.0, settings)
    assert np.isinf(height_variance(alone, EAST[:1])).all()
