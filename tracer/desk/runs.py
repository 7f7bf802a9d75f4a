"""The one thread that computes: runs jobs one after another, reports, stops when asked."""

from __future__ import annotations

import threading
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from tracer.atomic import WRITTEN
from tracer.errors import TracerError

__all__ = ["RunState", "Runner", "Stopped", "Task"]

#: a run that answers an edit waits this long for the next one, so that typing down a column of
#: heights starts one run and not ten
PATIENCE_S = 0.7
Task = Callable[["RunState"], None]


class Stopped(Exception):
    """The run was asked to stop. What it had finished by then is written."""


@dataclass
class RunState:
    """How far the latest run of a job is; also the receiver of its progress."""

    tell: Callable[[], None] = lambda: None
    phase: str = "idle"  # idle, waiting, running, failed, stopped
    step_name: str = ""
    done: float = 0.0
    error: dict[str, str] | None = None
    stopping: bool = False
    _told: float = field(default=0.0, repr=False)

    def step(self, name: str) -> None:
        """A step begins."""
        self._stop_here()
        self.step_name, self.done = name, 0.0
        self._tell(now=True)

    def fraction(self, done: float) -> None:
        """The step is done to this part."""
        self._stop_here()
        self.done = min(max(done, 0.0), 1.0)
        self._tell()

    def turn(self, phase: str, error: dict[str, str] | None = None) -> None:
        """Enter another phase."""
        self.phase, self.error = phase, error
        self._tell(now=True)

    def record(self) -> dict[str, Any]:
        """For the page."""
        return {
            "phase": self.phase,
            "step": self.step_name,
            "done": round(self.done, 3),
            "error": self.error,
        }

    def _stop_here(self) -> None:
        if self.stopping:
            raise Stopped

    def _tell(self, *, now: bool = False) -> None:
        if now or time.monotonic() - self._told > 0.15:  # a page need not know more often
            self._told = time.monotonic()
            self.tell()


class Runner:
    """Runs tasks of jobs, one at a time, the longest waiting first."""

    def __init__(self) -> None:
        self._waiting: dict[str, tuple[float, Task, RunState]] = {}
        self._running: tuple[str, RunState] | None = None
        self._changed = threading.Condition()
        self._ending = False
        self._thread = threading.Thread(target=self._work, name="desk-runs", daemon=True)
        self._thread.start()

    def ask(self, key: str, task: Task, state: RunState, *, soon: bool = False) -> None:
        """Run the task, in place of a waiting or running one of the same job."""
        with self._changed:
            due = time.monotonic() + (0.0 if soon else PATIENCE_S)
            self._waiting[key] = (due, task, state)
            if self._running is not None and self._running[0] == key:
                self._running[1].stopping = True
            else:
                state.stopping = False
            self._changed.notify_all()
            state.turn("waiting")

    def stop(self, key: str) -> None:
        """Stop the job's run and forget what waits."""
        with self._changed:
            waiting = self._waiting.pop(key, None)
            running = self._running is not None and self._running[0] == key
            if running and self._running is not None:
                self._running[1].stopping = True
            self._changed.notify_all()
        if waiting and not running:
            waiting[2].turn("stopped")

    def close(self) -> None:
        """Stop everything and wait for the thread."""
        with self._changed:
            self._ending = True
            self._waiting.clear()
            if self._running is not None:
                self._running[1].stopping = True
            self._changed.notify_all()
        self._thread.join(timeout=20)

    def _next(self) -> tuple[str, Task, RunState] | None:
        with self._changed:
            while not self._ending:
                now = time.monotonic()
                ready = sorted((due, key) for key, (due, _, _) in self._waiting.items())
                if ready and ready[0][0] <= now:
                    key = ready[0][1]
                    _, task, state = self._waiting.pop(key)
                    state.stopping = False
                    self._running = (key, state)
                    return key, task, state
                self._changed.wait(ready[0][0] - now if ready else None)
            return None

    def _work(self) -> None:
        while (item := self._next()) is not None:
            key, task, state = item
            state.turn("running")
            phase, error = "idle", None
            before = WRITTEN.count_here
            try:
                task(state)
            except Stopped:
                phase = "stopped"
            except TracerError as failure:
                phase = "failed"
                error = {
                    "slug": failure.slug,
                    "sentence": failure.sentence,
                    "remedy": failure.remedy,
                }
            except MemoryError:
                phase, error = "failed", _plain("There is not enough memory for this photo.")
            except Exception:
                traceback.print_exc()  # a defect of ours: the terminal gets the whole story
                phase, error = "failed", _plain("The run ended with a defect of the program.")
            if error is not None and WRITTEN.count_here > before:
                error["sentence"] += " What was finished before that is written."
            with self._changed:  # so that nobody is told "done" after a new run was asked for
                self._running = None
                if key not in self._waiting:
                    state.turn(phase, error)


def _plain(sentence: str) -> dict[str, str]:
    return {
        "slug": "desk-run-broken",
        "sentence": sentence,
        "remedy": "The terminal in which the desk runs shows more; your inputs are kept.",
    }
