"""The job folder on disk: one lock, and changes that happen wholly or not at all.

A change is a set of files. They are written and flushed into ``.next``, then ``.next`` is renamed
to ``.commit`` (the one atomic step), then each file is moved into place. A run that is killed
before the rename leaves the job as it was; one killed after it is finished by the next run that
opens the job.
Files that a person writes too (`tracer.project.former.is_personal`) are replaced only while they
are still what this run read: otherwise the person's stays, and the run's is put beside it.
"""

from __future__ import annotations

import errno
import hashlib
import json
import shutil
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from itertools import count
from pathlib import Path, PurePosixPath
from typing import Any

from filelock import FileLock, Timeout

from tracer.atomic import WRITTEN, replace_patiently, uninterrupted, write_flushed
from tracer.errors import TracerError, UsageError
from tracer.loading import parse_json, read_file
from tracer.project.folder_name import SUFFIX, is_inside, job_path, refuse_link, refuse_taken
from tracer.project.former import (
    FORMER,
    Beside,
    file_digest,
    former_files,
    former_name,
    is_personal,
)
from tracer.ranges import MOST_BYTES, shown

__all__ = ["JobFolder", "job_path", "refuse_link"]

_NEXT, _COMMIT, _MANIFEST, _LOCK = ".next", ".commit", ".manifest.json", ".lock"


