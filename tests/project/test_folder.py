"""Job folders in awkward places: links, other jobs, names, full and read-only disks."""

from __future__ import annotations

import errno
import os
import resource
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import tracer
from tests.desk.bench import seed_job
from tests.project.test_store import AFTER, BEFORE, content, make
from tracer.errors import TracerError, UsageError
from tracer.project import printer, store
from tracer.project.store import JobFolder, job_path


def refusal(job: JobFolder, files: dict[str, bytes] | None = None) -> str:
    with pytest.raises(TracerError) as caught, job.locked():
        job.commit(files or AFTER)
    return caught.value.slug


def test_a_job_folder_that_is_a_link_is_refused(tmp_path: Path) -> None:
    job = make(tmp_path / "bench.job")
    (tmp_path / "linked.job").symlink_to(job.path)
    (tmp_path / "loop.job").symlink_to(tmp_path / "loop.job")
    (tmp_path / "gone.job").symlink_to(tmp_path / "nothing")
    for name in ("linked", "loop", "gone"):
        assert refusal(JobFolder(tmp_path / f"{name}.job")) == "job-linked"
    assert content(job.path) == BEFORE
    assert not (tmp_path / "nothing").exists()


@pytest.mark.parametrize("place", ["cut", "outlines.json", ".next", ".commit"])
def test_nothing_is_written_through_a_link_in_the_job(tmp_path: Path, place: str) -> None:
    job = make(tmp_path / "bench.job")
    away = tmp_path / "away"
    if place == "outlines.json":
        away.write_bytes(b"a file of somebody else")
        (job.path / place).unlink()
    else:
        away.mkdir()
        (away / ".manifest.json").write_text('{"write": ["job.json"], "remove": ["outlines.json"]}')
        (away / "job.json").write_bytes(b"planted")
    before = away.read_bytes() if away.is_file() else content(away)
    (job.path / place).symlink_to(away)
    assert refusal(job) == "job-linked"
    assert (away.read_bytes() if away.is_file() else content(away)) == before
    assert (job.path / "job.json").read_bytes() == b"1"


def test_files_behind_a_link_are_not_removed(tmp_path: Path) -> None:
    job = make(tmp_path / "bench.job")
    away = tmp_path / "away"
    away.mkdir()
    (away / "a.jpg").write_bytes(b"dear")
    (job.path / "photos").symlink_to(away)
    with pytest.raises(UsageError), job.locked():
        job.commit({"job.json": b"2"}, remove=["photos/a.jpg"])
    assert content(away) == {"a.jpg": b"dear"}


def test_a_job_inside_a_job_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    job = make(tmp_path / "bench.job")
    assert refusal(JobFolder(job.path / "inner.job")) == "job-inside-job"
    assert refusal(JobFolder(job.path / "cut" / "deep" / "inner.job")) == "job-inside-job"
    monkeypatch.chdir(job.path)
    assert refusal(JobFolder(Path("inner.job"))) == "job-inside-job"
    assert content(job.path) == BEFORE and not (job.path / "cut").exists()


def test_folders_made_for_nothing_go_again(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError), JobFolder(tmp_path / "new" / "shop" / "a.job").locked():
        raise RuntimeError
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "old").mkdir()
    with pytest.raises(RuntimeError), JobFolder(tmp_path / "old" / "b.job").locked():
        raise RuntimeError
    assert (tmp_path / "old").is_dir()


@pytest.mark.parametrize(
    "name",
    [
        "con.old",
        "COM\xb9",
        "lpt1.tar",
        "conin$",
        "a\\b",
        "x" * 181,
        "\u00fc" * 91,
        "x" * 5000,
        "\udcff",
    ],
)
def test_names_that_cannot_be(name: str) -> None:
    with pytest.raises(UsageError) as caught:
        job_path(name)
    assert caught.value.slug == "job-name-unusable"
    assert len(caught.value.sentence) < 6000 and caught.value.sentence.encode()


def test_the_longest_name_can_be_worked_with(tmp_path: Path) -> None:
    job = seed_job(tmp_path / ("\u00fc" * 90 + ".job"))
    done = tracer_in(tmp_path, "cut", job.name, "--machine", "oscillating-knife")
    assert done.returncode in {0, 1, 3} and "Traceback" not in done.stderr
    assert "too long" not in done.stderr, done.stderr


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EIO, errno.EDQUOT])
def test_a_disk_that_gives_up_at_any_write_leaves_the_job_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    real = store.write_flushed
    real = store.write_flushed
    for when in range(4):
        folder = tmp_path / f"{when}"
        folder.mkdir()
        job = make(folder / "bench.job")
        left = iter([False] * when + [True] * 9)

        def failing(path: Path, data: bytes, left: Iterator[bool] = left) -> None:
            if next(left):
                path.write_bytes(data[: len(data) // 2])
                raise OSError(number, os.strerror(number))
            real(path, data)

        with monkeypatch.context() as patch:
            patch.setattr(store, "write_flushed", failing)
            assert refusal(job, AFTER) == "job-unwritable"
        assert content(job.path) == BEFORE
        assert {p.name for p in job.path.iterdir()} <= {*[n.split("/")[0] for n in BEFORE], ".lock"}


def test_a_damaged_list_of_an_interrupted_change_is_told(tmp_path: Path) -> None:
    job = make(tmp_path / "bench.job")
    for text in ("", "[" * 100_000, "{}", '{"write": ["../x"], "remove": []}', '{"write": 5}'):
        (job.path / ".commit").mkdir(exist_ok=True)
        (job.path / ".commit" / ".manifest.json").write_text(text)
        with pytest.raises(TracerError) as caught, job.locked():
            pass
        assert caught.value.slug == "job-damaged"


# -- the whole program, where the system itself refuses ---------------------------------------


def tracer_in(
    folder: Path, *arguments: str, bound: bool = False, most_bytes: int | None = None, **more: str
) -> subprocess.CompletedProcess[str]:
    """Run a command; ``bound``: with the rights of an ordinary person, also for root."""
    command = [sys.executable, "-m", "tracer", *arguments]
    if bound and os.geteuid() == 0:
        if shutil.which("setpriv") is None:
            pytest.skip("root reads everything, and setpriv is not here to drop that right")
        less = "-dac_override,-dac_read_search"
        command = ["setpriv", f"--bounding-set={less}", f"--inh-caps={less}", *command]

    def limited() -> None:
        if most_bytes is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))

    home = str(Path(tracer.__file__).parent.parent)
    return subprocess.run(
        command,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": home, "PYTHONDONTWRITEBYTECODE": "1", **more},
        capture_output=True,
        text=True,
        preexec_fn=limited,
        timeout=120,
        check=False,
    )


