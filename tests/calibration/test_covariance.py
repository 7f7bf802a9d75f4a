"""The whole system's derivatives against numerical ones, its covariances against draws.

Cameras, lenses, cards and papers are drawn from the priors that the fit is told, corners from its
noise. Then the normalised error squared, ``e' C^-1 e``, follows chi-square with as many degrees of
freedom as e has entries (Y. Bar-Shalom, X. R. Li, T. Kirubarajan, *Estimation with Applications to
Tracking and Navigation*, 2001, section 5.4.2, "NEES"). A sum over draws lies within the 99.9 %
interval of its own chi-square, but for the fit's being a linear one: 10 % are added for that.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.stats import chi2

from tests.calibration.bench import FOCAL_PX, SIZE_PX, make_view
from tracer.calibration.layout import Layout, Paper, Prior, Sighting
from tracer.calibration.lens import project, rotation
from tracer.calibration.quality import pose_covariance, sigma_on_sheet, spread_over
from tracer.calibration.solve import Fit, _System, solve

BOARD = (168.0, 112.0)
PLACES = np.array([[84.0, 56.0, 0.0], [816.0, 60.0, 0.3], [810.0, 540.0, -0.2], [90.0, 530.0, 1.6]])
PAPER = Paper(0.0007, 0.25)
NOISE_PX = 0.2
HEIGHT_SIGMA_MM = 8.0
DRAWS = 60
LINEAR = 0.10

#: prior of the lens: ln f, middle, k1, k2, k3, p1, p2
LENS_MEAN = np.array([np.log(FOCAL_PX), (SIZE_PX[0] - 1) / 2, (SIZE_PX[1] - 1) / 2, 0, 0, 0, 0, 0])
LENS_SIGMA = np.array([0.02, 15.0, 15.0, 0.02, 0.01, 0.003, 5e-4, 5e-4])
AUTOFOCUS = 0.002


def layout_of(photos: int) -> Layout:
    return Layout((0,) * photos, (BOARD,) * len(PLACES), 0)


def priors_of(layout: Layout) -> list[Prior]:
    lens = layout.lens(0).start
    priors = [
        Prior(lens + k, float(m), float(s))
        for k, (m, s) in enumerate(zip(LENS_MEAN, LENS_SIGMA, strict=True))
    ]
    if len(layout.camera_of) > 1:
        for photo in range(len(layout.camera_of)):
            priors.append(Prior(layout.photo(photo).stop - 1, 0.0, AUTOFOCUS))
    return [*priors, *layout.paper_priors(PAPER)]


def truth_of(layout: Layout, rng: np.random.Generator | None = None) -> np.ndarray:
    """Parameters as they are; drawn from the priors where a generator is given."""
    from scipy.spatial.transform import Rotation

    x = np.zeros(layout.size)
    for photo in range(len(layout.camera_of)):
        view = make_view(tilt_deg=6.0, towards_deg=40.0 + 150.0 * photo)
        part = layout.photo(photo).start
        x[part : part + 3] = Rotation.from_matrix(view.R).as_rotvec()
        x[part + 3 : part + 6] = view.t
    for card, place in enumerate(PLACES):
        start = layout.card(card).start
        x[start : start + 3] = place
    for prior in priors_of(layout):
        x[prior.index] = prior.mean + (prior.sigma * rng.standard_normal() if rng else 0.0)
    return x


def seen(layout: Layout, x: np.ndarray, rng: np.random.Generator | None) -> list[Sighting]:
    found = []
    kept = np.arange(15)
    for photo in range(len(layout.camera_of)):
        for card in range(len(PLACES)):
            points, _ = layout.corner_points(x, np.full(15, card), kept)
            pixels = project(layout.lens_of(x, photo), x[layout.photo(photo)][:6], points)[0]
            if rng is not None:
                pixels = pixels + NOISE_PX * rng.standard_normal(pixels.shape)
            found.append(Sighting(photo, card, kept, pixels))
    return found


def height_of(layout: Layout, x: np.ndarray) -> float:
    part = x[layout.photo(0)]
    return float(-rotation(part[:3])[0][:, 2] @ part[3:6])


@pytest.mark.parametrize("photos", [1, 2])
def test_all_derivatives_are_numerical_ones(photos: int) -> None:
    """Corners, priors and the typed height: central differences, step 1e-6 of each sigma."""
    rng = np.random.default_rng(5)
    layout = layout_of(photos)
    priors = priors_of(layout)
    system = _System(
        layout, seen(layout, truth_of(layout), rng), priors, NOISE_PX, (1490.0, HEIGHT_SIGMA_MM)
    )
    at = truth_of(layout, rng)
    residuals, jacobian = system(at)
    assert len(residuals) == photos * 4 * 15 * 2 + len(priors) + 1
    for column, index in enumerate(system.free):
        step = np.zeros(layout.size)
        step[index] = 1e-6 * max(1.0, abs(at[index]))
        numeric = (system(at + step)[0] - system(at - step)[0]) / (2 * step[index])
        size = max(1.0, float(np.abs(numeric).max()))
        assert np.allclose(jacobian[:, column], numeric, atol=2e-6 * size), index


def test_priors_pull_towards_their_mean() -> None:
    """With the corners a hundred times noisier than told, the priors alone decide."""
    layout = layout_of(1)
    x = truth_of(layout)
    priors = priors_of(layout)
    start = x.copy()
    start[layout.lens(0)][3] = 0.02
    fit = solve(layout, seen(layout, x, None), priors, start, 1e4, robust=False)
    for prior in priors:
        assert fit.x[prior.index] == pytest.approx(prior.mean, abs=0.02 * prior.sigma)
        # nothing else tells of it, so it is as unsure as before
        assert np.sqrt(fit.covariance[prior.index, prior.index]) == pytest.approx(
            prior.sigma, rel=0.02
        )


@cache
def draws(photos: int = 1) -> list[tuple[np.ndarray, Fit]]:
    """Truth and fit, with everything drawn from what the fit is told."""
    layout = layout_of(photos)
    found = []
    for seed in range(DRAWS):
        rng = np.random.default_rng([16, seed])
        x = truth_of(layout, rng)
        typed = height_of(layout, x) + HEIGHT_SIGMA_MM * rng.standard_normal()
        fit = solve(
            layout,
            seen(layout, x, rng),
            priors_of(layout),
            truth_of(layout),
            NOISE_PX,
            robust=False,
            height_prior=(typed, HEIGHT_SIGMA_MM),
        )
        found.append((x, fit))
    return found


def assert_chi_squared(total: float, freedom: int) -> None:
    low, high = chi2.ppf([0.0005, 0.9995], freedom)
    assert low * (1 - LINEAR) <= total <= high * (1 + LINEAR), (total / freedom, freedom)


def test_normalised_errors_follow_chi_square() -> None:
    total, freedom = 0.0, 0
    for x, fit in draws():
        free = fit.layout.free()
        error = (fit.x - x)[free]
        total += float(error @ np.linalg.solve(fit.covariance[np.ix_(free, free)], error))
        freedom += len(free)
    assert_chi_squared(total, freedom)


def test_corners_chi_square_and_freedom() -> None:
    """The reduced chi-square of fits with the true noise is one, on the freedom stated."""
    total = sum(fit.chi2 for _, fit in draws())
    freedom = sum(fit.freedom for _, fit in draws())
    assert_chi_squared(total, round(freedom))
    # 120 corner values less what they decide: 6 of pose, 3 x 3 of places, and part of the rest
    assert all(60 < fit.freedom < 105 for _, fit in draws())


def _lay(x: np.ndarray) -> np.ndarray:
    return spread_over([(0.0, 0.0), (900.0, 0.0), (900.0, 600.0), (0.0, 600.0)])


def _sheet_of(layout: Layout, x: np.ndarray, pixels: np.ndarray) -> np.ndarray:
    """Where pixels of the first photo lie on the sheet, by Newton's method on `project`."""
    points = np.tile([450.0, 300.0, 0.0], (len(pixels), 1))
    for _ in range(30):
        there, _, _, by = project(layout.lens_of(x, 0), x[layout.photo(0)][:6], points)
        step = np.linalg.solve(by[:, :, :2], (pixels - there)[:, :, None])[..., 0]
        points[:, :2] += step
    return points[:, :2]


