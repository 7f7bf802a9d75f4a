"""Drawn errors of an edge: their size, their likeness along it, and what a motion does to it."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import ndtr
from shapely.geometry import box

from tests.panel.pocket.test_clearance import outline
from tracer.errors import TracerError, UsageError
from tracer.export.machine.profiles import read_machine
from tracer.geometry.widen import ring_samples
from tracer.model.outline import EdgeModel, HeightSource
from tracer.model.panel_plan import FitClass
from tracer.panel.pocket.edge_errors import (
    EdgeErrors,
    Evidence,
    drawn_errors,
    evidence_of,
    ring_sigma,
    sigma_along,
)
from tracer.panel.pocket.fits import FITS
from tracer.panel.pocket.looseness import _remedies, _sigma, check_limit
from tracer.panel.pocket.settling import motions, smooth_noise

BAR = box(0, 0, 160, 30)
COUNT = 256


@pytest.mark.parametrize("width", [2.0, 8.0])
def test_smooth_noise_has_unit_variance_and_a_gaussians_likeness(width: float) -> None:
    """White noise smoothed by a Gaussian of sigma l: its likeness is exp(-d^2 / 4 l^2)."""
    noise = smooth_noise(COUNT, width, 4000, np.random.default_rng(1))
    assert noise.std() == pytest.approx(1.0, abs=0.02)
    assert noise.mean() == pytest.approx(0.0, abs=0.02)
    for apart in (1, 5, 12):
        alike = np.mean(noise * np.roll(noise, apart, axis=1))
        assert alike == pytest.approx(np.exp(-(apart**2) / (4 * width**2)), abs=0.03)


def test_a_motion_moves_the_edge_as_it_does_points() -> None:
    """Numerically: the points shifted and turned, and how far along their normals they went."""
    points, normals, _ = ring_samples(BAR, 2.0)
    moves = motions(points, normals)
    middle = points.mean(axis=0)
    arm = float(np.abs(points - middle).max())
    for k, (dx, dy, turn) in enumerate(((1e-4, 0, 0), (0, 1e-4, 0), (0, 0, 1e-4 / arm))):
        c, s = np.cos(turn), np.sin(turn)
        there = (points - middle) @ np.array([[c, s], [-s, c]]) + middle + (dx, dy)
        went = np.sum((there - points) * normals, axis=1)
        assert went / 1e-4 == pytest.approx(moves[:, k], abs=1e-3)


def test_drawn_errors_scatter_as_stated_times_a_tools_own_factor() -> None:
    sigma = np.where(np.arange(COUNT) < 128, 0.2, 0.6)
    model = EdgeErrors(factor=1.3, spread=0.5, far_share=0.0, near_mm=4.0)
    drawn = drawn_errors(sigma, 640.0, model, 3000, np.random.default_rng(2))
    size = np.sqrt(np.mean((drawn / sigma) ** 2, axis=1))  # of each tool
    assert np.median(size) == pytest.approx(1.3, rel=0.05)
    # log-normal: two thirds of the tools within a factor of exp(spread)
    within = np.mean(np.abs(np.log(size / 1.3)) < 0.5)
    assert within == pytest.approx(ndtr(1) - ndtr(-1), abs=0.05)
    assert drawn[:, :100].std() * 3 == pytest.approx(drawn[:, 150:250].std(), rel=0.05)


def test_doubt_spreads_to_its_sides_by_4_mm() -> None:
    """A step in variance becomes a normal distribution's function of the way from it."""
    long = box(0, 0, 400, 20)
    corners = np.asarray(long.segmentize(1.0).exterior.coords)[:-1]
    stated = np.where(corners[:, 0] > 200, 2.0, 0.5)
    tool = outline(long, 0.0)
    tool = replace(tool, region=long.segmentize(1.0), sigma_ring_mm=stated)
    points, _, run = ring_samples(long, 1.0)
    found = sigma_along(tool, points, long.exterior.length / len(run))
    side = (points[:, 1] < 1e-6) & (np.abs(points[:, 0] - 200) < 100)
    share = ndtr((points[side, 0] - 200.5) / 4.0)
    assert found[side] ** 2 == pytest.approx(0.25 + 3.75 * share, abs=0.12)
    sure = replace(tool, sigma_ring_mm=np.full(len(corners), 0.02))
    assert sigma_along(sure, points, 1.0) == pytest.approx(0.1)  # nothing traced is surer
    typed = replace(tool, sigma_ring_mm=np.zeros(len(corners)))
    assert (sigma_along(typed, points, 1.0) == 0).all()


