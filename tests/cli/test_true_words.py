"""What a command says at its end is what happened: above all once something is written."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tracer.cli.app import run
from tracer.desk.runs import Runner, RunState
from tracer.errors import TracerError
from tracer.project import store
from tracer.project.store import JobFolder
from tracer.workflows.job import restore_file

LIST = "tools.csv"


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> JobFolder:
    """A job with a former list that `tracer restore` can bring back."""
    monkeypatch.chdir(tmp_path)
    job = JobFolder(tmp_path / "bench.job")
    for data in (b"first", b"second"):
        with job.locked():
            job.commit({"job.json": b"1", LIST: data})
    return job


RESTORE = ["restore", "bench", LIST]


def test_interrupted_while_the_change_is_made(
    job: JobFolder, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    real = store.replace_patiently

    def interrupted(source: Path, target: Path) -> None:
        real(source, target)
        if target.name == ".commit":
            signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(store, "replace_patiently", interrupted)
    assert run(RESTORE) == 130
    told = capsys.readouterr().err
    assert "nothing" not in told.lower()
    assert "the job bench.job is written" in told
    # and all of it is in place, not only promised
    assert (job.path / LIST).read_bytes() == b"first"
    assert not (job.path / ".commit").exists()


def test_interrupted_before_the_change(
    job: JobFolder, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def interrupted(_: Path) -> None:
        signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(restore_file, "former_files", interrupted)
    assert run(RESTORE) == 130
    assert "nothing was changed" in capsys.readouterr().err
    assert (job.path / LIST).read_bytes() == b"second"


def test_interrupted_just_after_the_change(
    job: JobFolder, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from tracer.cli.console import Console

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Console, "result", interrupted)
    assert run(RESTORE) == 130
    assert "the job bench.job is written" in capsys.readouterr().err


def test_a_failure_after_the_change_says_both(
    job: JobFolder, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from tracer.cli.console import Console

    def failing(*_: object) -> None:
        raise MemoryError

    monkeypatch.setattr(Console, "result", failing)
    assert run(RESTORE) == 1
    assert "Before that was written: the job bench.job." in capsys.readouterr().err


def test_files_that_cannot_be_put_in_place_yet(
    job: JobFolder, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    real = store.replace_patiently

    def held(source: Path, target: Path) -> None:
        if target.name == LIST:
            raise PermissionError(13, "held by another program")
        real(source, target)

    with monkeypatch.context() as patch:
        patch.setattr(store, "replace_patiently", held)
        assert run(RESTORE) == 1
    told = capsys.readouterr().err
    assert "[job-unfinished]" in told
    assert "cannot be written" not in told
    with job.locked():
        pass
    assert (job.path / LIST).read_bytes() == b"first"


def command(*arguments: str, stdout: int) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-m", "tracer", *arguments],
        stdout=stdout,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        timeout=120,
        check=False,
    )


@pytest.mark.skipif(os.name == "nt", reason="pipes end in another way on Windows")
def test_a_reader_that_has_gone_is_no_failure(job: JobFolder) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    done = command(*RESTORE, stdout=writing)
    os.close(writing)
    assert (done.returncode, done.stderr) == (0, b"")
    assert (job.path / LIST).read_bytes() == b"first"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_full_disk_under_the_result(job: JobFolder) -> None:
    with Path("/dev/full").open("wb") as full:
        done = command(*RESTORE, stdout=full.fileno())
    told = done.stderr.decode()
    assert done.returncode == 1
    assert "[output-unwritable]" in told
    assert "Before that was written: the job bench.job." in told
    assert "Traceback" not in told


def test_the_page_hears_what_was_written_before_a_failure(job: JobFolder) -> None:
    def half(_: RunState) -> None:
        with job.locked():
            job.commit({LIST: b"third"})
        raise TracerError("no-card", "There is no card.")

    def none(_: RunState) -> None:
        raise TracerError("no-card", "There is no card.")

    runner = Runner()
    states = []
    for task in (half, none):
        state = RunState()
        runner.ask("job", task, state, soon=True)
        for _ in range(200):
            if state.phase == "failed":
                break
            time.sleep(0.05)
        states.append(state.record()["error"]["sentence"])
    runner.close()
    assert states == [
        "There is no card. What was finished before that is written.",
        "There is no card.",
    ]
