"""The job folder: all or nothing, one run at a time, nothing outside."""

from __future__ import annotations

import errno
import json
import multiprocessing
import os
import shutil
from pathlib import Path

import pytest

from tests.project.killed import killed_at
from tracer.atomic import create_atomically, write_atomically
from tracer.errors import TracerError, UsageError
from tracer.project.store import JobFolder, job_path

BEFORE = {"job.json": b"1", "pictures/a.png": b"one", "outlines.json": b"old"}
AFTER = {"job.json": b"2", "outlines.json": b"new", "cut/face.dxf": b"dxf"}


def content(folder: Path) -> dict[str, bytes]:
    return {
        p.relative_to(folder).as_posix(): p.read_bytes()
        for p in folder.rglob("*")
        if p.is_file() and p.name != ".lock"
    }


def make(folder: Path) -> JobFolder:
    job = JobFolder(folder)
    with job.locked():
        job.commit(BEFORE)
    return job


def test_commit_writes_and_removes(tmp_path: Path) -> None:
    job = make(tmp_path / "bench.job")
    with job.locked():
        job.commit(AFTER, remove=["pictures/a.png", "never-was"])
    assert content(job.path) == AFTER
    assert job.exists()


@pytest.mark.parametrize("when", range(40))
def test_a_kill_at_any_moment_leaves_old_or_new(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, when: int
) -> None:
    """Stop at the n-th step that touches the disk, then let the next run open the job."""
    job = make(tmp_path / "bench.job")

    def change() -> None:
        with job.locked():
            job.commit(AFTER, remove=["pictures/a.png"])

    killed = killed_at(when, change, monkeypatch)
    with job.locked():
        pass
    assert content(job.path) in ([BEFORE, AFTER] if killed else [AFTER])
    assert when < 30 or not killed, "the count of steps must end within the range tried"


def _hold(path: str, ready, done) -> None:  # type: ignore[no-untyped-def]
    with JobFolder(Path(path)).locked():
        ready.set()
        done.wait(20)


def test_a_second_run_is_refused(tmp_path: Path) -> None:
    job = make(tmp_path / "bench.job")
    context = multiprocessing.get_context("spawn")
    ready, done = context.Event(), context.Event()
    other = context.Process(target=_hold, args=(str(job.path), ready, done))
    other.start()
    try:
        assert ready.wait(20)
        with pytest.raises(TracerError) as caught, job.locked():
            pass
        assert caught.value.slug == "job-locked"
    finally:
        done.set()
        other.join(20)
    with job.locked():
        pass


def test_a_failed_first_run_leaves_no_folder(tmp_path: Path) -> None:
    job = JobFolder(tmp_path / "bench.job")
    with pytest.raises(RuntimeError), job.locked():
        raise RuntimeError
    assert not job.path.exists()


def test_nothing_outside_the_folder(tmp_path: Path) -> None:
    job = make(tmp_path / "bench.job")
    for name in ("../evil", "/etc/passwd", "a/../../evil", ""):
        with pytest.raises(ValueError, match="inside"):
            job.read(name)
        with pytest.raises(ValueError, match="inside"), job.locked():
            job.commit({name: b"x"})


@pytest.mark.parametrize("name", ["bench", "bench.job", "shop/my bench", "Werkbank Süd"])
def test_job_names(name: str) -> None:
    assert job_path(name).name.endswith(".job")
    assert not job_path(name).name.endswith(".job.job")


@pytest.mark.parametrize("name", ["", " ", ".", "CON", "nul.job", "a:b", "what?", "end.", "com1"])
def test_names_that_some_system_cannot_hold(name: str) -> None:
    with pytest.raises(UsageError) as caught:
        job_path(name)
    assert caught.value.slug == "job-name-unusable"


def test_a_path_that_is_no_text() -> None:
    with pytest.raises(
        UsageError, match=r"The path 'shop\?/bench' of the job holds bytes"
    ) as caught:
        job_path("shop\udcff/bench")
    assert caught.value.slug == "job-name-unusable"


