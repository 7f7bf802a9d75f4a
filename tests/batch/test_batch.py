"""Whole batches of small lays: the same files as single commands, nothing twice, nothing lost."""

from __future__ import annotations

import contextlib
import csv
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.cli.photos import TOOLS, jpeg
from tests.scene_maker import Scene, make_scene
from tests.scene_parts import Look, Tool
from tracer.batch.bench import Limits
from tracer.batch.manifest import read_orders
from tracer.batch.order import LayRow, State
from tracer.batch.run import BatchOptions, Board, run_batch
from tracer.cli.app import run
from tracer.project.tool_list import ToolList

PLAN = '[bay]\nkind = "drawer"\nwidth_mm = {width}\nheight_mm = 400\nclear_depth_mm = 80\n'


class Quiet:
    """Remembers what it is told."""

    def __init__(self) -> None:
        self.steps: list[tuple[str, str]] = []
        self.rows: list[LayRow] = []

    def step(self, lay: str, step: str) -> None:
        self.steps.append((lay, step))

    def row(self, row: LayRow, board: Board) -> None:
        self.rows.append(row)


def table(out: Path) -> dict[str, dict[str, str]]:
    with (out / "results.csv").open(encoding="utf-8-sig", newline="") as stream:
        return {row["lay"]: row for row in csv.DictReader(stream)}


def batch_of(lays: Path, out: Path, *, places: int = 1) -> Quiet:
    """Do a folder's lays in processes, and what was told of them."""
    watcher = Quiet()
    options = BatchOptions(places=places, plain=True)
    run_batch(read_orders(str(lays)), str(out), options=options, watcher=watcher)
    return watcher


@pytest.fixture(scope="module")
def photo() -> bytes:
    return jpeg(small_lay())


def small_lay(tools: tuple[Tool, ...] = TOOLS) -> Scene:
    """A lay in 2 megapixels."""
    return make_scene(tools, look=Look(seed=0), size_px=(1632, 1224))


@pytest.fixture
def lays(tmp_path: Path, photo: bytes) -> Path:
    """Two lays that can be traced and one photo without cards."""
    folder = tmp_path / "lays"
    for name in ("bench", "stand"):
        (folder / name).mkdir(parents=True)
        (folder / name / "photo.jpg").write_bytes(photo)
    (folder / "bench/panel.toml").write_text(PLAN.format(width=600))
    (folder / "bench/lay.toml").write_text('machine = "router"\nmaterial = "pe"\n')
    (folder / "no card").mkdir()
    (folder / "no card/photo.png").write_bytes(b"no picture at all")
    return folder


def files_of(job: Path) -> dict[str, bytes]:
    return {
        str(p.relative_to(job)): p.read_bytes()
        for p in sorted(job.rglob("*"))
        if p.is_file() and p.name != ".lock"
    }


