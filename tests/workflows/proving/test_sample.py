"""What a few readings say, held against printed tables and against many draws."""

from __future__ import annotations

import numpy as np
import pytest

from tracer.workflows.job.proved_phone import sample_of
from tracer.workflows.job.sample import Sample

#: Student's t, 97.5 %, by degrees of freedom: NIST/SEMATECH e-Handbook, 1.3.6.7.2 (from memory)
STUDENT = {1: 12.706, 2: 4.303, 4: 2.776, 9: 2.262}
#: chi-square with 2 degrees of freedom, 2.5 and 97.5 %: the same, 1.3.6.7.4 (from memory)
CHI2_OF_2 = (0.0506, 7.378)


@pytest.mark.parametrize(("freedom", "quantile"), STUDENT.items())
def test_the_interval_is_students(freedom: int, quantile: float) -> None:
    values = tuple(np.linspace(-1.0, 2.0, freedom + 1))
    told = Sample(values)
    errors = told.half_mm / (np.std(values, ddof=1) / np.sqrt(freedom + 1))
    assert errors == pytest.approx(quantile, abs=6e-4)


def test_nineteen_of_twenty_intervals_of_three_hold_the_truth() -> None:
    """The count is binomial: 4000 of 0.95 scatter by 0.0034; two errors would hold 82 %."""
    rng = np.random.default_rng(5)
    draws = rng.normal(0.3, 0.1, (4000, 3))
    held = sum(abs(Sample(tuple(d)).mean_mm - 0.3) <= Sample(tuple(d)).half_mm for d in draws)
    assert held / 4000 == pytest.approx(0.95, abs=4 * 0.0034)
    two = sum(abs(d.mean() - 0.3) <= 2 * d.std(ddof=1) / 3**0.5 for d in draws)
    assert two / 4000 < 0.85  # negative control


def test_a_mean_is_corrected_only_where_it_is_told_from_zero() -> None:
    assert Sample((0.29, 0.30, 0.31)).correction_mm == pytest.approx(-0.30)
    assert Sample((0.0, 0.30, 0.60)).correction_mm == 0.0
    assert Sample((0.30,)).correction_mm == 0.0 and Sample((0.30,)).half_mm == float("inf")


@pytest.mark.parametrize(("share", "differs"), [(0.99, False), (1.01, True)])
def test_a_scatter_is_replaced_beyond_the_tables_limit(share: float, differs: bool) -> None:
    unit = np.array([-1.0, 0.0, 1.0])  # deviation 1
    most = 0.15 * (CHI2_OF_2[1] / 2) ** 0.5 * share
    least = 0.15 * (CHI2_OF_2[0] / 2) ** 0.5 / share
    assert Sample(tuple(most * unit)).differs(0.15) is differs
    assert Sample(tuple(least * unit)).differs(0.15) is differs


def test_photos_that_disagree_as_wholes_tell_no_mean() -> None:
    """Sizes of one photo have its light in common: nine readings of three photos are not nine."""
    sizes = {"a": (0.20, 0.21, 0.22), "b": (0.02, 0.03, 0.01), "c": (0.10, 0.11, 0.12)}
    whole = sample_of(sizes)
    assert not whole.shown
    # three means, by the printed table: 4.303 standard errors
    means = [np.mean(v) for v in sizes.values()]
    by_hand = STUDENT[2] * np.std(means, ddof=1) / 3**0.5
    assert whole.half_mm == pytest.approx(by_hand, rel=1e-3)
    assert Sample(whole.values_mm).shown  # negative control: taken as nine
    assert sample_of({"a": sizes["a"]}).shown


def test_false_corrections_of_photos_with_a_light_of_their_own_are_rare() -> None:
    """Each photo's light shifts all its sizes by 0.15 mm: the truth, 0, is left out as stated."""
    rng = np.random.default_rng(6)
    wrong, as_nine = 0, 0
    for _ in range(2000):
        shifts = rng.normal(0, 0.15, 4)
        photos = {str(k): tuple(s + rng.normal(0, 0.05, 3)) for k, s in enumerate(shifts)}
        wrong += sample_of(photos).shown
        as_nine += Sample(sample_of(photos).values_mm).shown
    # binomial: 5 % of 2000 scatters by 0.5 %
    assert wrong / 2000 < 0.05 + 4 * 0.005
    assert as_nine / 2000 > 0.15  # negative control
