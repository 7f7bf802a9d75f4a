"""Gaps left in a tool are closed where they look like the tool, and only there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from tracer.segmentation.decide.torn import closed_tears

GREEN, BLACK, STEEL = (-1.9, -1.2, -1.7), (-4.2, -4.3, -4.3), (-1.0, -0.9, -0.9)


@dataclass
class Bench:
    """A bar from left to right, 6 cells wide, that the decision lost between two columns."""

    gap: tuple[int, int] = (60, 67)
    tool: tuple[float, float, float] = BLACK
    filling: tuple[float, float, float] | None = None  # what the gap shows; None: the tool
    shade: float = 0.0  # added to the log light of the gap
    contact: float = 0.05
    width: int = 6

    def __post_init__(self) -> None:
        rng = np.random.default_rng(4)
        top, bottom = 50, 50 + self.width
        shape = (100, 140)
        self.log = np.empty((*shape, 3), np.float32)
        self.log[:] = GREEN
        self.log[top:bottom, 20:120] = self.tool
        first, last = self.gap
        if self.filling is not None:
            self.log[top:bottom, first:last] = self.filling
        self.log[top:bottom, first:last] += self.shade
        self.log += rng.normal(0, 0.06, self.log.shape).astype(np.float32)
        self.labels = np.zeros(shape, np.int32)
        self.labels[top:bottom, 20:first] = 1
        self.labels[top:bottom, last:120] = 2
        self.likely = np.where(self.labels > 0, 0.95, 0.02).astype(np.float32)
        self.touching = np.full(shape, self.contact, np.float32)
        self.unsure = np.zeros(shape, np.bool_)
        self.cables: frozenset[int] = frozenset()

    def closed(self) -> tuple[NDArray[np.int32], NDArray[np.bool_]]:
        return closed_tears(
            self.labels,
            self.cables,
            self.unsure,
            self.likely,
            self.touching,
            self.log,
            np.ones(self.labels.shape, np.bool_),
            1.0,
        )


def pieces(labels: NDArray[np.int32]) -> int:
    return len(np.unique(labels[labels > 0]))


def test_a_gap_that_looks_like_the_tool_is_closed_at_full_width() -> None:
    labels, _ = Bench().closed()
    assert pieces(labels) == 1
    # the gap's cells, all but those that noise puts beyond the colour's limits
    assert np.mean(labels[50:56, 60:67] > 0) > 0.9
    assert not labels[:49].any() and not labels[57:].any()


@pytest.mark.parametrize(
    "bench",
    [
        Bench(filling=GREEN),
        Bench(filling=GREEN, shade=-0.8),  # the sheet in the tools' shadow, at less than half light
        Bench(tool=STEEL, filling=GREEN, shade=-0.8),  # a shadow is not on the way to bright steel
        Bench(tool=STEEL, filling=BLACK),  # darker than either: another thing
        Bench(contact=0.6),  # the decision says that two tools meet there
        Bench(tool=(-2.0, -1.25, -1.8)),  # hardly another colour than the sheet
        Bench(gap=(50, 70)),  # too long
        Bench(gap=(60, 61)),  # parted on purpose
    ],
    ids=["sheet", "shade", "steel", "black", "contact", "contrast", "long", "near"],
)
def test_other_gaps_stay_open(bench: Bench) -> None:
    assert pieces(bench.closed()[0]) == 2


def test_a_thread_between_two_tools_joins_nothing() -> None:
    bench = Bench(filling=GREEN, width=12)
    bench.log[55:57, 60:67] = BLACK  # 2 cells of 12
    assert pieces(bench.closed()[0]) == 2


def test_cables_are_left_alone() -> None:
    bench = Bench()
    bench.cables = frozenset({2})
    assert pieces(bench.closed()[0]) == 2


def test_a_piece_that_was_not_sure_comes_back_with_its_tool() -> None:
    bench = Bench()
    bench.unsure = bench.labels == 2
    bench.labels[bench.unsure] = 0
    bench.likely[bench.unsure] = 0.6
    labels, unsure = bench.closed()
    assert labels[53, 110] == 1
    assert not unsure.any()


def test_a_tool_in_three_pieces_becomes_one() -> None:
    bench = Bench()
    bench.labels[50:56, 90:96] = 0
    bench.labels[50:56, 96:120] = 3
    bench.likely[50:56, 90:96] = 0.02
    assert pieces(bench.closed()[0]) == 1


def test_turned_pictures_give_turned_answers() -> None:
    bench = Bench()
    upright = bench.closed()[0]
    for name in ("log", "labels", "likely", "touching", "unsure"):
        setattr(bench, name, np.ascontiguousarray(np.swapaxes(getattr(bench, name), 0, 1)))
    assert np.array_equal(bench.closed()[0], upright.T)