def test_single_files_are_whole_or_absent(tmp_path: Path) -> None:
    target = tmp_path / "new" / "cards.pdf"
    write_atomically(target, b"one")
    write_atomically(target, b"two")
    assert content(tmp_path) == {"new/cards.pdf": b"two"}
    (tmp_path / "file").write_text("x")
    with pytest.raises(TracerError) as caught:
        write_atomically(tmp_path / "file" / "cards.pdf", b"x")
    assert caught.value.slug == "file-unwritable"


def test_a_file_that_appears_meanwhile_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A person saves a file of that name between the look and the write."""
    target = tmp_path / "cards.pdf"
    create_atomically(target, b"one")
    assert content(tmp_path) == {"cards.pdf": b"one"}
    for link in (os.link, _no_links):
        monkeypatch.setattr(os, "link", link)
        with pytest.raises(TracerError) as caught:
            create_atomically(target, b"two")
        assert caught.value.slug == "file-exists"
        assert content(tmp_path) == {"cards.pdf": b"one"}
    create_atomically(tmp_path / "new.pdf", b"three")
    assert (tmp_path / "new.pdf").read_bytes() == b"three"


def _no_links(*_: object) -> None:
    raise OSError(errno.EPERM, "no links on this disk")


@pytest.mark.parametrize(
    ("path", "as_folder", "change", "remove"),
    [
        ("pictures", False, {"pictures/b.png": b"two"}, []),
        ("cut", False, {"cut/deep/face.dxf": b"dxf"}, []),
        ("outlines.json", True, AFTER, []),
        ("pictures/a.png", True, AFTER, ["pictures/a.png"]),
    ],
)
def test_a_taken_place_is_told_before_anything_is_changed(
    tmp_path: Path, path: str, as_folder: bool, change: dict[str, bytes], remove: list[str]
) -> None:
    job = make(tmp_path / "bench.job")
    taken = job.path / path
    if taken.is_dir():
        shutil.rmtree(taken)
    taken.unlink(missing_ok=True)
    taken.mkdir() if as_folder else taken.write_bytes(b"a person's")
    before = content(job.path)
    with pytest.raises(TracerError) as caught, job.locked():
        job.commit(change, remove=remove)
    assert caught.value.slug == "job-place-taken"
    assert str(taken) in caught.value.sentence
    assert content(job.path) == before
    assert not (job.path / ".commit").exists()
    with job.locked():  # and the job is not bricked
        job.commit({"job.json": b"3"})


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_in_a_files_place_is_told(tmp_path: Path) -> None:
    """Reading one waits for a writer that never comes."""
    job = make(tmp_path / "bench.job")
    os.mkfifo(job.path / "panel.json")
    (job.path / "guests.json").symlink_to("/dev/zero")
    for name in ("panel.json", "guests.json"):
        with pytest.raises(TracerError) as caught:
            job.read(name)
        assert caught.value.slug == "job-incomplete"


def test_a_list_of_changes_that_is_upside_down_removes_nothing(tmp_path: Path) -> None:
    """What was to be written stands among what is to be removed, and the other way round."""
    folder = JobFolder(tmp_path / "bench.job")
    with folder.locked():
        folder.commit({"job.json": b"1", "tools.csv": b"2"})
    staged = folder.path / ".commit"
    staged.mkdir()
    (staged / "job.json").write_bytes(b"3")
    for removed in (["job.json"], ["tools.csv"]):
        (staged / "tools.csv").write_bytes(b"4")
        body = {"write": ["old.txt"], "remove": removed}
        (staged / ".manifest.json").write_text(json.dumps(body))
        with pytest.raises(TracerError) as caught, folder.locked():
            pass
        assert caught.value.slug == "job-damaged" and removed[0] in caught.value.sentence
        assert (folder.path / "job.json").read_bytes() == b"1"
        assert (folder.path / "tools.csv").read_bytes() == b"2"
