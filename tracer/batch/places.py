"""Reading and writing at an address: a path, or a remote store by way of fsspec.

``file://`` and plain paths are files of this computer and need nothing; any other scheme needs
the extra ``remote``.
"""

from __future__ import annotations

import errno
import importlib
import posixpath
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit
from urllib.request import url2pathname

from tracer.atomic import write_atomically
from tracer.errors import TracerError, UsageError

__all__ = ["beside", "is_remote", "local_path", "read_bytes", "store_of", "write_bytes"]

#: nothing that a lay needs is larger; a remote store must not fill the memory
MOST_BYTES = 200_000_000


def is_remote(address: str) -> bool:
    """True for an address of a remote store.

    Examples
    --------
    >>> is_remote("s3://shop/lays"), is_remote("lays/a"), is_remote("file:///lays/a")
    (True, False, False)
    """
    scheme, mark, _ = address.partition("://")
    return bool(mark) and scheme.lower() != "file" and len(scheme) > 1


def local_path(address: str) -> Path:
    """The path of an address on this computer."""
    if address.lower().startswith("file://"):
        parts = urlsplit(address)
        return Path(url2pathname(unquote(parts.path)))
    return Path(address)


def beside(folder: str, name: str) -> str:
    """The address of ``name`` seen from a folder; an address of its own stays."""
    if is_remote(name) or name.lower().startswith("file://") or Path(name).is_absolute():
        return name
    if is_remote(folder):
        return posixpath.join(folder, name.replace("\\", "/"))
    return str(local_path(folder) / name)


def store_of(address: str) -> tuple[Any, str]:
    """The fsspec file system of a remote address and the path in it.

    Raises
    ------
    UsageError
        ``remote-needs-extra`` where fsspec, or what it needs for this scheme, is not installed.
    """
    scheme = address.partition("://")[0]
    try:
        core = importlib.import_module("fsspec.core")
        system, path = core.url_to_fs(address)
        return system, str(path)
    except (ImportError, ValueError) as error:
        raise UsageError(
            "remote-needs-extra",
            f"{address} lies in a remote store ({scheme}), for which a library is missing:"
            f" {error}.",
            "Install it: pip install 'tracer[remote]', and what fsspec names for this scheme.",
        ) from None


def read_bytes(address: str) -> bytes:
    """All bytes at an address.

    Raises
    ------
    TracerError
        ``input-missing``, ``input-unreadable``.
    """
    try:
        if not is_remote(address):
            path = local_path(address)
            if path.exists() and not path.is_file() and not path.is_dir():
                raise OSError(errno.EINVAL, "it is no plain file")  # a pipe or a device has no end
            with path.open("rb") as near:
                return _bounded(near.read(MOST_BYTES + 1), address)
        system, far = store_of(address)
        with system.open(far, "rb") as stream:
            return _bounded(stream.read(MOST_BYTES + 1), address)
    except FileNotFoundError:
        raise TracerError(
            "input-missing", f"There is nothing at {address}.", "Check the name and the folder."
        ) from None
    except OSError as error:
        raise TracerError(
            "input-unreadable",
            f"{address} cannot be read: {error.strerror or error}.",
            "Check that it is a file that may be read, and the connection.",
        ) from error


def _bounded(data: bytes, address: str) -> bytes:
    if len(data) > MOST_BYTES:
        raise TracerError(
            "input-unreadable",
            f"{address} holds more than {MOST_BYTES / 1e6:.0f} MB.",
            "Name the photo itself, as the phone saved it.",
        )
    return data


def write_bytes(address: str, data: bytes) -> None:
    """Write whole or not at all; a remote store puts an object in one step.

    Raises
    ------
    TracerError
        ``file-unwritable``.
    """
    if not is_remote(address):
        write_atomically(local_path(address), data)
        return
    system, path = store_of(address)
    try:
        system.makedirs(posixpath.dirname(path), exist_ok=True)
        system.pipe_file(path, data)
    except OSError as error:
        raise TracerError(
            "file-unwritable",
            f"{address} cannot be written: {error.strerror or error}.",
            "Check the rights on the store, free space and the connection.",
        ) from error
