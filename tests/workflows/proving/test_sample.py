"""What a few readings say, held against printed tables and against many draws."""

from __future__ import annotations

import numpy as np
import pytest

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
