"""Forked workers with limits and a watchdog: one process imports, its children try cases.

A worker tries a batch of cases and reports each through a pipe. The parent kills a worker whose
case takes too long, counts deaths by signal, and goes on behind the case that did it.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import resource
import select
import shutil
import signal
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from tests.campaigns.cases import HANG_S, MEMORY_MB, Case, Fault, Outcome
from tests.campaigns.judge import remember
from tests.campaigns.workshop import Workshop, without_pictures

__all__ = ["forget_peak", "run_cases"]

#: cases of one fork, and of kinds whose cases take seconds
BATCH, SLOW_BATCH = 24, 4
SLOW_KINDS = ("kills", "races", "server")
WALL_S = 6 * HANG_S  # a case that waits instead of computing; the machine may be busy with others
_TICKS = os.sysconf("SC_CLK_TCK")


@dataclass
class _Worker:
    pid: int
    pipe: int
    cases: list[Case]
    place: Path
    at: int = 0
    since: float = field(default_factory=time.monotonic)
    cpu_s: float = 0.0
    text: bytes = b""
    killed: bool = False

    @property
    def done(self) -> bool:
        return self.at >= len(self.cases)


def run_cases(
    cases: Sequence[Case],
    workshop: Workshop,
    scratch: Path,
    *,
    workers: int = 2,
    keep: Path | None = None,
    told: Callable[[Outcome], None] | None = None,
    seconds: float | None = None,
) -> list[Outcome]:
    """Try the cases, or as many as can be begun in some seconds; outcomes in their order.

    ``keep`` is a folder for what failing cases leave behind.
    """
    gc.collect()
    gc.freeze()
    remember(workshop.root)
    size = SLOW_BATCH if cases and cases[0].kind in SLOW_KINDS else BATCH
    waiting = [list(cases[i : i + size]) for i in range(0, len(cases), size)]
    waiting.reverse()
    outcomes: dict[str, Outcome] = {}
    running: dict[int, _Worker] = {}

    def note(outcome: Outcome) -> None:
        outcomes[outcome.name] = outcome
        if told is not None:
            told(outcome)

    start = time.monotonic()
    while waiting or running:
        if seconds is not None and time.monotonic() - start > seconds:
            waiting.clear()
        while waiting and len(running) < workers:
            worker = _started(waiting.pop(), workshop, scratch, keep)
            running[worker.pipe] = worker
        ready, _, _ = select.select(list(running), [], [], 0.25)
        for pipe in ready:
            worker = running[pipe]
            data = os.read(pipe, 1 << 16)
            worker.text += data
            for outcome in _reports(worker):
                note(outcome)
            if not data:
                del running[pipe]
                rest = _ended(worker, note, keep)
                if rest:
                    waiting.append(rest)
        for worker in running.values():
            _watch(worker, note, keep)
    return [outcomes[c.name] for c in cases if c.name in outcomes]


def _reports(worker: _Worker) -> Iterator[Outcome]:
    *lines, worker.text = worker.text.split(b"\n")
    for line in lines:
        record = json.loads(line)
        case = worker.cases[worker.at]
        worker.at += 1
        worker.since, worker.cpu_s = time.monotonic(), _cpu_s(worker.pid)
        yield Outcome(
            case.name,
            case.topic,
            case.title,
            [Fault(*f) for f in record["faults"]],
            record["seconds"],
            record["memory_mb"],
        )


def _watch(worker: _Worker, note: Callable[[Outcome], None], keep: Path | None) -> None:
    """Kill a worker whose case hangs; `_ended` sees to the rest of its batch."""
    wall, cpu = time.monotonic() - worker.since, _cpu_s(worker.pid) - worker.cpu_s
    if (cpu > HANG_S or wall > WALL_S) and not worker.done and not worker.killed:
        case = worker.cases[worker.at]
        worker.at += 1
        why = f"{cpu:.0f} s of computing" if cpu > HANG_S else f"{wall:.0f} s of waiting"
        note(Outcome(case.name, case.topic, case.title, [Fault("hang", why)], wall))
        worker.killed = True
        _keep(worker.place, keep, case, f"hang: {why}")
        with contextlib.suppress(ProcessLookupError):
            os.killpg(worker.pid, signal.SIGKILL)


def _cpu_s(pid: int) -> float:
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2].split()
        return sum(map(int, fields[11:15])) / _TICKS
    except (OSError, ValueError, IndexError):
        return 0.0


def _ended(worker: _Worker, note: Callable[[Outcome], None], keep: Path | None) -> list[Case]:
    """Cases that are still to try after a worker's end."""
    os.close(worker.pipe)
    _, status = os.waitpid(worker.pid, 0)
    if not worker.done and not worker.killed:
        case = worker.cases[worker.at]
        worker.at += 1
        code = os.waitstatus_to_exitcode(status)
        why = f"died by signal {-code}" if code < 0 else f"left with code {code}"
        note(Outcome(case.name, case.topic, case.title, [Fault("signal", why)]))
        _keep(worker.place, keep, case, why)
    shutil.rmtree(worker.place, ignore_errors=True)
    return worker.cases[worker.at :]


