"""Writing a file so that a reader meets the old content or the new, never half of it."""

from __future__ import annotations

import contextlib
import os
import time
from pathlib import Path

from tracer.errors import TracerError

__all__ = ["replace_patiently", "write_atomically", "write_flushed"]


def write_atomically(path: Path, data: bytes) -> None:
    """Write beside the target, flush to the disk, then take its place in one step.

    Raises
    ------
    TracerError
        ``file-unwritable``; the target is as it was.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_flushed(temporary, data)
        replace_patiently(temporary, path)
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
