"""A place of work: one child process that does lay after lay, replaced when it dies.

A lay whose process dies is done again in a fresh one. Two deaths in fresh processes, by the lay's
own doing, make a failed row; a process that somebody else killed is no fault of the lay. Time and
memory of a lay are bounded.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

from tracer.batch.order import LayOrder, LayRow, State, row_from_record

__all__ = ["Bench", "Died", "Limits"]

Tell = Callable[[str], None]

FRESH_DEATHS = 2
#: a lay is not given up because others kill its process, until that looks like the rule
OUTSIDE_DEATHS = 12
#: a process is replaced after this many lays, so that nothing piles up in it
LAYS_A_PROCESS = 200
_WATCH_S = 0.2
#: as many lays at once as there are cores: none of them wants a second one. Read by the algebra
#: and picture libraries when they are first imported
_ONE_THREAD = dict.fromkeys(
    ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS", "OPENCV_FOR_THREADS_NUM"), "1"
)
#: signals that come from outside; a process over its bound of memory is told apart by its size
_OUTSIDE = {-signal.SIGTERM, -getattr(signal, "SIGKILL", signal.SIGTERM)}


@dataclass(frozen=True)
class Limits:
    """Bounds of one lay: resident memory in units of 1e6 bytes, wall-clock seconds."""

    memory_mb: float = 3_000.0
    seconds: float = 1_200.0


class Died(Exception):
    """The process died in the middle of a lay; ``why`` is empty unless a bound was met."""

    def __init__(self, code: int, why: str = "") -> None:
        super().__init__(f"exit code {code} {why}".strip())
        self.code = code
        self.why = why

    @property
    def from_outside(self) -> bool:
        """True when somebody ended the process."""
        return not self.why and self.code in _OUTSIDE


class Bench:
    """Does lays one after the other in a process of its own. Not for several threads at once."""

    def __init__(self, limits: Limits | None = None, command: tuple[str, ...] = ()) -> None:
        self._limits = limits or Limits()
        self._command = command or (sys.executable, "-m", "tracer.batch.child")
        self._process: subprocess.Popen[str] | None = None
        self._served = 0
        self._closed = False

    @property
    def process_id(self) -> int | None:
        """Of the process that works now."""
        process = self._process
        return process.pid if process is not None and process.poll() is None else None

    def do(self, order: LayOrder, out: str, tell: Tell) -> LayRow:
        """Do a lay, however often its process dies through no fault of its own."""
        fresh_deaths = outside = 0
        while not self._closed:
            fresh = self._process is None
            try:
                return self.attempt(order, out, tell)
            except Died as death:
                if death.why:
                    return _failed(order, death.why, "lay-too-large")
                outside += death.from_outside
                fresh_deaths += fresh and not death.from_outside
                if fresh_deaths >= FRESH_DEATHS or outside >= OUTSIDE_DEATHS:
                    return _failed(order, _told(death, fresh_deaths + outside), "lay-kills")
        return LayRow(name=order.name, state=State.WAITING)

    def attempt(self, order: LayOrder, out: str, tell: Tell) -> LayRow:
        """Do a lay once.

        Raises
        ------
        Died
            When the process ends before the lay does.
        """
        process = self._process or self._start()
        assert process.stdin is not None and process.stdout is not None
        watch = _Watch(process, self._limits)
        try:
            request = json.dumps({"order": asdict(order), "out": out})
            process.stdin.write(request + "\n")
            process.stdin.flush()
            for line in process.stdout:
                answer = json.loads(line)
                if "row" in answer:
                    self._after_lay()
                    return row_from_record(answer["row"])
                tell(str(answer["step"]))
        except (BrokenPipeError, ValueError, OSError):
            pass  # it died while it was spoken to, or its last line is torn
        finally:
            watch.stop()
        self._process = None
        process.kill()
        raise Died(process.wait(), watch.why)

    def close(self) -> None:
        """End the process; from another thread too, in the middle of a lay."""
        self._closed = True
        process = self._process
        if process is not None:
            process.kill()
            process.wait()

    def _start(self) -> subprocess.Popen[str]:
        self._served = 0
        # a session of its own: Ctrl-C in the terminal reaches the parent alone, which decides
        self._process = subprocess.Popen(
            self._command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            env=os.environ | _ONE_THREAD,
            start_new_session=os.name == "posix",
        )
        if self._closed:  # while it started
            self._process.kill()
        return self._process

    def _after_lay(self) -> None:
        self._served += 1
        process = self._process
        if process is not None and self._served >= LAYS_A_PROCESS:
            self._process = None
            assert process.stdin is not None
            process.stdin.close()
            process.wait()


class _Watch:
    """Ends a process that goes over its bounds; ``why`` says which."""

    def __init__(self, process: subprocess.Popen[str], limits: Limits) -> None:
        self.why = ""
        self._process = process
        self._limits = limits
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """The lay is over."""
        self._over.set()
        self._thread.join()

    def _run(self) -> None:
        began = time.monotonic()
        while not self._over.wait(_WATCH_S):
            if time.monotonic() - began > self._limits.seconds:
                self.why = (
                    f"It took longer than {self._limits.seconds:.0f} s and was stopped. Allow more"
                    " time, or look at its photos."
                )
            elif _resident_mb(self._process.pid) > self._limits.memory_mb:
                self.why = (
                    f"It needed more than {self._limits.memory_mb:.0f} MB of memory and was"
                    " stopped. Allow more memory, or make its photos smaller."
                )
            if self.why:
                self._process.kill()
                return


def _resident_mb(process_id: int) -> float:
    """Resident memory of a process, 1e6 bytes; 0 where the system does not tell."""
    try:
        pages = int(Path(f"/proc/{process_id}/statm").read_text("ascii").split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 1e6
    except (OSError, ValueError, IndexError, AttributeError):
        return 0.0


def _told(death: Died, deaths: int) -> str:
    name = ""
    if death.code < 0:
        try:
            name = f" by signal {signal.Signals(-death.code).name}"
        except ValueError:
            name = f" by signal {-death.code}"
    return (
        f"Its process ended {deaths} times{name or f' with code {death.code}'} before the lay was"
        " done. Trace it alone to see why."
    )


def _failed(order: LayOrder, sentence: str, slug: str) -> LayRow:
    return LayRow(name=order.name, state=State.FAILED, sentence=sentence, slug=slug)