class JobFolder:
    """A job folder. Files are named by POSIX paths relative to it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._holder: int | None = None  # the thread that holds the lock
        self._as_read: dict[str, bytes | None] = {}
        self._beside: list[Beside] = []

    @property
    def beside(self) -> tuple[Beside, ...]:
        """Person's files that were left alone since the job was last locked."""
        return tuple(self._beside)

    @property
    def name(self) -> str:
        """Name for people."""
        return self.path.name.removesuffix(SUFFIX)

    def exists(self) -> bool:
        """True when the folder holds a job.

        Raises
        ------
        TracerError
            ``job-unreadable`` where the system does not let it be looked into.
        """
        return self._is_there("job.json") or self._look(lambda: (self.path / _COMMIT).is_dir())

    def _is_there(self, name: str) -> bool:
        return self._look(self._inside(name).is_file)

    def _look(self, ask: Callable[[], bool]) -> bool:
        try:
            return ask()
        except OSError as error:
            raise TracerError(
                "job-unreadable",
                f"The job folder {self.path} cannot be looked into: {error.strerror or error}.",
                "Check the rights to the folder and to those it lies in.",
            ) from error

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the job for one change; finishes or sweeps away what a killed run left.

        Raises
        ------
        TracerError
            ``job-locked`` when another run holds it, ``job-unwritable``, ``job-linked``,
            ``job-inside-job``.
        """
        made: list[Path] = []
        try:
            self._make_folder(made)
            lock = self._acquired()
        except BaseException:
            self._unmake(made)
            raise
        try:
            self._as_read, self._beside = {}, []
            self._holder = threading.get_ident()
            self._recover()
            yield
        finally:
            self._holder = None
            lock.release()
            self._unmake(made)

    def _make_folder(self, made: list[Path]) -> None:
        """Make the folder and those above it where they are missing, noting which."""
        refuse_link(self.path)
        try:
            missing = [self.path]
            while not missing[-1].exists():
                missing.append(missing[-1].parent)
            if len(missing) > 1:
                self._refuse_inside_job()
            for path in reversed(missing[:-1]):
                path.mkdir()
                made.append(path)
        except OSError as error:
            raise _unwritable(self.path, error) from error

    def _refuse_inside_job(self) -> None:
        place = self.path.parent.resolve()
        for folder in (place, *place.parents):
            if folder.suffix == SUFFIX and (folder / "job.json").is_file():
                raise UsageError(
                    "job-inside-job",
                    f"The job {self.name} would lie inside the job {folder}.",
                    "Begin it in the folder above, or give its name with a path.",
                )

    def _acquired(self) -> FileLock:
        try:
            lock = FileLock(self.path / _LOCK, timeout=0)
            lock.acquire()
        except Timeout:
            raise TracerError(
                "job-locked",
                f"Another run has the job {self.name} open.",
                "Wait for it to end, or stop it.",
            ) from None
        except (OSError, NotImplementedError) as error:  # some network drives know no locks
            raise _unwritable(self.path, error) from error
        return lock

    def _unmake(self, made: Sequence[Path]) -> None:
        """Take away folders that were made for nothing: no empty one is left behind."""
        if not made or self.exists():
            return
        for path in reversed(made):
            if path == self.path:
                shutil.rmtree(path, ignore_errors=True)
            else:
                with suppress(OSError):  # no longer empty: somebody else uses it
                    path.rmdir()

    def read(self, name: str) -> bytes:
        """Bytes of a file in the job. A person's file is read once while the job is locked.

        Raises
        ------
        TracerError
            ``job-incomplete`` when it is missing or unreadable.
        """
        if self._watched(name) and (known := self._as_read.get(name)) is not None:
            return known
        path = self._inside(name)
        try:
            if path.exists() and not path.is_file():  # a pipe or a device may have no end
                raise OSError(errno.EINVAL, "it is no plain file")
            data = path.read_bytes()
        except OSError as error:
            raise TracerError(
                "job-incomplete",
                f"The job {self.name} has no readable file {name} ({error.strerror}).",
                "Restore it from a copy, or trace the photos again into a new job.",
            ) from error
        if self._watched(name):
            self._as_read[name] = data
        return data

    def has(self, name: str) -> bool:
        """True when the file is there; a person's file, while the job is locked: was there."""
        if not self._watched(name):
            return self._is_there(name)
        if name not in self._as_read:
            there = self._is_there(name)
            self._as_read[name] = self.read(name) if there else None
        return self._as_read[name] is not None

    def commit(
        self, files: Mapping[str, bytes], remove: Sequence[str] = (), *, if_as_read: bool = False
    ) -> None:
        """Write and remove files, all or none. The job must be `locked`.

        A person's file is kept in the history before it is written anew. One that is no longer as
        this run read it stays, and the run's is put beside it (`beside`); with ``if_as_read``
        nothing at all is written then.

        Raises
        ------
        TracerError
            ``job-unwritable``, ``job-place-taken``, ``file-saved-meanwhile``: nothing was changed;
            ``job-unfinished``: the change is made and the next run on the job will finish it.
        """
        wanted = {n: data for n, data in files.items() if not self._is_as_written(n, data)}
        as_read = {n: self._as_read[n] for n in wanted if is_personal(n)}
        staged = {**self._formers(as_read), **wanted}
        # what is kept of a person's file is in place before the file is touched
        order = sorted(staged, key=lambda n: (not n.startswith(f"{FORMER}/"), n))
        digests = {n: _digest(data) for n, data in as_read.items()}
        gone = sorted(set(remove) - set(files))
        manifest = {"write": order, "remove": gone, "as_read": digests}
        staging = self.path / _NEXT
        try:
            for name in staged:
                self._refuse_linked(name)
            for name in gone:  # a link itself may go, what lies behind one may not
                self._refuse_linked(str(PurePosixPath(name).parent))
            refuse_taken(self.path, (*staged, *gone))
            shutil.rmtree(staging, ignore_errors=True)
            staging.mkdir()
            for name, data in staged.items():
                self._inside(name)
                target = staging / name
                target.parent.mkdir(parents=True, exist_ok=True)
                write_flushed(target, data)
            write_flushed(staging / _MANIFEST, json.dumps(manifest).encode())
            for name, digest in digests.items():
                if if_as_read and file_digest(self._inside(name)) != digest:
                    raise _saved_meanwhile(name)
        except BaseException as error:
            shutil.rmtree(staging, ignore_errors=True)  # nothing half-written is left
            if isinstance(error, OSError):
                raise _unwritable(self.path, error) from error
            raise
        with uninterrupted():
            try:
                replace_patiently(staging, self.path / _COMMIT)
            except OSError as error:
                raise _unwritable(self.path, error) from error
            WRITTEN.add(f"the job {self.path}")
            try:
                self._finish()
            except OSError as error:
                raise _unfinished(self.path, error) from error
        self._note_saved(as_read)
        left = {**dict.fromkeys(manifest["remove"]), **wanted}  # what a second change begins from
        self._as_read |= {n: data for n, data in left.items() if is_personal(n)}

    def _note_saved(self, written: Mapping[str, bytes | None]) -> None:
        # person's files that this run went by and that are others by now
        for name, data in self._as_read.items():
            if name not in written and file_digest(self._inside(name)) != _digest(data):
                self._beside.append(Beside(name, ""))

    def _watched(self, name: str) -> bool:  # a person's file, asked for by who holds the lock
        return self._holder == threading.get_ident() and is_personal(name)

    def _is_as_written(self, name: str, data: bytes) -> bool:  # a person's file, read just so
        return is_personal(name) and self.has(name) and self.read(name) == data

    def _formers(self, as_read: Mapping[str, bytes | None]) -> dict[str, bytes]:
        """What is to be kept of the files that are written anew, by its name in the history."""
        kept = former_files(self.path)
        latest = {f.name: f.kept_as for f in kept}
        numbers = count(kept[-1].number + 1 if kept else 1)
        return {
            former_name(next(numbers), name): data
            for name, data in sorted(as_read.items())
            if data is not None and (name not in latest or self.read(latest[name]) != data)
        }

    def _refuse_linked(self, name: str) -> None:
        """Refuse to write where a folder or file of the job is a link."""
        path = self.path
        for part in PurePosixPath(name).parts:
            path /= part
            refuse_link(path)

    def _recover(self) -> None:
        for name in (_NEXT, _COMMIT):
            refuse_link(self.path / name)
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
        manifest = self._manifest(staged)
        as_read = manifest.get("as_read", {})
        for name in manifest["write"]:
            self._refuse_linked(name)
        for name in manifest["write"]:
            if not (staged / name).exists():  # moved before the run was killed
                continue
            target = self._inside(name)
            target.parent.mkdir(parents=True, exist_ok=True)
            if name in as_read and (now := file_digest(target)) != as_read[name]:
                if now == file_digest(staged / name):
                    continue
                target = self._free_name(name)
                self._beside.append(Beside(name, target.name))
            replace_patiently(staged / name, target)
        for name in manifest["remove"]:
            self._inside(name).unlink(missing_ok=True)
        with suppress(OSError):  # everything is in place; the next run sweeps what is left
            shutil.rmtree(staged)

    def _manifest(self, staged: Path) -> dict[str, Any]:
        """What an interrupted change wanted."""

        def refuse(why: str) -> TracerError:
            return TracerError(
                "job-damaged",
                f"A change of the job {self.name} was interrupted, and its list in"
                f" {_COMMIT}/{_MANIFEST} cannot be read: {why}.",
                f"Move the folder {_COMMIT} out of the job; the job is then as before the change,"
                " but for files that were in place already.",
            )

        most = MOST_BYTES["file of a job"]
        found = parse_json(read_file(staged / _MANIFEST, most, refuse), refuse, most)
        if not isinstance(found, dict):
            raise refuse("it is not a list of files")
        for key in ("write", "remove"):
            names = found.get(key)
            if not isinstance(names, list):
                raise refuse(f"the list '{key}' is missing")
            for name in names:
                if not isinstance(name, str) or not is_inside(name):
                    raise refuse(f"{shown(name)} is no file of the job")
        # a change never takes out what it brings, nor the job itself
        for name in found["remove"]:
            if name == "job.json" or (staged / name).exists():
                raise refuse(f"it would take {shown(name)} out of the job")
        if not isinstance(found.get("as_read", {}), dict):
            raise refuse("the list 'as_read' is missing")
        return found

    def _free_name(self, name: str) -> Path:
        """A name beside a person's file under which nothing is lost."""
        plain = self._inside(name)
        for number in count(1):
            tail = "" if number == 1 else f"-{number}"
            path = plain.with_name(f"{plain.stem}-by-tracer{tail}{plain.suffix}")
            if not path.exists():
                return path
        raise AssertionError("count ends")

    def _inside(self, name: str) -> Path:
        if not is_inside(name):
            raise ValueError(f"not a path inside the job: {name}")
        return self.path.joinpath(*PurePosixPath(name).parts)


def _digest(data: bytes | None) -> str | None:
    return None if data is None else hashlib.sha256(data).hexdigest()


def _saved_meanwhile(name: str) -> TracerError:
    return TracerError(
        "file-saved-meanwhile",
        f"{name} was saved by another program just now, so nothing was changed.",
        "Look at what is there now, then do it again.",
    )


def _unfinished(path: Path, error: OSError) -> TracerError:
    return TracerError(
        "job-unfinished",
        f"The change is made, but not every file of {path} could be put in place yet:"
        f" {error.strerror or error}.",
        "Close the program that holds them, or make room; the next run on this job finishes it.",
    )


def _unwritable(path: Path, error: OSError | NotImplementedError) -> TracerError:
    why = (error.strerror if isinstance(error, OSError) else None) or error
    return TracerError(
        "job-unwritable",
        f"The job folder {path} cannot be written: {why}.",
        "Check that the folder may be written and the disk is not full.",
    )
