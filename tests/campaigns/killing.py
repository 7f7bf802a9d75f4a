"""A command in a process of its own, to be stopped: at its n-th write, or after a time."""

from __future__ import annotations

import os
import shutil
import signal
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.campaigns.workshop import without_pictures

__all__ = ["Ended", "at_every_write", "running"]

_ANSWERED = {signal.SIGINT, signal.SIGTERM}


@dataclass
class Ended:
    """How a process ended: exit code (negative: by that signal), its words, writes it made."""

    code: int
    err: str
    writes: int
    seconds: float


def at_every_write(act: Callable[[int], None]) -> None:
    """Call ``act`` with a running number before every step that touches the disk."""
    count = 0

    def counted(function: Callable[..., Any]) -> Callable[..., Any]:
        def wrapper(*arguments: Any, **named: Any) -> Any:
            nonlocal count
            count += 1
            act(count)
            return function(*arguments, **named)

        return wrapper

    for name in ("replace", "rename", "fsync", "unlink", "mkdir", "rmdir", "remove", "link",
                 "symlink", "truncate"):  # fmt: skip
        setattr(os, name, counted(getattr(os, name)))
    shutil.rmtree = counted(shutil.rmtree)  # type: ignore[assignment]


def running(
    arguments: Sequence[str],
    place: Path,
    *,
    at_write: int | None = None,
    by: int = signal.SIGKILL,
    hook: Callable[[int], None] | None = None,
    pictures: bool = True,
) -> tuple[int, Path, float]:
    """Start a command in a fork; gives process id, the file of its words and the time.

    It is stopped by the signal ``by`` at its ``at_write``-th write; ``hook`` is called at each.
    Without ``pictures`` the same files are written, those of pictures empty.
    """
    words = place / "said.err"
    # a signal waits until the command listens: before, it would be ours to answer
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, _ANSWERED)
    pid = os.fork()
    if pid:
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        return pid, words, time.monotonic()
    try:
        os.setpgid(0, 0)
        os.chdir(place)
        fd = os.open(words, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(fd, 1)
        os.dup2(fd, 2)
        sys.stdout = open(1, "w", closefd=False)  # noqa: SIM115
        sys.stderr = open(2, "w", closefd=False)  # noqa: SIM115
        signal.signal(signal.SIGINT, signal.default_int_handler)
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        counts = open(place / "said.writes", "wb", buffering=0)  # noqa: SIM115, PTH123

        def step(number: int) -> None:
            counts.write(b".")
            if hook is not None:
                hook(number)
            if number == at_write:
                os.kill(os.getpid(), by)

        at_every_write(step)
        if not pictures:
            without_pictures()
        sys.argv = ["tracer", *arguments]
        from tracer import __main__ as program

        heed = program.heed_signals

        def listening() -> None:
            heed()
            signal.pthread_sigmask(signal.SIG_UNBLOCK, _ANSWERED)

        program.heed_signals = listening
        code = 0
        try:
            program.main()
        except SystemExit as left:
            code = left.code if isinstance(left.code, int) else 1
        except BaseException:
            import traceback

            traceback.print_exc()
            code = 70
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code & 0xFF)
    finally:
        os._exit(71)


def ended(started: tuple[int, Path, float], *, stop_after_s: float | None = None,
          by: int = signal.SIGKILL, most_s: float = 100.0) -> Ended:  # fmt: skip
    """Wait for a started command; stop it after a time where asked. A hang has code -999."""
    pid, words, since = started
    stopped = False
    while True:
        got, status = os.waitpid(pid, os.WNOHANG)
        spent = time.monotonic() - since
        if got:
            code = os.waitstatus_to_exitcode(status)
            break
        if stop_after_s is not None and spent > stop_after_s and not stopped:
            os.kill(pid, by)
            stopped = True
        if spent > most_s:
            os.killpg(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
            code = -999
            break
        time.sleep(0.002)
    err = words.read_bytes().decode("utf-8", "replace") if words.exists() else ""
    counts = words.with_name("said.writes")
    return Ended(code, err, counts.stat().st_size if counts.exists() else 0, spent)
