"""Ctrl-C, and requests to end from the system: heard once, told in one sentence.

The first signal raises `Interrupted` where the program is, so that what was begun is tidied up on
the way out: temporary files go, locks are let go, a job is as it was or as it was to become.
Further signals are not heard, unless work that can end early keeps what it has and answers the
first (`Interruption.answered`). Where the way out takes longer than `PATIENCE_S`, because a library
swallows the exception or a thread computes on, the process ends at once with the same sentence and
code; a job survives that as it does a power cut (`tracer.project.store`).

A signal that was set to be ignored (a shell does so for commands in the background, and ``nohup``
for the end of the terminal) stays ignored.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
from types import FrameType

from tracer.atomic import WRITTEN

__all__ = ["EXIT_BASE", "Interrupted", "Interruption", "ending", "heed_signals", "ignore_signals"]

EXIT_BASE = 128  # exit code of a signal, as shells count: 130 for Ctrl-C, 143 for SIGTERM
PATIENCE_S = 8.0
KINDS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")  # the last two not on every system


class Interrupted(KeyboardInterrupt):
    """A signal asked the program to end."""


class Interruption:
    """Whether and how the program was asked to end."""

    def __init__(self) -> None:
        self.number = 0
        self.sentence = ""
        self.last: threading.Timer | None = None

    def forget(self) -> None:
        """Nothing was asked, and nothing written."""
        self.number, self.sentence = 0, ""
        WRITTEN.forget()

    def answered(self) -> bool:
        """What was asked has been done: a search has ended early, and the program goes on.

        Only Ctrl-C can be answered so; False where nobody pressed it.
        """
        if self.number != signal.SIGINT:
            return False
        if self.last is not None:
            self.last.cancel()
        self.number, self.last = 0, None
        return True

    @property
    def exit_code(self) -> int:
        """Exit code of the program."""
        return EXIT_BASE + (self.number or signal.SIGINT)

    @property
    def asked(self) -> str:
        """Who asked, as the beginning of the sentence."""
        if self.number in (0, signal.SIGINT):
            return "interrupted"
        return f"ended from outside ({signal.Signals(self.number).name})"

    @property
    def what(self) -> str:
        """What became of the work."""
        return self.sentence or WRITTEN.sentence

    def last_words(self) -> str:
        """The sentence for people, where there is no console to say it."""
        return f"{self.asked}: {self.what[:1].lower()}{self.what[1:].rstrip('.')}"


ending = Interruption()


def heed_signals() -> None:
    """From now on a signal ends the program in order. Only in the main thread, else nothing."""
    if threading.current_thread() is not threading.main_thread():
        return
    for kind in _kinds():
        if signal.getsignal(kind) not in (signal.SIG_IGN, None):
            signal.signal(kind, _end)
    sys.unraisablehook = _unraisable


def _unraisable(what: sys.UnraisableHookArgs) -> None:
    """A signal that came while an object was being cleared away: it is answered at the end."""
    if not isinstance(what.exc_value, Interrupted):
        sys.__unraisablehook__(what)


def ignore_signals() -> None:
    """The work is over and the exit code settled: nothing is left to interrupt."""
    if threading.current_thread() is threading.main_thread():
        for kind in _kinds():
            signal.signal(kind, signal.SIG_IGN)


def _kinds() -> list[signal.Signals]:
    return [getattr(signal, name) for name in KINDS if hasattr(signal, name)]


def _end(number: int, _: FrameType | None) -> None:
    if ending.number:
        return
    ending.number = number
    last = threading.Timer(PATIENCE_S, _end_at_once)
    last.daemon = True
    ending.last = last
    last.start()
    raise Interrupted


def _end_at_once() -> None:
    with contextlib.suppress(OSError):  # nobody may be there to read it
        os.write(2, f"\n{ending.last_words()}\n".encode())
    os._exit(ending.exit_code)