def _started(cases: list[Case], workshop: Workshop, scratch: Path, keep: Path | None) -> _Worker:
    place = scratch / f"w-{cases[0].kind}-{cases[0].number}"
    reading, writing = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            os.close(reading)
            os.setpgid(0, 0)
            _limit()
            # one batch of ten draws them; the loaders in front of them see every case
            if cases[0].kind in ("files", "arguments") and cases[0].number // BATCH % 10:
                without_pictures()
            for case in cases:
                _tried(case, workshop, place, writing, keep)
        except BaseException:
            traceback.print_exc()
            os._exit(70)
        os._exit(0)
    os.close(writing)
    return _Worker(pid, reading, cases, place)


def _limit() -> None:
    """Stop far above what counts, so that one case cannot take the machine down."""
    vm = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    most = vm + int(1.5 * MEMORY_MB * 1e6)
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _tried(case: Case, workshop: Workshop, place: Path, pipe: int, keep: Path | None) -> None:
    shutil.rmtree(place, ignore_errors=True)
    shop = workshop.laid_out(place)
    home = Path.cwd()
    os.chdir(place)
    forget_peak()
    start = time.perf_counter()
    try:
        faults = case.act(shop)
    finally:
        os.chdir(home)
    # of processes that were started: the greatest since this worker began
    children = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    seconds, peak = time.perf_counter() - start, max(_peak_mb(), children)
    if peak > MEMORY_MB and not any(f.kind == "memory" for f in faults):
        faults.append(Fault("memory", f"{peak:.0f} MB"))
    if faults:
        _keep(place, keep, case, "\n\n".join(f"{f.kind}: {f.detail}" for f in faults))
    shutil.rmtree(place, ignore_errors=True)
    record = {
        "faults": [[f.kind, f.detail[:4000]] for f in faults],
        "seconds": seconds,
        "memory_mb": peak,
    }
    data = json.dumps(record).encode() + b"\n"
    while data:
        data = data[os.write(pipe, data) :]


def forget_peak() -> None:
    """Begin to measure this process's memory."""
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5")


def _peak_mb() -> float:
    text = Path("/proc/self/status").read_text()
    return int(text.split("VmHWM:")[1].split()[0]) / 1024


def _keep(place: Path, keep: Path | None, case: Case, what: str) -> None:
    """What a failing case leaves: its folder and a text that says what to type."""
    if keep is None:
        return
    target = keep / case.name.replace(":", "-")
    shutil.rmtree(target, ignore_errors=True)
    target.mkdir(parents=True, exist_ok=True)
    said = place / "said.txt"
    more = said.read_text("utf-8", errors="replace") if said.is_file() else ""
    (target / "case.txt").write_text(
        f"{case.name}: {case.title}\n\n{what}\n\n{more}", "utf-8", errors="replace"
    )
    if sum(1 for _ in keep.iterdir()) <= 400 and place.is_dir():
        with contextlib.suppress(OSError, shutil.Error):
            shutil.copytree(place, target / "folder", symlinks=True, ignore=_no_specials)


def _no_specials(folder: str, names: list[str]) -> set[str]:
    return {
        n
        for n in names
        if not (Path(folder, n).is_file() or Path(folder, n).is_dir())
        or Path(folder, n).is_symlink()
        or Path(folder, n).stat().st_size > 5_000_000
    }