def _rigidly_off(found: np.ndarray, true: np.ndarray) -> np.ndarray:
    """(angle, shift) of the motion that takes ``true`` to ``found`` best, to first order."""
    design = np.zeros((len(true), 2, 3))
    design[:, 0, 0] = design[:, 1, 1] = 1
    design[:, 0, 2], design[:, 1, 2] = -true[:, 1], true[:, 0]
    return np.linalg.lstsq(design.reshape(-1, 3), (found - true).ravel(), rcond=None)[0]


def _move(points: np.ndarray, motion: np.ndarray) -> np.ndarray:
    return np.column_stack(
        [motion[0] - motion[2] * points[:, 1], motion[1] + motion[2] * points[:, 0]]
    )


@cache
def on_sheet() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Errors of the map at points (D, N, 2), their sigma (D, N), squared pose errors (D,)."""
    lay = _lay(np.zeros(0))
    points = np.array([[450.0, 300.0], [0.0, 0.0], [1200.0, 300.0]])
    errors, sigmas, squares = [], [], []
    for x, fit in draws():
        layout = fit.layout
        flat = np.column_stack([np.vstack([lay, points]), np.zeros(len(lay) + len(points))])
        pixels = project(layout.lens_of(fit.x, 0), fit.x[layout.photo(0)][:6], flat)[0]
        true = _sheet_of(layout, x, pixels)  # the same pixels, seen with the true camera
        away = flat[:, :2] - true
        motion = _rigidly_off(flat[: len(lay), :2], true[: len(lay)])
        errors.append((away - _move(true, motion))[len(lay) :])
        sigmas.append(sigma_on_sheet(fit, 0, lay, points))
        centres = []
        for values in (fit.x, x):
            part = values[layout.photo(0)]
            centres.append(-rotation(part[:3])[0].T @ part[3:6])
        pose = centres[0] - centres[1]
        pose[:2] -= _move(centres[1][None, :2], motion)[0]
        squares.append(pose @ np.linalg.solve(pose_covariance(fit, 0, lay), pose))
    return np.array(errors), np.array(sigmas), np.array(squares)


@pytest.mark.parametrize("point", range(3), ids=["middle", "corner", "outside"])
def test_sigma_on_the_sheet_is_that_of_the_draws(point: int) -> None:
    errors, sigmas, _ = on_sheet()
    stated = np.sqrt(np.mean(sigmas[:, point] ** 2))
    found = np.sqrt(np.mean(errors[:, point] ** 2))
    # of 60 draws of two values, alike along one direction: 4 standard errors are a third
    assert found == pytest.approx(stated, rel=0.33)


def test_pose_covariance_is_that_of_the_draws() -> None:
    _, _, squares = on_sheet()
    assert_chi_squared(float(squares.sum()), 3 * len(squares))


def _centre(layout: Layout, x: np.ndarray) -> np.ndarray:
    part = x[layout.photo(0)]
    return -rotation(part[:3])[0].T @ part[3:6]


def test_pose_and_map_are_propagated_by_their_numerical_derivatives() -> None:
    """Central differences of where fixed pixels lie and of the camera's centre, both freed of the
    rigid motion of the lay: to first order the covariances are J C J', correlations and all."""
    _, fit = draws()[0]
    layout, x = fit.layout, fit.x
    lay = _lay(x)
    points = np.array([[450.0, 300.0], [0.0, 0.0], [1200.0, 300.0]])
    flat = np.column_stack([np.vstack([lay, points]), np.zeros(len(lay) + len(points))])
    pixels = project(layout.lens_of(x, 0), x[layout.photo(0)][:6], flat)[0]
    centre = _centre(layout, x)
    free = layout.free()
    by_pose, by_map = [], []
    for index in free:
        step = np.zeros(layout.size)
        step[index] = 1e-5 * max(1e-3, float(np.sqrt(fit.covariance[index, index])) * 1e2)
        sides = [_sheet_of(layout, x + sign * step, pixels) for sign in (1, -1)]
        moved = (sides[0] - sides[1]) / (2 * step[index])
        motion = _rigidly_off(lay + moved[: len(lay)], lay)
        by_map.append((moved - _move(flat[:, :2], motion))[len(lay) :])
        pose = (_centre(layout, x + step) - _centre(layout, x - step)) / (2 * step[index])
        pose[:2] -= _move(centre[None, :2], motion)[0]
        by_pose.append(pose)
    known = fit.covariance[np.ix_(free, free)]
    jacobian = np.array(by_pose).T
    expected = jacobian @ known @ jacobian.T
    size = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    assert np.allclose(pose_covariance(fit, 0, lay) / size, expected / size, atol=1e-3)
    variance = np.einsum("pni,pq,qni->n", by_map, known, by_map) / 2
    assert np.allclose(sigma_on_sheet(fit, 0, lay, points), np.sqrt(variance), rtol=1e-3)


def test_reweighting_scales_the_covariance() -> None:
    _, fit = draws()[0]
    twice = fit.reweighted(2 * fit.sigma_px)
    assert np.allclose(twice.covariance, 4 * fit.covariance)
    assert twice.chi2 == pytest.approx(fit.chi2 / 4)
    assert twice.misfit == pytest.approx(fit.chi2 / fit.freedom)
    # fewer observations than unknowns: their sum itself, not a large multiple of it
    assert replace(fit, chi2=3.0, freedom=0.2).chi2_per_freedom == 3.0