def is_one_sentence(done: subprocess.CompletedProcess[str], slug: str) -> None:
    assert done.returncode in {1, 2}, done.stderr
    assert "Traceback" not in done.stderr
    assert done.stderr.strip().splitlines()[-1].endswith(f"[{slug}]"), done.stderr


def test_a_full_disk_while_cards_are_written(tmp_path: Path) -> None:
    (tmp_path / "cards.pdf").write_bytes(b"old")
    done = tracer_in(tmp_path, "cards", "cards.pdf", "--replace", most_bytes=2000)
    is_one_sentence(done, "file-unwritable")
    assert content(tmp_path) == {"cards.pdf": b"old"}


def test_a_full_disk_while_a_job_is_written(tmp_path: Path) -> None:
    job = seed_job(tmp_path / "bench.job")
    before = content(job.path)
    done = tracer_in(tmp_path, "arrange", "bench", "--bay", "600x400", most_bytes=2000)
    is_one_sentence(done, "job-unwritable")
    assert content(job.path) == before
    assert not (job.path / ".next").exists()


def test_folders_that_may_not_be_read_or_written(tmp_path: Path) -> None:
    job = seed_job(tmp_path / "bench.job")
    closed, kept = tmp_path / "closed", tmp_path / "kept"
    closed.mkdir()
    kept.mkdir()
    before = content(job.path)
    job.path.chmod(0o500)
    closed.chmod(0o000)
    kept.chmod(0o500)
    try:
        done = tracer_in(tmp_path, "arrange", "bench", "--bay", "600x400", bound=True)
        is_one_sentence(done, "job-unwritable")
        done = tracer_in(tmp_path, "arrange", "closed/b", "--bay", "600x400", bound=True)
        is_one_sentence(done, "job-unwritable")
        done = tracer_in(tmp_path, "cut", "closed/b", "--machine", "scalpel", bound=True)
        assert done.returncode in {1, 2} and "Traceback" not in done.stderr
        done = tracer_in(tmp_path, "cards", "kept/cards.pdf", bound=True)
        is_one_sentence(done, "file-unwritable")
        done = tracer_in(tmp_path, "trace", "closed/a.jpg", "--job", "x", bound=True)
        is_one_sentence(done, "photo-unreadable")
        # an unreadable home is no reason to stop what needs nothing from it
        home = {"HOME": str(closed), "XDG_CONFIG_HOME": "", "XDG_CACHE_HOME": ""}
        done = tracer_in(tmp_path, "cards", "c.pdf", bound=True, **home)
        assert done.returncode == 0, done.stderr
        (tmp_path / "a.dxf").write_text("no drawing")
        done = tracer_in(tmp_path, "check", "a.dxf", bound=True, **home)
        is_one_sentence(done, "not-a-dxf-file")
    finally:
        for path in (job.path, closed, kept):
            path.chmod(0o700)
    assert content(job.path) == before
    assert not (tmp_path / "x.job").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="a folder in use cannot be deleted there")
def test_a_folder_that_is_gone(tmp_path: Path) -> None:
    gone = tmp_path / "gone"
    gone.mkdir()
    code = (
        f"import os, sys; os.rmdir({str(gone)!r}); sys.argv = ['tracer', 'cards'];"
        "from tracer.__main__ import main; main()"
    )
    home = str(Path(tracer.__file__).parent.parent)
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=gone,
        env={**os.environ, "PYTHONPATH": home},
        capture_output=True,
        text=True,
        check=False,
    )
    is_one_sentence(done, "folder-gone")


def test_settings_without_a_home(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("TRACER_SETTINGS", "XDG_CONFIG_HOME", "APPDATA"):
        monkeypatch.setenv(name, "")

    def homeless() -> Path:
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.setattr(Path, "home", homeless)
    with pytest.raises(TracerError) as caught:
        printer.settings_folder()
    assert caught.value.slug == "settings-no-home"


@pytest.mark.skipif(sys.platform != "linux", reason="names are bytes there")
def test_a_photo_whose_name_is_no_text(tmp_path: Path) -> None:
    path = os.fsencode(tmp_path) + b"/\xff lay.jpg"
    Path(os.fsdecode(path)).write_bytes(b"no photo")
    done = tracer_in(tmp_path, "trace", os.fsdecode(b"\xff lay.jpg"), "--job", "x")
    is_one_sentence(done, "photo-unreadable")
    done = tracer_in(tmp_path, "trace", os.fsdecode(b"\xff lay.jpg"))
    is_one_sentence(done, "job-name-unusable")