def test_a_batch_is_what_the_single_commands_do_and_a_second_run_does_nothing(
    lays: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert run(["batch", str(lays), "--out", str(out), "--plain", "--workers", "1"]) == 3
    told = capsys.readouterr().err
    assert "no card:" in told  # the lay that failed, with its sentence
    rows = table(out)
    assert {name: row["state"] for name, row in rows.items()} == {
        "bench": "done",
        "no card": "failed",
        "stand": "done",
    }
    assert (rows["stand"]["tools"], rows["bench"]["tools"]) == ("2", "2")
    assert rows["no card"]["reason"] == "photo-unreadable"

    single = tmp_path / "single"
    single.mkdir()
    with monkeypatch.context() as there:
        there.chdir(single)
        run(["trace", str(lays / "bench/photo.jpg"), "--job", "bench", "--quiet"])
        run(["arrange", "bench", "--plan", str(lays / "bench/panel.toml"), "--quiet"])
        run(["cut", "bench", "--machine", "router", "--material", "pe", "--quiet"])
    assert files_of(out / "bench.job") == files_of(single / "bench.job")

    before = {name: files_of(out / f"{name}.job") for name in ("bench", "stand")}
    watcher = batch_of(lays, out, places=2)
    assert {r.name: r.state for r in watcher.rows} == {
        "bench": State.KEPT,
        "stand": State.KEPT,
        "no card": State.FAILED,
    }
    assert {name: files_of(out / f"{name}.job") for name in before} == before
    page = (out / "lays.html").read_text()
    assert page.index("no card") < page.index(">bench<")  # what wants a look comes first


@pytest.mark.parametrize(
    "change",
    ["photo", "tools", "settings", "plan", "job", "record"],
)
def test_what_changed_is_done_again(lays: Path, tmp_path: Path, change: str) -> None:
    out = tmp_path / "out"
    options = BatchOptions(places=1, plain=True)
    entries = [e for e in read_orders(str(lays)) if e.name == "bench"]
    run_batch(entries, str(out), options=options, watcher=Quiet())
    if change == "photo":
        other = small_lay((Tool(TOOLS[0].plan, 6.0, "red"),))
        (lays / "bench/photo.jpg").write_bytes(jpeg(other))
    if change == "tools":
        (lays / "bench/tools.csv").write_text("name,x_px,y_px,height_mm\n")
    if change == "settings":
        (lays / "bench/lay.toml").write_text('machine = "router"\nmaterial = "eva"\n')
    if change == "plan":
        (lays / "bench/panel.toml").write_text(PLAN.format(width=610))
    if change == "job":
        (out / "bench.job/job.json").unlink()
    if change == "record":
        (out / ".batch/bench.json").write_bytes(b"{")
    watcher = Quiet()
    entries = [e for e in read_orders(str(lays)) if e.name == "bench"]
    run_batch(entries, str(out), options=options, watcher=watcher)
    assert [r.state for r in watcher.rows] == [State.DONE], watcher.rows
    if change == "photo":
        assert watcher.rows[0].tools == 1


@contextlib.contextmanager
def killing(every_s: float, times: int) -> Iterator[list[int]]:
    """Kills one of the processes that do lays, so many times."""
    killed: list[int] = []
    over = threading.Event()

    def kill() -> None:
        while len(killed) < times and not over.wait(every_s):
            found = subprocess.run(
                ["pgrep", "-P", str(os.getpid()), "-f", "tracer.batch.child"],
                capture_output=True,
                text=True,
                check=False,
            ).stdout.split()
            for text in found[:1]:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(int(text), signal.SIGKILL)
                    killed.append(int(text))

    thread = threading.Thread(target=kill)
    thread.start()
    try:
        yield killed
    finally:
        over.set()
        thread.join()


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="kills by POSIX signals")
def test_processes_killed_from_outside_lose_and_double_nothing(lays: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    entries = [e for e in read_orders(str(lays)) if e.name != "no card"]
    watcher = Quiet()
    with killing(every_s=1.5, times=4) as killed:
        board = run_batch(
            entries,
            str(out),
            options=BatchOptions(places=1, plain=True, limits=Limits(seconds=300)),
            watcher=watcher,
        )
    assert len(killed) == 4, "too little was killed: the test shows nothing"
    assert [r.state for r in board.rows] == [State.DONE] * 2
    assert sorted(r.name for r in watcher.rows) == ["bench", "stand"]
    assert not list(out.glob("*/.next")) and not list(out.glob("*/.commit"))


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="Ctrl-C by POSIX signals")
def test_ctrl_c_leaves_a_state_that_goes_on(lays: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    command = [sys.executable, "-m", "tracer", "batch", str(lays), "--out", str(out)]
    process = subprocess.Popen(
        [*command, "--plain", "--workers", "1", "--json"], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    events = (json.loads(line) for line in process.stdout)
    next(e for e in events if e["event"] == "lay" and e["state"] == "done")
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=20)
    assert process.returncode == 130
    states = [row["state"] for row in table(out).values()]
    assert "done" in states and "waiting" in states
    deadline = time.monotonic() + 5
    while (
        subprocess.run(
            ["pgrep", "-f", f"tracer.batch.child.*{out}"], capture_output=True, check=False
        ).stdout
        and time.monotonic() < deadline
    ):
        time.sleep(0.1)
    watcher = batch_of(lays, out)
    assert State.KEPT in [r.state for r in watcher.rows]
    assert all(r.state is not State.WAITING for r in watcher.rows)


@pytest.mark.slow
def test_a_cluster_gives_the_same_files(lays: Path, tmp_path: Path) -> None:
    pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    rows = {}
    for plain in (True, False):
        out = tmp_path / str(plain)
        watcher = Quiet()
        run_batch(
            read_orders(str(lays)),
            str(out),
            options=BatchOptions(places=1, plain=plain),
            watcher=watcher,
        )
        rows[plain] = {r.name: (r.state, r.tools, r.digest, r.sentence) for r in watcher.rows}
        assert watcher.steps
    assert rows[True] == rows[False]
    for name in ("bench", "stand"):
        assert files_of(tmp_path / "True" / f"{name}.job") == files_of(
            tmp_path / "False" / f"{name}.job"
        )


def test_results_and_photos_in_a_remote_store(lays: Path, tmp_path: Path, photo: bytes) -> None:
    fsspec = pytest.importorskip("fsspec", reason="the extra 'remote' is not installed")
    from tracer.batch.order import LayOrder
    from tracer.batch.work import do_lay

    store = fsspec.filesystem("memory")
    store.pipe_file("/shop/lays/photo.jpg", photo)
    order = LayOrder(name="stand", photos=("memory://shop/lays/photo.jpg",))
    row = do_lay(order, "memory://shop/out", lambda step: None)
    assert (row.state, row.tools) == (State.DONE, 2), row.sentence
    assert json.loads(store.cat_file("/shop/out/stand.job/outlines.json"))["outlines"]
    assert do_lay(order, "memory://shop/out", lambda step: None).state is State.KEPT
    missing = LayOrder(name="x", photos=("memory://shop/none.jpg",))
    assert do_lay(missing, "memory://shop/out", lambda step: None).slug == "input-missing"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_what_is_no_plain_file_is_told(tmp_path: Path) -> None:
    """A pipe waits for a writer, a device has no end."""
    from tracer.batch.order import LayOrder
    from tracer.batch.work import do_lay

    os.mkfifo(tmp_path / "pipe.jpg")
    (tmp_path / "endless.jpg").symlink_to("/dev/zero")
    for name in ("pipe", "endless"):
        order = LayOrder(name=name, photos=(str(tmp_path / f"{name}.jpg"),))
        row = do_lay(order, str(tmp_path / "out"), lambda step: None)
        assert (row.state, row.slug) == (State.FAILED, "input-unreadable")
        assert "no plain file" in row.sentence


def test_a_list_whose_letters_fit_two_encodings(
    tmp_path: Path, photo: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The column ``encoding`` settles it, as the option of ``tracer trace`` does."""
    from tracer.batch import work

    class Taken(Exception):
        pass

    def taken(*_: object, tools: ToolList, **__: object) -> None:
        raise Taken(tools.rows[0].name)

    monkeypatch.setattr(work, "trace_job", taken)
    (tmp_path / "photo.jpg").write_bytes(photo)
    (tmp_path / "own.csv").write_bytes("name,x_px,y_px\r\nSöge,1,2\r\n".encode("cp850"))
    manifest = tmp_path / "lays.csv"
    manifest.write_text(
        "lay,photos,tools,encoding\na,photo.jpg,own.csv,\nb,photo.jpg,own.csv,cp850\n"
        "c,photo.jpg,own.csv,klingon\n"
    )
    unsure, settled, unknown = read_orders(str(manifest))
    assert not any(isinstance(entry, LayRow) for entry in (unsure, settled, unknown))
    row = work.do_lay(unsure, str(tmp_path / "out"), lambda step: None)
    assert (row.state, row.slug) == (State.FAILED, "list-encoding-unsure")
    assert "in a batch in the column encoding" in row.sentence
    with pytest.raises(Taken, match="Söge"):
        work.do_lay(settled, str(tmp_path / "out"), lambda step: None)
    row = work.do_lay(unknown, str(tmp_path / "out"), lambda step: None)
    assert (row.state, row.slug) == (State.FAILED, "lay-refused")
    assert "'klingon'" in row.sentence


def test_a_full_disk_is_one_sentence_per_lay(
    lays: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tracer.batch import work
    from tracer.project import store

    def full(*args: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(store, "write_flushed", full)
    (entry,) = [e for e in read_orders(str(lays)) if e.name == "stand"]
    assert not isinstance(entry, LayRow)
    row = work.do_lay(entry, str(tmp_path / "out"), lambda step: None)
    assert (row.state, row.slug) == (State.FAILED, "job-unwritable")
    assert "No space left" in row.sentence


@pytest.mark.parametrize(
    "arguments",
    [
        ["--workers", "0"],
        ["--memory", "nan"],
        ["--at-most", "1e9"],
        ["--scheduler", "tcp://127.0.0.1:1"],
    ],
)
def test_options_that_cannot_be(
    lays: Path, tmp_path: Path, arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    if "--scheduler" in arguments:
        pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    assert run(["batch", str(lays), "--out", str(tmp_path / "out"), *arguments]) == 2
    told = capsys.readouterr().err.splitlines()
    assert [line[:6] for line in told if not line.startswith("Before that")] == ["error:"]
