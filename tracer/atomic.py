"""Writing a file so that a reader meets the old content or the new, never half of it."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType

from tracer.errors import TracerError

__all__ = [
    "WRITTEN",
    "Written",
    "create_atomically",
    "is_folder",
    "is_there",
    "replace_patiently",
    "uninterrupted",
    "write_atomically",
    "write_flushed",
]


class Written:
    """What this process has put in place so far, so that its last words can be true.

    A run that is interrupted, or fails, after something of it was written must not say that
    nothing was changed.
    """

    def __init__(self) -> None:
        self._names: dict[str, None] = {}
        self._count = threading.local()

    def add(self, name: str) -> None:
        """Something is in place now; ``name`` is as a person reads it."""
        self._names[name] = None
        self._count.here = self.count_here + 1

    def forget(self) -> None:
        """A new command begins."""
        self._names.clear()

    @property
    def count_here(self) -> int:
        """How often this thread put something in place."""
        return int(getattr(self._count, "here", 0))

    @property
    def sentence(self) -> str:
        """What a run that ended early has to say of it.

        Examples
        --------
        >>> written = Written()
        >>> written.sentence
        'Nothing was changed.'
        >>> written.add("the job bench.job")
        >>> written.sentence
        'The change is made all the same: the job bench.job is written.'
        """
        if not self._names:
            return "Nothing was changed."
        verb = "is" if len(self._names) == 1 else "are"
        return f"The change is made all the same: {', '.join(self._names)} {verb} written."

    @property
    def names(self) -> tuple[str, ...]:
        """In the order in which they were first written."""
        return tuple(self._names)


WRITTEN = Written()


def is_there(path: Path) -> bool:
    """Whether a person's path names anything; a name that no system takes names nothing.

    Examples
    --------
    >>> is_there(Path("9" * 5000)), is_folder(Path("9" * 5000)), is_folder(Path())
    (False, False, True)
    """
    try:
        return path.exists()
    except (OSError, ValueError):
        return False


def is_folder(path: Path) -> bool:
    """Whether a person's path names a folder."""
    try:
        return path.is_dir()
    except (OSError, ValueError):
        return False


def create_atomically(path: Path, data: bytes) -> None:
    """As `write_atomically`, but only where nothing is: a file that appears meanwhile stays.

    Raises
    ------
    TracerError
        ``file-exists``, ``file-unwritable``; what is there is as it was.
    """
    _written(path, data, _appear)


def write_atomically(path: Path, data: bytes) -> None:
    """Write beside the target, flush to the disk, then take its place in one step.

    Raises
    ------
    TracerError
        ``file-unwritable``; the target is as it was.
    """
    _written(path, data, replace_patiently)


def _appear(source: Path, target: Path) -> None:
    """Give a whole file its name where nothing has that name yet."""
    try:
        try:
            os.link(source, target)
        except FileExistsError:
            raise
        except OSError:  # not every disk of a phone or camera knows a second name for a file
            with target.open("xb") as stream:
                stream.write(source.read_bytes())
                stream.flush()
                os.fsync(stream.fileno())
    except FileExistsError:
        raise TracerError(
            "file-exists",
            f"{target} exists already.",
            "Choose another name, or ask to write over it.",
        ) from None


def _written(path: Path, data: bytes, put: Callable[[Path, Path], None]) -> None:
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_flushed(temporary, data)
        with uninterrupted():
            put(temporary, path)
            WRITTEN.add(str(path))
    except OSError as error:
        raise TracerError(
            "file-unwritable",
            f"{path} cannot be written: {error.strerror or error}.",
            "Check the folder, free space and whether another program holds the file.",
        ) from error
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)


def write_flushed(path: Path, data: bytes) -> None:
    """Write and wait until the disk has it."""
    with path.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def replace_patiently(source: Path, target: Path) -> None:
    """`os.replace`, patient with systems on which a reader blocks it for a moment."""
    for wait_s in (0.05, 0.1, 0.2, 0.4, 0.8):
        try:
            source.replace(target)
            return
        except PermissionError:
            time.sleep(wait_s)
    source.replace(target)


@contextlib.contextmanager
def uninterrupted() -> Iterator[None]:
    """Let Ctrl-C and a request to end wait for the end of the block.

    What has begun to be put in place is put in place wholly, and is known to be, before the
    interruption is heard. Signals reach the main thread alone; elsewhere this does nothing.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []

    def later(number: int, _: FrameType | None) -> None:
        came.append(number)

    names = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")  # the last two not on every system
    kinds = [getattr(signal, name) for name in names if hasattr(signal, name)]
    # a handler that was not set from Python cannot be put back: it is left alone
    before = {k: h for k in kinds if (h := signal.getsignal(k)) is not None}
    for kind in before:
        signal.signal(kind, later)
    try:
        yield
    finally:
        for kind, handler in before.items():
            signal.signal(kind, handler)
        for number in dict.fromkeys(came):
            signal.raise_signal(number)
