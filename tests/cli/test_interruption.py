"""Ctrl-C and SIGTERM in real processes, at moments that are counted and not guessed.

A hook in the child counts what the interpreter audits (imports, files opened, renamed; PEP 578) and
sends the signal at the n-th. Exit codes are those that shells give to signals: 128 + number (POSIX
shell command language, 2.8.2).
"""

from __future__ import annotations

import http.client
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

import tracer
from tests.desk.bench import seed_job
from tests.desk.test_phone import picture
from tests.desk.test_whole_way import photo_bytes
from tracer.project.store import JobFolder

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX systems")

HOOK = """
import os, signal, sys
kind, count, number = os.environ["STOP_AT"].split(":")
left = [int(count)]
def hook(event, args):
    if event != kind or left[0] <= 0:
        return
    handler = getattr(signal.getsignal(int(number)), "__module__", "")
    if handler not in ("tracer.interruption", "tracer.atomic"):  # the second: held back
        return
    places = (os.environ["STOP_IN"], "bench", "new", "c.pdf", ".c.pdf")
    if kind == "open" and not str(args[0]).startswith(places):
        return
    left[0] -= 1
    if left[0] == 0:
        os.kill(os.getpid(), int(number))
sys.addaudithook(hook)
"""


def as_in_a_terminal() -> None:
    """Tests that run in the background have inherited signals that are ignored."""
    for kind in (signal.SIGINT, signal.SIGTERM):
        signal.signal(kind, signal.SIG_DFL)


def as_here(*first: Path) -> dict[str, str]:
    """The environment, with the package that is tested in front."""
    paths = [*map(str, first), str(Path(tracer.__file__).parent.parent)]
    return {**os.environ, "PYTHONPATH": os.pathsep.join([*paths, os.environ.get("PYTHONPATH", "")])}


def stopped(
    arguments: list[str], folder: Path, hook: Path, event: str, count: int, number: int
) -> subprocess.CompletedProcess[str]:
    """Run a command that gets a signal at the n-th event of a kind."""
    hook.mkdir(exist_ok=True)
    (hook / "sitecustomize.py").write_text(HOOK)
    environment = {
        **as_here(hook),
        "STOP_AT": f"{event}:{count}:{number}",
        "STOP_IN": str(folder),
    }
    return subprocess.run(
        [sys.executable, "-m", "tracer", *arguments],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        preexec_fn=as_in_a_terminal,
    )


def ran(code: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code],
        env=as_here(),
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=as_in_a_terminal,
    )


def content(folder: Path) -> dict[str, bytes]:
    return {
        p.relative_to(folder).as_posix(): p.read_bytes()
        for p in folder.rglob("*")
        if p.is_file() and p.name != ".lock"
    }


def is_told(done: subprocess.CompletedProcess[str], number: int) -> None:
    """One sentence, the exit code of the signal, and no traceback."""
    assert done.returncode == 128 + number, done.stderr
    assert "Traceback" not in done.stderr and "Exception ignored" not in done.stderr
    last = done.stderr.strip().splitlines()[-1]
    asked = "interrupted" if number == signal.SIGINT else "ended from outside (SIGTERM)"
    assert last.startswith(f"{asked}: "), done.stderr
    assert done.stderr.count(asked) == 1


