"""Snapping a drawn line: against analytic edges, blurred and noisy as a photo's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from tracer.segmentation.edge.snap import snap_line


def picture(side: int = 200, angle_deg: float = 23.0, noise: float = 2.0) -> np.ndarray:
    """A straight edge through (100, 90), dark below it, blurred by 0.9 px."""
    from scipy.special import erf

    y, x = np.mgrid[:side, :side].astype(float)
    a = np.radians(angle_deg)
    across = -(x - 100) * np.sin(a) + (y - 90) * np.cos(a)
    grey = 150 - 90 * 0.5 * (1 + erf(across / (0.9 * np.sqrt(2))))
    rng = np.random.default_rng(7)
    rgb = np.repeat(grey[:, :, None], 3, axis=2) + rng.normal(0, noise, (side, side, 3))
    return np.clip(np.rint(rgb), 0, 255).astype(np.uint8)


def distances(line: np.ndarray, angle_deg: float = 23.0) -> np.ndarray:
    a = np.radians(angle_deg)
    return -(line[:, 0] - 100) * np.sin(a) + (line[:, 1] - 90) * np.cos(a)


def drawn(angle_deg: float = 23.0, off_px: float = 6.0) -> list[list[float]]:
    a = np.radians(angle_deg)
    t = np.linspace(-70, 70, 30)
    wobble = off_px + 2.0 * np.sin(t / 9)
    return np.column_stack(
        [100 + t * np.cos(a) - wobble * np.sin(a), 90 + t * np.sin(a) + wobble * np.cos(a)]
    ).tolist()


@pytest.mark.parametrize("angle", [0.0, 23.0, 90.0, 141.0])
@pytest.mark.parametrize("off", [-7.0, 6.0])
def test_lands_on_an_analytic_edge(angle: float, off: float) -> None:
    found = snap_line(picture(angle_deg=angle), drawn(angle, off), 12.0)
    away = distances(found.line_px, angle)
    # a fit per sample at this noise scatters by about 0.1 px; ends see half the averaging
    assert abs(np.mean(away)) < 0.08
    assert np.percentile(np.abs(away), 95) < 0.35
    assert found.contrast > 0.1 and found.clear


def test_stays_where_it_was_drawn_without_an_edge() -> None:
    flat = np.full((200, 200, 3), 128, np.uint8)
    found = snap_line(flat, drawn(), 12.0)
    assert found.contrast == 0
    assert np.mean(distances(found.line_px)) == pytest.approx(6.0, abs=0.5)


def test_the_stronger_of_two_edges_wins() -> None:
    rows = np.full((200, 200, 3), 160, np.uint8)
    rows[100:104] = 150  # a faint line near the drawn one
    rows[108:] = 40
    found = snap_line(rows, [[20, 101], [180, 101]], 12.0)
    assert np.median(found.line_px[:, 1]) == pytest.approx(107.5, abs=0.15)


def test_beyond_the_picture_is_no_edge() -> None:
    found = snap_line(picture(), [[-30, 5], [40, 5]], 10.0)
    assert np.isfinite(found.line_px).all()


@pytest.mark.parametrize("grain_px", [0.0, 1.2, 2.5])
@pytest.mark.parametrize("noise", [1.0, 3.0, 9.0])
def test_the_grain_of_a_bare_sheet_is_no_edge(noise: float, grain_px: float) -> None:
    rng = np.random.default_rng(1)
    grey = rng.normal(0, 1, (200, 200))
    if grain_px:
        grey = gaussian_filter(grey, grain_px)
    sheet = 128 + (grey * noise / grey.std())[:, :, None] + rng.normal(0, 1, (200, 200, 3))
    found = snap_line(np.clip(np.rint(sheet), 0, 255).astype(np.uint8), drawn(), 12.0)
    assert not found.clear
    assert snap_line(picture(noise=noise), drawn(), 12.0).clear
