"""The stated probability that an outline needs a hand: what it follows, and whom it names.

That it is calibrated is measured on lays with exact truth (`tests.benchmarks.doubt`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit
from shapely.geometry import box

from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.model.silhouette import Doubt, Kind, Silhouette
from tracer.parallax.shared.doubt import (
    CONSTANT,
    LOOK_FROM,
    LOOK_FROM_TOGETHER,
    TOGETHER,
    WEIGHTS,
    doubt_check,
    signs,
    together_check,
    unusable,
    unusable_together,
)

REGION = box(0, 0, 120, 20)


def silhouette(peak: float = 0.1, share: float = 0.02, region=REGION) -> Silhouette:
    count = len(region.exterior.coords) - 1
    return Silhouette(
        "S01",
        "p",
        region,
        np.full(count, 0.2),
        0.9,
        np.ones(count),
        np.empty(0),
        doubt=Doubt(share, peak, (100.0, 10.0)),
    )


def outline(largest_mm: float = 1.0) -> Outline:
    ring = np.array([0.3, largest_mm, 0.3, 0.3])
    return Outline(
        "T05",
        "chisel",
        REGION,
        20.0,
        HeightSource.TYPED,
        EdgeModel.LEARNED,
        0.3,
        ring,
        0.0,
        0.9,
        ("p",),
        (0.0, 0.0),
    )


def test_the_signs_are_largest_sigma_peak_width_and_length() -> None:
    # 120 x 20 mm: 2 A / P = 4800 / 280
    assert signs(outline(1.5), silhouette(0.1)) == pytest.approx([1.5, 0.1, 4800 / 280, 280])


def test_probability_is_the_logistic_of_the_weighted_logarithms() -> None:
    stated = unusable(outline(1.5), silhouette(0.1))
    logs = np.log([1.5, 0.1, 4800 / 280, 280.0])
    # the standard logistic function of SciPy
    assert stated == pytest.approx(expit(CONSTANT + WEIGHTS @ logs))


def test_more_stated_uncertainty_and_more_doubt_are_never_less_likely_to_need_a_hand() -> None:
    by_sigma = [unusable(outline(s), silhouette(0.1)) for s in (0.3, 0.6, 1.2, 2.4, 5.0)]
    by_peak = [unusable(outline(1.0), silhouette(p)) for p in (0.0, 0.01, 0.1, 0.3, 0.6)]
    for row in (by_sigma, by_peak):
        assert all(row[k] < row[k + 1] for k in range(len(row) - 1))
    # 0.3 mm where all is decided is a clean outline; 5 mm is none, wherever it was decided
    assert by_sigma[0] < 0.2 and by_sigma[-1] > 0.7


def test_nothing_is_stated_of_what_was_not_decided_or_is_no_whole_tool() -> None:
    good = silhouette()
    for other in (
        replace(good, doubt=None),
        replace(good, touches_border=True),
        replace(good, kind=Kind.CABLE),
    ):
        assert unusable(outline(), other) is None


def test_an_outline_is_named_from_the_limit_on_with_place_and_figure() -> None:
    doubted = silhouette()
    assert doubt_check(outline(), doubted, LOOK_FROM - 0.01, "T05 (chisel)") is None
    check = doubt_check(outline(), doubted, 0.72, "T05 (chisel)")
    assert check is not None
    assert check.slug == "outline-doubtful"
    assert check.subject_id == "T05" and check.value == 0.72 and check.where_mm == (100, 10)
    assert check.sentence.startswith("T05 (chisel) wants a look: with 72% probability")


def test_with_several_photos_the_largest_deviation_tells() -> None:
    """The limit lies at 2.26 mm: (ln(0.3 / 0.7) + 2.75) / 2.33 is its logarithm."""
    limit = float(np.exp((np.log(0.3 / 0.7) - TOGETHER[0]) / TOGETHER[1]))
    assert 2.0 < limit < 2.4
    assert unusable_together(outline(limit)) == pytest.approx(LOOK_FROM_TOGETHER)
    assert together_check(outline(0.99 * limit), "T05 (chisel)") is None
    check = together_check(outline(2 * limit), "T05 (chisel)")
    assert check is not None
    assert check.slug == "outline-doubtful"
    assert check.value == pytest.approx(expit(TOGETHER[0] + TOGETHER[1] * np.log(2 * limit)))
    # the second corner of the ring has the largest deviation
    assert check.where_mm == tuple(REGION.exterior.coords[1])
    assert "T05 (chisel)" in check.sentence


def test_several_photos_state_more_the_less_is_known() -> None:
    stated = [unusable_together(outline(mm)) for mm in (0.3, 1.0, 2.0, 4.0)]
    assert stated == sorted(stated)
    assert stated[0] < 0.05
    assert stated[-1] > 0.6
