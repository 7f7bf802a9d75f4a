"""What an outline from several photos states about itself: each term alone, with its figure."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracer.model.calibration import SigmaMap
from tracer.parallax.multi_view.bounds import EdgeQuality
from tracer.parallax.multi_view.views import bias_bound_of, with_calibration

COUNT = 101


def quality(left: np.ndarray, one_sided: np.ndarray, sigma: float = 0.3) -> EdgeQuality:
    zero = np.zeros(len(left))
    return EdgeQuality(
        np.full(len(left), sigma), left, one_sided, np.full(len(left), 3), zero, zero
    )


def test_the_bias_bound_is_what_19_of_20_hidden_places_keep_to() -> None:
    left = np.linspace(0.0, 10.0, COUNT)[::-1]
    everywhere = quality(left, np.ones(COUNT, bool))
    assert bias_bound_of(everywhere) == pytest.approx(9.5)
    # seen from both sides, nothing is hidden; below 1 mm nothing is spoken of
    assert bias_bound_of(quality(left, np.zeros(COUNT, bool))) == 0.0
    assert bias_bound_of(quality(left / 10.1, np.ones(COUNT, bool))) == 0.0
    # a tenth of the edge hidden by 4 mm counts, a twentieth less one does not
    hidden = np.zeros(COUNT, bool)
    hidden[:10] = True
    assert bias_bound_of(quality(np.full(COUNT, 4.0), hidden)) == pytest.approx(4.0)
    hidden[4:] = False
    assert bias_bound_of(quality(np.full(COUNT, 4.0), hidden)) == 0.0


@given(st.integers(0, 2**32 - 1))
def test_the_bias_bound_never_shrinks_where_more_is_hidden(seed: int) -> None:
    rng = np.random.default_rng(seed)
    left = rng.uniform(0, 8, COUNT)
    few = rng.random(COUNT) < 0.3
    more = few | (rng.random(COUNT) < 0.3)
    assert bias_bound_of(quality(left, few)) <= bias_bound_of(quality(left, more)) <= left.max()


def ring(sigma: float) -> SimpleNamespace:
    """A ring of two samples, 300 and 400 mm from two nadirs, at 20 mm; normals along x and y."""
    return SimpleNamespace(
        quality=quality(np.zeros(2), np.zeros(2, bool), sigma),
        fit=SimpleNamespace(
            ring=SimpleNamespace(
                points_mm=np.array([[0.0, 0.0], [10.0, 0.0]]), middle_mm=np.array([20.0, 20.0])
            ),
            normal=np.eye(2),
            sighting=SimpleNamespace(rho_mm=np.array([[300.0, -300.0], [400.0, 400.0]])),
        ),
    )


def calibration(cov: dict[str, np.ndarray | None], map_mm: float) -> SimpleNamespace:
    axis = np.array([-100.0, 100.0])
    return SimpleNamespace(
        sigma=SigmaMap(axis, axis, np.full((2, 2), map_mm)),
        pose_cov=cov,
        views=[SimpleNamespace(photo_id="a"), SimpleNamespace(photo_id="b")],
    )


def observation(photo: int, height_mm: float) -> SimpleNamespace:
    return SimpleNamespace(photo=photo, camera=SimpleNamespace(height_mm=height_mm))


def test_map_and_pose_come_on_top_in_quadrature() -> None:
    """Gradient of the edge by (nadir x, nadir y, height): z/H n and rho z / H^2, by hand."""
    cov = np.diag([9.0, 16.0, 25.0])
    cov[0, 2] = cov[2, 0] = 6.0  # the nadir's x and the height go together
    seen = [observation(0, 1000.0)]
    found = with_calibration(ring(0.3), seen, calibration({"a": cov}, 0.4))  # type: ignore[arg-type]
    reach, tilt = 20.0 / 1000.0, 20.0 / 1000.0**2
    first = reach**2 * 9 + (300 * tilt) ** 2 * 25 + 2 * reach * 300 * tilt * 6
    second = reach**2 * 16 + (300 * tilt) ** 2 * 25
    assert found == pytest.approx(np.sqrt(0.3**2 + 0.4**2 + np.array([first, second])))


def test_the_surest_photo_places_the_edge() -> None:
    poor, good = np.diag([900.0, 900.0, 900.0]), np.diag([1.0, 1.0, 1.0])
    both = [observation(0, 1000.0), observation(1, 1000.0)]
    found = with_calibration(ring(0.0), both, calibration({"a": poor, "b": good}, 0.0))  # type: ignore[arg-type]
    assert found == pytest.approx(20.0 / 1000.0 * np.sqrt(1 + 0.4**2))


def test_without_a_calibration_nothing_is_added() -> None:
    assert with_calibration(ring(0.3), [observation(0, 1000.0)], None) == pytest.approx(0.3)  # type: ignore[arg-type]
