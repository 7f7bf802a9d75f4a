"""What happens to a lay whose process dies, hangs or swells."""

from __future__ import annotations

import sys
import threading
import time
from pathlib import Path

import pytest

from tests.batch import stand_in
from tracer.batch.bench import Bench, Limits
from tracer.batch.order import LayOrder, State

COMMAND = (sys.executable, str(stand_in.__file__))


def order(name: str, what: str = "ok") -> LayOrder:
    return LayOrder(name=name, photos=("a.jpg",), height=what)


def attempts(out: Path) -> list[tuple[str, str]]:
    lines = (out / "attempts").read_text().splitlines()
    return [(line.split()[0], line.split()[1]) for line in lines]


@pytest.fixture
def bench() -> Bench:
    return Bench(Limits(memory_mb=500, seconds=3), COMMAND)


def test_one_process_does_lay_after_lay(bench: Bench, tmp_path: Path) -> None:
    steps: list[str] = []
    for name in "abc":
        assert bench.do(order(name), str(tmp_path), steps.append).state is State.DONE
    assert len({process for _, process in attempts(tmp_path)}) == 1
    assert steps == ["at it"] * 3
    bench.close()


def test_a_lay_that_kills_two_fresh_processes_fails_and_the_next_is_done(
    bench: Bench, tmp_path: Path
) -> None:
    assert bench.do(order("a"), str(tmp_path), print).state is State.DONE
    row = bench.do(order("b", "crash"), str(tmp_path), print)
    assert (row.state, row.slug) == (State.FAILED, "lay-kills")
    assert "SIGABRT" in row.sentence
    # once in the process that had done a, then twice in fresh ones
    assert [name for name, _ in attempts(tmp_path)] == ["a", "b", "b", "b"]
    assert bench.do(order("c"), str(tmp_path), print).state is State.DONE
    bench.close()


def test_a_process_killed_by_others_is_no_fault_of_the_lay(bench: Bench, tmp_path: Path) -> None:
    assert bench.do(order("a", "killed"), str(tmp_path), print).state is State.DONE
    assert len(attempts(tmp_path)) == 3
    bench.close()


@pytest.mark.parametrize(("what", "told"), [("slow", "longer than 3 s"), ("large", "500 MB")])
def test_a_lay_beyond_its_bounds_is_stopped_once(
    bench: Bench, tmp_path: Path, what: str, told: str
) -> None:
    if what == "large" and not Path("/proc/self/statm").exists():
        pytest.skip("this system does not tell a process's memory in /proc")
    row = bench.do(order("a", what), str(tmp_path), print)
    assert (row.state, row.slug) == (State.FAILED, "lay-too-large")
    assert told in row.sentence
    assert len(attempts(tmp_path)) == 1
    bench.close()


def test_closing_ends_a_lay_in_the_middle(tmp_path: Path) -> None:
    bench = Bench(Limits(seconds=60), COMMAND)
    rows = []
    thread = threading.Thread(
        target=lambda: rows.append(bench.do(order("a", "slow"), str(tmp_path), print))
    )
    thread.start()
    # the file is there a moment before its first line is
    while not (tmp_path / "attempts").exists() or not attempts(tmp_path):
        time.sleep(0.01)
    bench.close()
    thread.join(timeout=30)
    assert [row.state for row in rows] == [State.WAITING]
    assert len(attempts(tmp_path)) == 1
