"""The job folder on disk: one lock, and changes that happen wholly or not at all.

A change is a set of files. They are written and flushed into ``.next``, then ``.next`` is renamed
to ``.commit`` (the one atomic step), then each file is moved into place. A run that is killed
before the rename leaves the job as it was; one killed after it is finished by the next run that
opens the job.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path, PurePosixPath

from filelock import FileLock, Timeout

from tracer.atomic import replace_patiently, write_flushed
from tracer.errors import TracerError, UsageError

__all__ = ["JobFolder", "job_path"]

SUFFIX = ".job"
_NEXT, _COMMIT, _MANIFEST, _LOCK = ".next", ".commit", ".manifest.json", ".lock"
_RESERVED = {"con", "prn", "aux", "nul"} | {f"{d}{n}" for d in ("com", "lpt") for n in range(1, 10)}
_FORBIDDEN = set('<>:"|?*') | {chr(c) for c in range(32)}


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
    bad = _FORBIDDEN & set(stem)
    if bad or not stem.strip(" .") or stem != stem.rstrip(" .") or stem.lower() in _RESERVED:
        raise UsageError(
            "job-name-unusable",
            f"'{stem}' cannot be the name of a job folder on every system.",
            "Use letters, digits, spaces, hyphens and underscores.",
        )
    return path.with_name(stem + SUFFIX)


class JobFolder:
    """A job folder. Files are named by POSIX paths relative to it."""

    def __init__(self, path: Path) -> None:
        self.path = path

    @property
    def name(self) -> str:
        """Name for people."""
        return self.path.name.removesuffix(SUFFIX)

    def exists(self) -> bool:
        """True when the folder holds a job."""
        return (self.path / "job.json").is_file() or (self.path / _COMMIT).is_dir()

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the job for one change; finishes or sweeps away what a killed run left.

        Raises
        ------
        TracerError
            ``job-locked`` when another run holds it, ``job-unwritable``.
        """
        try:
            created = not self.path.exists()
            self.path.mkdir(parents=True, exist_ok=True)
            lock = FileLock(self.path / _LOCK, timeout=0)
            lock.acquire()
        except Timeout:
            raise TracerError(
                "job-locked",
                f"Another run has the job {self.name} open.",
                "Wait for it to end, or stop it.",
            ) from None
        except OSError as error:
            raise _unwritable(self.path, error) from error
        try:
            self._recover()
            yield
        finally:
            lock.release()
            if created and not self.exists():  # nothing was committed: leave no empty folder
                shutil.rmtree(self.path, ignore_errors=True)

    def read(self, name: str) -> bytes:
        """Bytes of a file in the job.

        Raises
        ------
        TracerError
            ``job-incomplete`` when it is missing or unreadable.
        """
        try:
            return self._inside(name).read_bytes()
        except OSError as error:
            raise TracerError(
                "job-incomplete",
                f"The job {self.name} has no readable file {name} ({error.strerror}).",
                "Restore it from a copy, or trace the photos again into a new job.",
            ) from error

    def has(self, name: str) -> bool:
        """True when the file is there."""
        return self._inside(name).is_file()

    def commit(self, files: Mapping[str, bytes], remove: Sequence[str] = ()) -> None:
        """Write and remove files, all or none. The job must be `locked`.

        Raises
        ------
        TracerError
            ``job-unwritable``.
        """
        staging = self.path / _NEXT
        try:
            shutil.rmtree(staging, ignore_errors=True)
            staging.mkdir()
            for name, data in files.items():
                self._inside(name)
                target = staging / name
                target.parent.mkdir(parents=True, exist_ok=True)
                write_flushed(target, data)
            manifest = {"write": sorted(files), "remove": sorted(set(remove) - set(files))}
            write_flushed(staging / _MANIFEST, json.dumps(manifest).encode())
            replace_patiently(staging, self.path / _COMMIT)
            self._finish()
        except OSError as error:
            raise _unwritable(self.path, error) from error

    def _recover(self) -> None:
        try:
            shutil.rmtree(self.path / _NEXT, ignore_errors=True)
            if (self.path / _COMMIT).is_dir():
                self._finish()
        except OSError as error:
            raise _unwritable(self.path, error) from error

    def _finish(self) -> None:
        staged = self.path / _COMMIT
        if not (staged / _MANIFEST).exists():  # killed while clearing up: all files are in place
            shutil.rmtree(staged)
            return
        manifest = json.loads((staged / _MANIFEST).read_bytes())
        for name in manifest["write"]:
            if (staged / name).exists():  # else moved before the run was killed
                target = self._inside(name)
                target.parent.mkdir(parents=True, exist_ok=True)
                replace_patiently(staged / name, target)
        for name in manifest["remove"]:
            self._inside(name).unlink(missing_ok=True)
        shutil.rmtree(staged)

    def _inside(self, name: str) -> Path:
        pure = PurePosixPath(name)
        if pure.is_absolute() or ".." in pure.parts or not pure.parts:
            raise ValueError(f"not a path inside the job: {name}")
        return self.path.joinpath(*pure.parts)


def _unwritable(path: Path, error: OSError) -> TracerError:
    return TracerError(
        "job-unwritable",
        f"The job folder {path} cannot be written: {error.strerror or error}.",
        "Check that the folder may be written and the disk is not full.",
    )
