"""Sets of photos against single ones: what counts as worse."""

from __future__ import annotations

from tests.benchmarks.against_one import Against


def test_a_set_is_worse_only_by_more_than_a_tenth() -> None:
    singles = ((0.5, 1.5), (0.9, 2.0), (1.2, 4.0))
    even, worse, bad = (
        Against("s", "t", together, singles) for together in ((0.6, 1.6), (0.7, 1.9), (1.1, 2.2))
    )
    assert [a.worse_than_best(0) for a in (even, worse, bad)] == [False, True, True]
    assert [a.worse_than_best(1) for a in (even, worse, bad)] == [False, True, True]
    assert [a.worse_than_median(0) for a in (even, worse, bad)] == [False, False, True]
    assert [a.worse_than_median(1) for a in (even, worse, bad)] == [False, False, True]
