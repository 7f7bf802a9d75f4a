"""The edge fit on synthetic edges of known place."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from tracer.segmentation.edge.edges import blur_deviation, fit_blur, fit_shaded

FINE = 20  # samples per px of the numerical edge


def profiles(
    tool: float,
    ground: float,
    blur: float,
    *,
    shade: float = 0.0,
    width: float = 5.0,
    noise: float = 0.0,
    count: int = 60,
    seed: int = 0,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Edges at random places, made numerically: no formula of the product is used.

    A fine grid is darkened, blurred by scipy's Gaussian (the blur, the pixel box and bilinear
    sampling as one variance) and read at half-pixel steps.
    """
    rng = np.random.default_rng(seed)
    x = np.arange(-30, 30, 1 / FINE)
    offset = np.arange(-5, 10.5, 0.5)
    places = rng.uniform(-0.5, 0.5, count)
    total = np.sqrt(blur**2 + 1 / 12 + 1 / 6)
    rows = []
    for place in places:
        d = x - place
        light = np.where(d < 0, tool, ground * (1 - shade * np.exp(-np.maximum(d, 0) / width)))
        light = gaussian_filter1d(light, total * FINE)
        rows.append(np.interp(offset, x, light))
    values = np.array(rows) + rng.normal(0, noise, (count, len(offset)))
    return offset, values, places


@pytest.mark.parametrize("blur", [0.5, 1.0, 1.5])
@pytest.mark.parametrize(("tool", "ground"), [(0.04, 0.75), (0.35, 0.75), (0.5, 0.03)])
def test_plain_edge_is_unbiased(tool: float, ground: float, blur: float) -> None:
    offset, values, places = profiles(tool, ground, blur, noise=0.002)
    fit = fit_shaded(offset, values, np.zeros(len(places)), blur, 4.0)
    # 0.03 px is 0.01 mm at a usual 0.35 mm per px
    assert abs(np.mean(fit.x0 - places)) < 0.03
    assert np.std(fit.x0 - places) < 0.1


def test_contact_shadow_does_not_pull_the_edge() -> None:
    offset, values, places = profiles(0.04, 0.75, 1.0, shade=0.5, width=5.0, noise=0.002)
    fit = fit_shaded(offset, values, np.zeros(len(places)), 1.0, 4.0)
    fitted = np.mean(fit.x0 - places)
    # the textbook half level between the far levels, on the same profiles
    half = np.array([np.interp(0.395, v, offset) for v in np.maximum.accumulate(values, axis=1)])
    assert np.mean(half - places) > 0.5, "the trap is not in the picture"
    assert abs(fitted) < 0.1


def test_each_profile_is_fitted_as_if_alone() -> None:
    """Profiles settle at different rounds and then rest; none may touch another's result."""
    clean = profiles(0.04, 0.75, 1.0, count=6)
    shaded = profiles(0.04, 0.75, 1.0, shade=0.6, width=4.0, noise=0.01, count=6)
    rough = profiles(0.3, 0.4, 1.0, noise=0.05, count=6)
    offset = clean[0]
    values = np.vstack([clean[1], shaded[1], rough[1]])
    together = fit_shaded(offset, values, np.zeros(len(values)), 1.0, 4.0)
    for k, profile in enumerate(values):
        alone = fit_shaded(offset, profile[None], np.zeros(1), 1.0, 4.0)
        # rounding differs with the size of the batch, and rounds may then differ by one
        assert alone.x0[0] == pytest.approx(together.x0[k], abs=1e-4)
        assert alone.misfit[0] == pytest.approx(together.misfit[k], abs=1e-4)


def test_wrong_blur_shows_as_bias() -> None:
    """Negative control: the fit leans on the measured blur."""
    offset, values, places = profiles(0.04, 0.75, 1.0, shade=0.5, width=5.0)
    wrong = fit_shaded(offset, values, np.zeros(len(places)), 1.4, 4.0)
    assert abs(np.mean(wrong.x0 - places)) > 0.1


@pytest.mark.parametrize("blur", [0.6, 1.0, 2.0])
def test_blur_is_recovered(blur: float) -> None:
    offset, values, _ = profiles(0.03, 0.8, blur, noise=0.002)
    sigma, misfit = fit_blur(offset, values)
    assert abs(np.median(sigma) - blur) < 0.05
    assert np.median(misfit) < 0.01


def test_sampling_widens_the_edge() -> None:
    """Pixel box 1/12 and bilinear kernel 1/6: variances of the uniform and triangular laws."""
    assert blur_deviation(0.0) == pytest.approx(np.sqrt(1 / 12 + 1 / 6))
