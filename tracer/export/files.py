"""Writing a file so that a reader never meets half of it."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from tracer.errors import TracerError

__all__ = ["write_atomic"]


def write_atomic(path: Path, data: bytes) -> None:
    """Write beside the target, flush to the disk, then take its place in one step."""
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            # mkstemp makes private files; a cutting file is for the machine's owner as well
            mask = os.umask(0)
            os.umask(mask)
            Path(name).chmod(0o666 & ~mask)
            Path(name).replace(path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise TracerError(
            "cannot-write-file",
            f"{path.name} could not be written: {error.strerror or error}.",
            "Check that the folder exists, may be written to and has room left.",
        ) from error
