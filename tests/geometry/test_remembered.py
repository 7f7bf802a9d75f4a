"""Results remembered by content: equal content, equal result; other content, made anew."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import Point, box

from tracer.geometry.remembered import digest, remembered


@dataclass(frozen=True, eq=False)
class Thing:
    shape: object
    run: np.ndarray
    names: dict[str, float]


def thing(width: float = 10.0, last: float = 3.0, weight: float = 1.0) -> Thing:
    return Thing(box(0, 0, width, 5), np.array([1.0, 2.0, last]), {"a": weight, "b": 2.0})


def test_equal_content_has_one_digest_and_each_difference_another() -> None:
    assert digest(thing()) == digest(thing())
    others = [
        thing(width=10.0 + 1e-12),
        thing(last=3.0 + 1e-12),
        thing(weight=1.5),
    ]
    assert len({digest(t) for t in [thing(), *others]}) == 4


def test_parts_do_not_run_into_each_other() -> None:
    assert digest("ab", "c") != digest("a", "bc")
    assert digest((1,), 2) != digest((1, 2))
    assert digest(np.zeros((2, 3))) != digest(np.zeros((3, 2)))
    assert digest(np.zeros(2, np.float32)) != digest(np.zeros(1, np.float64))
    assert digest(True) != digest(1)


def test_a_result_is_made_once_for_equal_content_and_again_for_other() -> None:
    calls: list[float] = []

    @remembered(8)
    def area(shape: object, *, by: float = 1.0) -> float:
        calls.append(by)
        return float(affinity.scale(shape, by, by).area)

    assert area(box(0, 0, 2, 3)) == area(box(0, 0, 2, 3)) == 6.0
    assert len(calls) == 1
    assert area(box(0, 0, 2, 3), by=2.0) == 24.0
    assert area(Point(0, 0).buffer(1)) < 3.15
    assert len(calls) == 3


def test_only_the_latest_are_kept() -> None:
    calls: list[int] = []

    @remembered(2)
    def same(n: int) -> int:
        calls.append(n)
        return n

    for n in (1, 2, 1, 3, 1, 2):
        assert same(n) == n
    assert calls == [1, 2, 3, 2]


def test_a_failure_is_not_remembered() -> None:
    calls: list[int] = []

    @remembered(2)
    def fails(n: int) -> int:
        calls.append(n)
        if len(calls) == 1:
            raise ValueError
        return n

    with pytest.raises(ValueError):
        fails(1)
    assert fails(1) == 1