@pytest.mark.parametrize(
    ("changes", "kind"),
    [
        ({}, Evidence.ONE_TYPED),
        ({"height_source": HeightSource.MEASURED}, Evidence.ONE_TYPED),
        ({"height_source": HeightSource.ASSUMED}, Evidence.ONE_OPEN),
        ({"height_source": HeightSource.DEFAULT}, Evidence.ONE_OPEN),
        ({"height_source": HeightSource.LEARNED}, Evidence.ONE_OPEN),
        ({"method": EdgeModel.VIEWS}, Evidence.SEVERAL),
        ({"photo_ids": ("p", "q"), "height_source": HeightSource.ASSUMED}, Evidence.SEVERAL),
    ],
)
def test_kinds_of_evidence(changes: dict, kind: str) -> None:
    assert evidence_of(replace(outline(BAR, 0.3), **changes)) == kind


def test_a_corner_without_a_figure_takes_the_tools_own() -> None:
    tool = outline(BAR, 0.3)
    count = len(tool.sigma_ring_mm)
    assert (ring_sigma(replace(tool, sigma_ring_mm=np.empty(0), sigma_mm=0.7)) == 0.7).all()
    holed = np.full(count, 0.2)
    holed[3] = np.nan
    found = ring_sigma(replace(tool, sigma_ring_mm=holed, sigma_mm=0.7))
    assert found[3] == 0.7 and (np.delete(found, 3) == 0.2).all()
    with pytest.raises(TracerError) as refused:
        ring_sigma(replace(tool, sigma_ring_mm=np.full(count - 1, 0.2)))
    assert refused.value.slug == "outline-sigma-count"
    # what a remedy starts from forgives a wrong count: it only advises
    assert (_sigma(replace(tool, sigma_ring_mm=np.full(3, 0.2), sigma_mm=0.7)) == 0.7).all()


def remedies(**changes: object) -> dict[str, np.ndarray]:
    """What each remedy would leave of a ring whose right end is in doubt."""
    corners = np.asarray(BAR.segmentize(4.0).exterior.coords)[:-1]
    ring = np.where(corners[:, 0] > 100, 3.0, 0.4)
    tool = replace(outline(BAR, ring), **changes)  # type: ignore[arg-type]
    room = SimpleNamespace(where_mm=(160.0, 15.0))
    return {words.split()[0]: o.sigma_ring_mm for words, o in _remedies(tool, room)}  # type: ignore[arg-type]


def test_what_each_remedy_leaves() -> None:
    corners = np.asarray(BAR.segmentize(4.0).exterior.coords)[:-1]
    doubt = corners[:, 0] > 100
    several = remedies(method=EdgeModel.VIEWS)
    assert set(several) == {"draw", "one"}
    # one more photo brings the rest to the middle of the ring, which is 0.6 mm at least
    assert several["one"] == pytest.approx(np.where(doubt, 0.6, 0.4))
    near = np.hypot(*(corners - (160, 15)).T) < 35
    assert several["draw"] == pytest.approx(np.where(near, 0.5, np.where(doubt, 3.0, 0.4)))
    one = remedies()
    assert set(one) == {"draw", "two"} and one["two"] == pytest.approx(np.where(doubt, 0.6, 0.4))
    # a height typed to a millimetre, of 4 that were in doubt, leaves a quarter of what it caused
    open_ = remedies(height_source=HeightSource.ASSUMED, height_sigma_mm=4.0)
    caused = (3.0**2 - 0.4**2) / 16
    assert open_["type"] == pytest.approx(np.where(doubt, (0.4**2 + caused) ** 0.5, 0.4))
    sure = remedies(height_source=HeightSource.ASSUMED, height_sigma_mm=0.5)
    assert sure["type"] == pytest.approx(np.where(doubt, 3.0, 0.4))  # typing makes nothing worse


def test_one_more_photo_takes_nothing_below_the_middle_of_a_doubtful_ring() -> None:
    corners = np.asarray(BAR.segmentize(4.0).exterior.coords)[:-1]
    ring = np.where(corners[:, 0] > 60, 2.0, 0.8)  # most of it at 2 mm
    tool = replace(outline(BAR, ring), method=EdgeModel.VIEWS)
    found = dict(_remedies(tool, SimpleNamespace(where_mm=(160.0, 15.0))))  # type: ignore[arg-type]
    seen = next(o for words, o in found.items() if words.startswith("one"))
    assert seen.sigma_ring_mm == pytest.approx(ring)


def test_a_limit_is_twice_what_the_machine_scatters_at_least() -> None:
    machine = read_machine("router")
    fit, least = FITS[FitClass.SNUG], 2 * read_machine("router").cut_sigma_mm
    gapless = replace(fit, gap_mm=0.0)
    check_limit(least + 1e-9, gapless, machine)
    with pytest.raises(UsageError) as refused:
        check_limit(least - 1e-3, gapless, machine)
    assert refused.value.slug == "loosest-below-machine"
    check_limit(0.5, replace(fit, gap_mm=0.5))
    with pytest.raises(UsageError) as refused:
        check_limit(0.49, replace(fit, gap_mm=0.5))
    assert refused.value.slug == "loosest-below-fit"
    check_limit(0.0, replace(fit, gap_mm=-0.5))  # a press fit leaves nothing anyway
    with pytest.raises(UsageError):
        check_limit(float("nan"), gapless)
