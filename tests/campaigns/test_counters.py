"""Every counter of a campaign can count: planted faults, each in a process of its own."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.campaigns import pool
from tests.campaigns.arguments import VALUES, options
from tests.campaigns.cases import FAULTS, Case, Fault, Outcome, table
from tests.campaigns.judge import bricked, judged, loads, said_of, snapshot
from tests.campaigns.killing import Ended
from tests.campaigns.kills import stopped_faults
from tests.campaigns.words import programmers_words
from tests.campaigns.workshop import Workshop
from tracer.project.schema import JobRecord, dump_job

Act = Callable[[], int]


@pytest.fixture
def shop(tmp_path: Path) -> Workshop:
    root = tmp_path / "shop"
    (root / "bench.job").mkdir(parents=True)
    (root / "bench.job" / "job.json").write_bytes(dump_job(JobRecord(lays=())))
    (root / "bench.job" / "tools.csv").write_text("name,x_px,y_px\nown,1,1\n")
    (root / "notes.txt").write_text("mine\n")
    return Workshop(root)


def tried(shop: Workshop, tmp_path: Path, act: Act) -> Outcome:
    """What the campaign says of a command that does this."""

    def case(laid: Workshop) -> list[Fault]:
        before, could = snapshot(laid.root), loads(laid.job)
        said = said_of(("planted",), act)
        faults = judged(said, before, snapshot(laid.root))
        return faults + bricked(could, loads(laid.job, changed=before))

    cases = [
        Case("files", 0, "x", "x", case),
        Case("files", 1, "x", "the next one", lambda _: []),
    ]
    first, second = pool.run_cases(cases, shop, tmp_path, workers=1, keep=tmp_path / "kept")
    assert second.faults == [], "a fault must not reach the next case"
    assert bool(first.faults) == (tmp_path / "kept" / "files-0" / "case.txt").is_file()
    return first


def kinds(outcome: Outcome) -> set[str]:
    return {f.kind for f in outcome.faults}


def well() -> int:
    print("3 outlines written to bench.job", file=sys.stderr)
    return 0


def test_a_sound_command_counts_nothing(shop: Workshop, tmp_path: Path) -> None:
    assert kinds(tried(shop, tmp_path, well)) == set()


def test_traceback(shop: Workshop, tmp_path: Path) -> None:
    assert kinds(tried(shop, tmp_path, lambda: 1 // 0)) == {"traceback"}


def test_hang(shop: Workshop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pool, "HANG_S", 0.5)

    def spin() -> int:
        while True:
            pass

    assert kinds(tried(shop, tmp_path, spin)) == {"hang"}


def test_waiting_without_end(
    shop: Workshop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pool, "WALL_S", 1.5)

    def wait() -> int:
        time.sleep(3600)
        return 0

    assert kinds(tried(shop, tmp_path, wait)) == {"hang"}


def test_memory(shop: Workshop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pool, "MEMORY_MB", pool._peak_mb() + 300)

    def fill() -> int:
        # the limit is seen from a peak that this process may have left behind long ago
        data = bytearray(int((pool.MEMORY_MB + 200) * 1e6))
        data[::4096] = b"\1" * len(data[::4096])
        return well()

    assert "memory" in kinds(tried(shop, tmp_path, fill))


def test_memory_that_is_refused(shop: Workshop, tmp_path: Path) -> None:
    def refuse() -> int:
        print("error: There is not enough memory for this photo. [out-of-memory]", file=sys.stderr)
        return 1

    assert kinds(tried(shop, tmp_path, refuse)) == {"memory"}


def test_signal(shop: Workshop, tmp_path: Path) -> None:
    def die() -> int:
        os.kill(os.getpid(), signal.SIGSEGV)
        return 0

    assert kinds(tried(shop, tmp_path, die)) == {"signal"}


@pytest.mark.parametrize("name", ["notes.txt", "bench.job/tools.csv"])
@pytest.mark.parametrize("gone", [True, False])
def test_lost(shop: Workshop, tmp_path: Path, name: str, gone: bool) -> None:
    def lose() -> int:
        path = Path(name)
        path.unlink() if gone else path.write_text("name,x_px,y_px\nours,1,1\n")
        return well()

    assert kinds(tried(shop, tmp_path, lose)) == {"lost"}


def test_a_former_list_that_is_kept_is_not_lost(shop: Workshop, tmp_path: Path) -> None:
    def rewrite() -> int:
        path = Path("bench.job/tools.csv")
        Path("bench.job/history").mkdir()
        path.rename("bench.job/history/tools-1.csv")
        path.write_text("name,x_px,y_px\nours,1,1\n")
        return well()

    assert kinds(tried(shop, tmp_path, rewrite)) == set()


def test_refused_yet_changed(shop: Workshop, tmp_path: Path) -> None:
    def change() -> int:
        Path("bench.job/tools.csv").write_text("x")
        print("error: That cannot be. Do this. [no-such]", file=sys.stderr)
        return 1

    assert "lost" in kinds(tried(shop, tmp_path, change))


def test_bricked(shop: Workshop, tmp_path: Path) -> None:
    def break_it() -> int:
        Path("bench.job/job.json").write_text('{"format": "tracer-job", "version": 1, "lays": 3}')
        return well()

    assert kinds(tried(shop, tmp_path, break_it)) == {"mixed"}


def test_silence(shop: Workshop, tmp_path: Path) -> None:
    assert kinds(tried(shop, tmp_path, lambda: 1)) == {"silent"}


@pytest.mark.parametrize(
    "line",
    [
        "error: job.json cannot be read: KeyError at 'lays'. [job-damaged]",
        "error: job.json: lays.0.photos.1.file: field required. [job-damaged]",
        "error: at /lays/0/photos there is no list. [x]",
        "error: it cannot be NoneType. [x]",
        "error: expected str instance. [x]",
        "RuntimeWarning: overflow encountered in multiply",
        "error: could not convert string to float: 'x'. [x]",
        "error: \x1b[31mred is no name. [x]",
        "error: " + "x" * 5000,
    ],
)
def test_programmers_words(line: str) -> None:
    assert programmers_words(line) is not None


@pytest.mark.parametrize(
    "line",
    [
        "error: 'NoneType' is not a length. Write it like 12mm. [length-unreadable]",
        "error: tools.csv, line 3, column height_mm: 'nan' is not a length. [tool-list-unreadable]",
        "note: /tmp/KeyError/dict.job/tools.csv was kept beside it. [x]",
        "warning: 3 splines or ellipses: some machines drop them. [curve-kind-risky]",
        "bench, revision 1: 2 pockets in 640.0 mm x 420.0 mm, 0 through, 1 with a floor insert",
    ],
)
def test_a_makers_words(line: str) -> None:
    assert programmers_words(line) is None


def test_kills_see_a_mixed_state(tmp_path: Path) -> None:
    job = tmp_path / "bench.job"
    job.mkdir()
    before = {"bench.job/a": "1", "bench.job/b": "1"}
    after = {"bench.job/a": "2", "bench.job/b": "2"}
    (job / "a").write_bytes(b"new")
    (job / "b").write_bytes(b"old")
    now = snapshot(tmp_path)
    killed = Ended(-9, "", 3, 0.1)
    mixed = {**before, "bench.job/a": now["bench.job/a"]}, {**after, "bench.job/b": "x"}
    assert {f.kind for f in stopped_faults(tmp_path, *mixed, killed, signal.SIGKILL)} == {"mixed"}
    assert stopped_faults(tmp_path, now, after, killed, signal.SIGKILL) == []
    assert stopped_faults(tmp_path, before, now, killed, signal.SIGKILL) == []
    lie = Ended(130, "interrupted: nothing was changed", 3, 0.1)
    told = stopped_faults(tmp_path, before, now, lie, signal.SIGINT)
    assert [f.kind for f in told] == ["silent"]
    assert stopped_faults(tmp_path, now, after, lie, signal.SIGINT) == []


def test_every_option_is_found_and_meets_enough_values() -> None:
    found = {(o.command, o.flag) for o in options()}
    assert {
        ("trace", "--drop"),
        ("cut", "--margin"),
        ("swap", "--point"),
        ("desk", "--port"),
    } <= found
    assert ("cards", "") in found
    assert len(set(VALUES)) >= 20


def test_the_table_counts_a_case_once_for_each_fault() -> None:
    twice = Outcome("files:0", "x", "x", [Fault("words", "a"), Fault("words", "b")])
    lines = table([twice, Outcome("files:1", "x", "x")], ["files"]).splitlines()
    assert lines[1].split()[-1] == "2"
    assert [line.split()[-1] for line in lines if line.startswith(FAULTS["words"])] == ["1"]
