"""Rigid shifts against draws, and who is left out, on both sides of each limit."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from shapely.geometry import Point, box

from tests.parallax.multi_view.lays import silhouette
from tests.parallax.multi_view.solids import ring as circle
from tracer.parallax.multi_view.correspond import Part, Track
from tracer.parallax.multi_view.edges import Camera
from tracer.parallax.multi_view.findings import check_slips
from tracer.parallax.multi_view.outliers import OutlierReason, Slip, slips, sort_outliers

COUNT = 200
SIZE = np.array([60.0, 20.0])  # an oval: a turn shows


def fit(residual: np.ndarray, sigma: float, seen: np.ndarray | None = None) -> SimpleNamespace:
    """An oval off the origin, and what one photo shows of it."""
    points = np.array([300.0, -120.0]) + circle(1.0, COUNT) * SIZE
    normal = circle(1.0, COUNT) / SIZE
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    sighting = SimpleNamespace(
        seen=np.atleast_2d(np.ones(COUNT, bool) if seen is None else seen),
        residual_mm=np.atleast_2d(residual),
        sigma_mm=np.full((1, COUNT), sigma),
    )
    return SimpleNamespace(ring=SimpleNamespace(points_mm=points), normal=normal, sighting=sighting)


def moved(dx: float, dy: float, turn: float) -> np.ndarray:
    """How far a small motion about its middle carries each point of the oval along its normal."""
    plain = fit(np.zeros(COUNT), 0.1)
    x, y = (plain.ring.points_mm - plain.ring.points_mm.mean(axis=0)).T
    return np.sum(np.column_stack([dx - turn * y, dy + turn * x]) * plain.normal, axis=1)


@pytest.mark.parametrize(
    ("motion", "wanted"),
    [
        ((3.0, 0.0, 0.0), 3.0),
        ((0.0, -2.0, 0.0), 2.0),
        ((0.0, 0.0, 0.05), 0.05 * 60.0),  # the ends, 60 mm out, move most
        ((3.0, -4.0, 0.2), 13.0),
    ],
)
def test_a_rigid_motion_is_found_whole(motion, wanted: float) -> None:
    (found,) = slips(fit(moved(*motion), 0.1), [4])
    assert found.photo == 4
    assert found.shift_mm == pytest.approx(wanted, rel=1e-3)


def test_its_deviation_is_that_of_draws_whose_noise_goes_together_over_ten_samples() -> None:
    rng = np.random.default_rng(2)
    found = []
    for _ in range(400):
        noise = np.repeat(rng.normal(0, 0.2, COUNT // 10), 10)
        found.append(slips(fit(noise, 0.2), [0])[0])
    rms = np.sqrt(np.mean([s.shift_mm**2 for s in found]))
    # residuals weigh a little less the larger they are, and stretches of ten hide some of the turn
    assert rms == pytest.approx(np.median([s.sigma_mm for s in found]), rel=0.15)


def test_a_bite_is_no_motion() -> None:
    shown = moved(0.5, 0.0, 0.0)
    shown[:30] += 8.0
    (found,) = slips(fit(shown, 0.1), [0])
    assert found.shift_mm == pytest.approx(0.5, abs=0.1)


def test_a_photo_that_hardly_sees_anything_claims_nothing() -> None:
    few = np.arange(COUNT) < 11
    assert slips(fit(moved(3, 0, 0), 0.1, few), [0]) == [Slip(0, 0.0, float("inf"))]
    enough = np.arange(COUNT) % 16 == 0  # thirteen
    assert slips(fit(moved(3, 0, 0), 0.1, enough), [0])[0].shift_mm == pytest.approx(3, rel=0.01)
    # one that knows next to nothing says less than it sees, never more
    for sigma in (100.0, 200.0, 300.0, 1000.0):
        vague = slips(fit(moved(5, 0, 0), sigma), [0])[0]
        assert 0 < vague.shift_mm < 5 and not vague.plain


@pytest.mark.parametrize(
    ("shift", "sigma", "plain"),
    [
        (1.51, 0.1, True),
        (1.49, 0.1, False),
        (2.1, 0.5, True),
        (1.9, 0.5, False),
        (9, np.inf, False),
    ],
)
def test_what_is_a_plain_shift(shift: float, sigma: float, plain: bool) -> None:
    assert Slip(0, shift, sigma).plain is plain


def tool(name: str, *shifts: float) -> SimpleNamespace:
    """A tool that photo k shows shifted by the k-th figure."""
    return SimpleNamespace(
        region=Point(10.0, 20.0).buffer(5.0),
        silhouettes=(SimpleNamespace(silhouette_id=name),),
        slips=tuple(Slip(k, s, 0.1) for k, s in enumerate(shifts)),
    )


def test_most_tools_shifted_is_the_photo_else_each_tool() -> None:
    three_of_four = [tool("a", 0, 2.0), tool("b", 0, 3.0), tool("c", 0, 4.0), tool("d", 0, 0.2)]
    (found,) = check_slips(three_of_four)  # type: ignore[arg-type]
    assert (found.slug, found.value, found.limit, found.unit) == ("photo-disagrees", 3.0, 1.5, "mm")
    # three of five are sixty in a hundred: not more
    five = [*three_of_four, tool("e", 0, 0.1)]
    each = check_slips(five)  # type: ignore[arg-type]
    assert [(c.slug, c.subject_id, c.value) for c in each] == [
        ("tool-moved", "a", 2.0),
        ("tool-moved", "b", 3.0),
        ("tool-moved", "c", 4.0),
    ]
    assert all(c.limit == 1.5 and c.where_mm == pytest.approx((10, 20)) for c in each)
    assert {c.severity for c in (found, *each)} == {found.severity}
    # two tools are too few to blame the photo
    two = check_slips([tool("a", 0, 2.0), tool("b", 0, 3.0)])  # type: ignore[arg-type]
    assert [c.slug for c in two] == ["tool-moved"] * 2


HERE = Point(0, 0).buffer(15.0)
WIDE, ELSEWHERE = box(-400, -400, 400, 400), box(2000, 2000, 2400, 2400)


@pytest.mark.parametrize(
    ("others", "confidence", "reason"),
    [
        (0, 0.2, None),
        (1, 0.51, OutlierReason.DOUBTFUL),
        (1, 0.49, OutlierReason.UNCONFIRMED),
        (2, 1.0, OutlierReason.UNCONFIRMED),
        (3, 1.0, OutlierReason.UNCONFIRMED),
    ],
)
def test_who_is_missed_by_how_many(others: int, confidence: float, reason: object) -> None:
    """One photo shows something; so many of three others look at the place and do not."""
    cameras = [Camera(np.array([100.0 * k, 0.0]), 1000.0) for k in range(4)]
    frames = [WIDE] + [WIDE if k < others else ELSEWHERE for k in range(3)]
    seen = replace(silhouette("S", "a", HERE), confidence=confidence)
    several, lone, outliers = sort_outliers(
        [Track((Part(0, (0,)),))], [(seen,), (), (), ()], cameras, frames
    )
    assert several == []
    assert [o.reason for o in outliers] == ([reason] if reason else [])
    kept = reason is None or reason is OutlierReason.DOUBTFUL
    assert lone == ([seen] if kept else [])
    assert [o.kept for o in outliers] == (
        [True] if reason is OutlierReason.DOUBTFUL else [False] * len(outliers)
    )
