"""Files that a person writes too: read once, replaced only while they are what was read."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.project.killed import killed_at
from tracer.errors import TracerError
from tracer.project import store
from tracer.project.former import Beside, file_digest, former_files
from tracer.project.store import JobFolder

LIST = "tools.csv"


@pytest.fixture
def job(tmp_path: Path) -> JobFolder:
    job = JobFolder(tmp_path / "bench.job")
    with job.locked():
        job.commit({"job.json": b"1", LIST: b"as read"})
    return job


def test_a_file_saved_while_a_run_goes_on_stays(job: JobFolder) -> None:
    with job.locked():
        assert job.read(LIST) == b"as read"
        (job.path / LIST).write_bytes(b"typed by a person")
        job.commit({"job.json": b"2", LIST: b"made from what was read"})
        assert job.beside == (Beside(LIST, "tools-by-tracer.csv"),)
    assert (job.path / LIST).read_bytes() == b"typed by a person"
    assert (job.path / "tools-by-tracer.csv").read_bytes() == b"made from what was read"
    assert (job.path / "job.json").read_bytes() == b"2"


def test_one_that_appears_while_a_run_goes_on_stays(job: JobFolder) -> None:
    with job.locked():
        assert not job.has("panel.toml")
        (job.path / "panel.toml").write_bytes(b"typed")
        job.commit({"panel.toml": b"ours"})
    assert (job.path / "panel.toml").read_bytes() == b"typed"
    assert (job.path / "panel-by-tracer.toml").read_bytes() == b"ours"


def test_what_lies_beside_is_never_written_over(job: JobFolder) -> None:
    for number in (1, 2):
        with job.locked():
            job.read(LIST)
            (job.path / LIST).write_bytes(b"typed %d" % number)
            job.commit({LIST: b"ours %d" % number})
    assert (job.path / "tools-by-tracer.csv").read_bytes() == b"ours 1"
    assert (job.path / "tools-by-tracer-2.csv").read_bytes() == b"ours 2"
    assert (job.path / LIST).read_bytes() == b"typed 2"


def test_saved_at_the_last_moment(job: JobFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between the atomic step and the file's own turn: still the person's file stays."""
    real = store.replace_patiently

    def saved_just_then(source: Path, target: Path) -> None:
        real(source, target)
        if target.name == ".commit":
            (job.path / LIST).write_bytes(b"typed")

    with job.locked():
        job.read(LIST)
        monkeypatch.setattr(store, "replace_patiently", saved_just_then)
        job.commit({LIST: b"ours"})
    assert (job.path / LIST).read_bytes() == b"typed"
    assert (job.path / "tools-by-tracer.csv").read_bytes() == b"ours"


def test_saved_after_a_kill(job: JobFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    """A run is killed after the atomic step; the person saves; the next run finishes the change."""
    real = store.replace_patiently

    def killed(source: Path, target: Path) -> None:
        real(source, target)
        if target.name == ".commit":
            raise KeyboardInterrupt

    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt), job.locked():
        job.read(LIST)
        patch.setattr(store, "replace_patiently", killed)
        job.commit({"job.json": b"2", LIST: b"ours"})
    (job.path / LIST).write_bytes(b"typed")
    with job.locked():
        assert job.beside == (Beside(LIST, "tools-by-tracer.csv"),)
    assert (job.path / LIST).read_bytes() == b"typed"
    assert (job.path / "job.json").read_bytes() == b"2"


def test_an_edit_of_the_page_is_refused_whole(job: JobFolder) -> None:
    with job.locked():
        job.read(LIST)
        (job.path / LIST).write_bytes(b"typed")
        with pytest.raises(TracerError) as caught:
            job.commit({"job.json": b"2", LIST: b"ours"}, if_as_read=True)
    assert caught.value.slug == "file-saved-meanwhile"
    assert (job.path / "job.json").read_bytes() == b"1"
    assert sorted(p.name for p in job.path.iterdir() if p.name != ".next") == [
        ".lock",
        "job.json",
        LIST,
    ]


def test_every_rewrite_keeps_the_former_file(job: JobFolder) -> None:
    for data in (b"second", b"third", b"third"):
        with job.locked():
            job.commit({LIST: data})
    kept = former_files(job.path)
    assert [(f.number, f.name, job.read(f.kept_as)) for f in kept] == [
        (1, LIST, b"as read"),
        (2, LIST, b"second"),
    ]


def test_a_file_that_would_not_change_is_not_touched(job: JobFolder) -> None:
    before = (job.path / LIST).stat().st_mtime_ns
    with job.locked():
        job.commit({"job.json": b"2", LIST: b"as read"})
    assert (job.path / LIST).stat().st_mtime_ns == before
    assert former_files(job.path) == []


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
@pytest.mark.parametrize("kind", ["pipe", "endless"])
def test_what_is_no_plain_file_is_not_read_through(tmp_path: Path, kind: str) -> None:
    """A run that changes something else neither waits for a writer nor fills the memory."""
    job = JobFolder(tmp_path / "bench.job")
    with job.locked():
        job.commit({"job.json": b"1"})
    path = job.path / LIST
    os.mkfifo(path) if kind == "pipe" else path.symlink_to("/dev/zero")
    assert file_digest(path) is None
    with job.locked():
        assert not job.has(LIST)
        job.commit({"job.json": b"2"})
        assert job.beside == ()
    assert (job.path / "job.json").read_bytes() == b"2"
    with pytest.raises(TracerError) as caught, job.locked():  # nor is it replaced
        job.commit({"job.json": b"3", LIST: b"ours"})
    assert caught.value.slug == ("job-place-taken" if kind == "pipe" else "job-linked")
    assert (job.path / "job.json").read_bytes() == b"2"
    assert not path.is_file()


@pytest.mark.parametrize("when", range(24))
def test_a_kill_at_any_moment_loses_nothing_typed(
    job: JobFolder, monkeypatch: pytest.MonkeyPatch, when: int
) -> None:
    """What the person had typed is in its place or in the history, whenever the run is killed."""

    def change() -> None:
        with job.locked():
            job.commit({"job.json": b"2", LIST: b"ours"})

    killed = killed_at(when, change, monkeypatch)

    def places() -> list[bytes]:
        kept = [(job.path / f.kept_as).read_bytes() for f in former_files(job.path)]
        return [(job.path / LIST).read_bytes(), *kept]

    assert b"as read" in places()
    with job.locked():
        pass
    assert places() in (
        [[b"as read"], [b"ours", b"as read"]] if killed else [[b"ours", b"as read"]]
    )
    assert when < 20 or not killed, "the count of steps must end within the range tried"
