"""What a job folder may be called, and what it may not be."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path, PurePosixPath

from tracer.errors import TracerError, UsageError

__all__ = ["MOST_BYTES", "SUFFIX", "is_inside", "job_path", "refuse_link", "refuse_taken"]

SUFFIX = ".job"
#: device names of Windows, with any ending (Microsoft, "Naming files, paths, and namespaces")
_RESERVED = {"con", "prn", "aux", "nul", "conin$", "conout$"} | {
    f"{device}{n}" for device in ("com", "lpt") for n in "123456789\xb9\xb2\xb3"
}
_FORBIDDEN = set('<>:"|?*\\') | {chr(c) for c in range(32)}
#: a name has 255 bytes at most on the usual file systems; a job's name begins its cutting files'
MOST_BYTES = 180


def job_path(name: str) -> Path:
    """Folder of the job that a person called ``name`` (a name or a path, with or without .job).

    Raises
    ------
    UsageError
        When the name cannot be a folder on every system.

    Examples
    --------
    >>> job_path("bench").name, job_path("shop/bench.job").name
    ('bench.job', 'bench.job')
    """
    path = Path(name.strip() or " ")
    stem = path.name.removesuffix(SUFFIX)
    if not _is_text(name):
        raise UsageError(
            "job-name-unusable",
            f"The path '{_shown(name)}' of the job holds bytes that are no letters.",
            "Rename the folder, or go into it and give the job's name alone.",
        )
    bad = _FORBIDDEN & set(stem)
    device = stem.partition(".")[0].strip().lower() in _RESERVED
    if bad or device or not stem.strip(" .") or stem != stem.rstrip(" ."):
        raise UsageError(
            "job-name-unusable",
            f"'{stem}' cannot be the name of a job folder on every system.",
            "Use letters, digits, spaces, hyphens and underscores.",
        )
    if len(stem.encode()) > MOST_BYTES:
        raise UsageError(
            "job-name-unusable",
            f"The name of the job, '{stem[:30]}...', is {len(stem.encode())} bytes long; at most"
            f" {MOST_BYTES} can be used.",
            "Give it a shorter name.",
        )
    return path.with_name(stem + SUFFIX)


def is_inside(name: str) -> bool:
    """Whether a POSIX path names something within a folder, however it is joined to it.

    Examples
    --------
    >>> [is_inside(n) for n in ("photos/a.jpg", "../a.jpg", "/etc/a", "a/../../b", "", "a\\0")]
    [True, False, False, False, False, False]
    """
    pure = PurePosixPath(name)
    outside = pure.is_absolute() or ".." in pure.parts or not pure.parts
    return not outside and "\0" not in name and "\\" not in name


def _is_text(name: str) -> bool:
    """False for a name that is no text in the system's own encoding."""
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True


def _shown(name: str) -> str:
    return name.encode("utf-8", "replace").decode()


def refuse_link(path: Path) -> None:
    """Refuse a link: a job writes into its own folder, never through a link into another.

    Raises
    ------
    UsageError
        ``job-linked``.
    """
    try:
        linked = path.is_symlink()
    except OSError:  # not to be looked at: whatever comes next says why
        return
    if linked:
        raise UsageError(
            "job-linked",
            f"{path} is a link, and a job writes through none.",
            "Name the folder that it leads to, or put the file or folder itself in its place.",
        )


def refuse_taken(job: Path, names: Iterable[str]) -> None:
    """Refuse files of a job where what is no file has their place, or a file their folder's.

    Raises
    ------
    TracerError
        ``job-place-taken``.
    """
    for name in filter(is_inside, names):
        *above, last = PurePosixPath(name).parts
        path = job
        for part in above:
            path /= part
            if path.exists() and not path.is_dir():
                raise _taken(path, "a file", "a folder")
        path /= last
        if path.exists() and not path.is_file():
            found = "a folder" if path.is_dir() else "a pipe or a device"
            raise _taken(path, found, "a file")


def _taken(path: Path, found: str, wanted: str) -> TracerError:
    return TracerError(
        "job-place-taken",
        f"{path} is {found}, and the job keeps {wanted} there. Nothing was changed.",
        "Move it out of the job, then run again.",
    )