SWALLOWED = """
import os, signal, sys, time
from tracer.interruption import ending, heed_signals
heed_signals()
class Last:
    def __del__(self):
        if {signal}:
            os.kill(os.getpid(), signal.SIGTERM)
            time.sleep(5)
        else:
            raise ValueError("of its own")
last = Last()
del last
print(ending.asked)
os._exit(0)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals end a process there")
def test_a_signal_while_an_object_is_cleared_away_prints_no_traceback() -> None:
    """The interpreter swallows what `__del__` raises, and tells it (sys.unraisablehook)."""
    told, own = (
        subprocess.run(
            [sys.executable, "-c", SWALLOWED.format(signal=by_signal)],
            capture_output=True, text=True, check=False, timeout=60,
        )
        for by_signal in (True, False)
    )  # fmt: skip
    assert told.stdout.strip() == "ended from outside (SIGTERM)"
    assert told.stderr == ""
    assert "of its own" in own.stderr


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("count", [1, 60, 300])
def test_during_imports(tmp_path: Path, count: int, number: int) -> None:
    work = tmp_path / "work"
    work.mkdir()
    done = stopped(["cards", "c.pdf"], work, tmp_path / "hook", "import", count, number)
    is_told(done, number)
    assert content(work) == {}


@pytest.mark.parametrize("event", ["open", "os.rename"])
def test_while_a_file_is_written(tmp_path: Path, event: str) -> None:
    work = tmp_path / "work"
    work.mkdir()
    (work / "c.pdf").write_bytes(b"old")
    arguments = ["cards", "c.pdf", "--replace"]
    done = stopped(arguments, work, tmp_path / "hook", event, 1, signal.SIGINT)
    is_told(done, signal.SIGINT)
    assert list(content(work)) == ["c.pdf"]  # no temporary file beside it
    if event == "open":
        assert content(work)["c.pdf"] == b"old" and "nothing was changed" in done.stderr
    else:  # what has begun to be put in place is put in place, and told
        assert content(work)["c.pdf"].startswith(b"%PDF")
        assert "c.pdf is written" in done.stderr


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("count", [1, 2, 4, 6, 9, 12])
def test_a_run_over_a_job_leaves_old_or_new(tmp_path: Path, count: int, number: int) -> None:
    """At the n-th file of the job that the run opens, to read or to write."""
    work = tmp_path / "work"
    work.mkdir()
    job = seed_job(work / "bench.job")
    before = content(job.path)
    arguments = ["arrange", "bench", "--bay", "600x400"]
    done = stopped(arguments, work, tmp_path / "hook", "open", count, number)
    is_told(done, number)
    with job.locked():  # as the next run would
        pass
    after = content(job.path)
    assert after == before or "panel.json" in after
    assert ("nothing was changed" in done.stderr) == (after == before)
    assert {p.name for p in work.iterdir()} == {"bench.job"}
    assert not [n for n in after if n.startswith((".next", ".commit")) or n.endswith(".part")]


@pytest.mark.parametrize("event", ["open", "os.rename"])
def test_a_first_run_leaves_no_folder_or_a_whole_job(tmp_path: Path, event: str) -> None:
    work = tmp_path / "work"
    work.mkdir()
    (work / "lay.jpg").write_bytes(photo_bytes())
    arguments = ["trace", "lay.jpg", "--job", "new/bench"]
    done = stopped(arguments, work, tmp_path / "hook", event, 3, signal.SIGINT)
    is_told(done, signal.SIGINT)
    job = JobFolder(work / "new" / "bench.job")
    assert job.exists() == ("the change is made all the same" in done.stderr)
    if job.exists():
        with job.locked():
            pass
        assert {"job.json", "outlines.json", "tools.csv"} <= set(content(job.path))
    else:
        assert set(content(work)) == {"lay.jpg"}


def test_signals_that_were_ignored_stay_ignored(tmp_path: Path) -> None:
    """As a shell sets it for commands in the background, and nohup for SIGHUP."""
    code = (
        "import signal; signal.signal(signal.SIGINT, signal.SIG_IGN);"
        "from tracer.interruption import heed_signals; heed_signals();"
        "import os; os.kill(os.getpid(), signal.SIGINT); print('went on')"
    )
    done = ran(code)
    assert (done.returncode, done.stdout) == (0, "went on\n")


def test_an_interruption_that_is_swallowed_ends_the_process_all_the_same() -> None:
    code = (
        "import tracer.interruption as i, os, signal, time; i.PATIENCE_S = 0.3; i.heed_signals()\n"
        "try: os.kill(os.getpid(), signal.SIGTERM); time.sleep(5)\n"
        "except BaseException: pass\n"
        "time.sleep(20)"
    )
    start = time.monotonic()
    done = ran(code)
    assert done.returncode == 143 and "ended from outside (SIGTERM)" in done.stderr
    assert time.monotonic() - start < 15


class Started:
    """A desk in a process of its own, and a session with it."""

    def __init__(self, folder: Path, temporary: Path) -> None:
        command = [sys.executable, "-m", "tracer", "desk", "--no-browser"]
        self.process = subprocess.Popen(
            command,
            cwd=folder,
            env={**as_here(), "TMPDIR": str(temporary)},
            stderr=subprocess.PIPE,
            text=True,
            preexec_fn=as_in_a_terminal,
        )
        assert self.process.stderr is not None
        address = self.process.stderr.readline().split()[-1]
        self.host = address.split("/")[2]
        status, headers, _ = self.ask("GET", address.split(self.host)[1])
        assert status == 303
        self.head = {"Cookie": str(headers["set-cookie"]).split(";")[0]}
        page = self.ask("GET", "/")[2].decode()
        self.head["X-Desk-Token"] = page.split('data-token="')[1].split('"')[0]

    def ask(self, method: str, path: str, body: Any = None) -> tuple[int, Any, bytes]:
        connection = http.client.HTTPConnection(self.host, timeout=60)
        connection.request(method, path, body, getattr(self, "head", {}))
        answer = connection.getresponse()
        return answer.status, answer.headers, answer.read()

    def end(self, number: int) -> subprocess.CompletedProcess[str]:
        self.process.send_signal(number)
        _, told = self.process.communicate(timeout=40)
        return subprocess.CompletedProcess([], self.process.returncode, "", told)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("busy", [False, True])
def test_a_desk_ends_in_order_also_during_a_run(tmp_path: Path, number: int, busy: bool) -> None:
    work, temporary = tmp_path / "work", tmp_path / "temporary"
    work.mkdir()
    temporary.mkdir()
    desk = Started(work, temporary)
    try:
        draft = json.loads(desk.ask("POST", "/api/drafts", b"{}")[2])["draft"]
        data = photo_bytes() if busy else picture()
        assert desk.ask("PUT", f"/api/drafts/{draft}/photos/0?name=a.jpg", data)[0] == 200
        if busy:
            body = json.dumps({"name": "bench"})
            job = json.loads(desk.ask("POST", f"/api/drafts/{draft}/trace", body)[2])["job"]
            for _ in range(600):
                run = json.loads(desk.ask("GET", f"/api/jobs/{job}")[2])["run"]
                if run["phase"] == "running":
                    break
                time.sleep(0.02)
        done = desk.end(number)
    finally:
        desk.process.kill()
    is_told(done, number)
    assert "the desk is closed" in done.stderr
    assert list(temporary.iterdir()) == []  # the photos that were not traced are gone
    job_folder = JobFolder(work / "bench.job")
    assert not job_folder.path.exists() or job_folder.exists()
