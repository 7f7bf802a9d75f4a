"""Running commands in this process, and what must hold afterwards."""

from __future__ import annotations

import io
import os
import re
import stat
import sys
import traceback
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from tests.campaigns.cases import Fault
from tests.campaigns.words import programmers_words

__all__ = [
    "Said",
    "Snapshot",
    "bricked",
    "command",
    "escaped",
    "judged",
    "loads",
    "remember",
    "remembered",
    "said_of",
    "snapshot",
]

#: files a run keeps for itself
_OWN = re.compile(r"(^|/)\.lock$|(^|/)\.[^/]*\.part$|\.job/\.next/|^elsewhere/\.next/|^said\.txt$")
#: inside a job: what a person may edit or has put there
_PERSONS_IN_JOB = re.compile(
    r"^(?:[^/]+\.job|elsewhere)/(tools\.csv|panel\.toml|photos/[^/]+|[^/]+\.txt)$"
)
_TOLD = re.compile(r"^error: .+ \[[a-z0-9-]+\]$", re.MULTILINE | re.DOTALL)

Snapshot = dict[str, str]
#: size and time of files whose digest is known: a copy keeps both, a rewritten file does not
_known: dict[str, tuple[int, int, str]] = {}


def remember(root: Path) -> None:
    """Take a folder's files for what copies of it hold, so that only others need be read."""
    digests = snapshot(root)
    _known.clear()
    for key, digest in digests.items():
        found = (root / key).lstat()
        _known[key] = (found.st_size, found.st_mtime_ns, digest)


def remembered() -> Snapshot:
    """The digests of `remember`."""
    return {key: digest for key, (_, _, digest) in _known.items()}


@dataclass
class Said:
    """What a command gave back."""

    arguments: Sequence[str]
    code: int = 0
    out: str = ""
    err: str = ""
    escaped: str = ""

    def shown(self) -> str:
        """For the folder of a failing case."""
        return (
            f"$ tracer {' '.join(map(repr, self.arguments))}\nexit code {self.code}\n"
            f"-- stdout\n{self.out[-4000:]}\n-- stderr\n{self.err[-6000:]}\n{self.escaped}\n"
        )


def snapshot(root: Path) -> Snapshot:
    """Digest of every file below a folder; what is no plain file by its kind."""
    found: Snapshot = {}
    for folder, folders, names in os.walk(root):
        for name in (*names, *(f for f in folders if Path(folder, f).is_symlink())):
            path = Path(folder, name)
            key = path.relative_to(root).as_posix()
            if _OWN.search(key):
                continue
            try:
                status = path.lstat()
                mode, known = status.st_mode, _known.get(key)
                if known is not None and known[:2] == (status.st_size, status.st_mtime_ns):
                    found[key] = known[2]
                elif stat.S_ISLNK(mode):
                    found[key] = f"link to {path.readlink()}"
                elif stat.S_ISREG(mode):
                    found[key] = sha256(path.read_bytes()).hexdigest()
                else:
                    found[key] = "special"
            except OSError:
                found[key] = "unreadable"
    return found


@contextmanager
def _streams() -> Iterator[tuple[Path, Path]]:
    """File descriptors 1 and 2 and Python's streams, written to files."""
    paths = [Path(f"/proc/self/fd/{os.memfd_create(n)}") for n in ("out", "err")]
    kept = [os.dup(1), os.dup(2)]
    python = sys.stdout, sys.stderr
    fds = [int(p.name) for p in paths]
    for target, fd in zip((1, 2), fds, strict=True):
        os.dup2(fd, target)
    sys.stdout, sys.stderr = (
        io.TextIOWrapper(
            io.FileIO(fd, "w", closefd=False), "utf-8", errors="strict", write_through=True
        )
        for fd in (1, 2)
    )
    try:
        yield paths[0], paths[1]
    finally:
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
        sys.stdout, sys.stderr = python
        for target, fd in zip((1, 2), kept, strict=True):
            os.dup2(fd, target)
            os.close(fd)


def said_of(arguments: Sequence[str], act: Callable[[], int]) -> Said:
    """Call something that prints and gives an exit code; whatever escapes it is kept."""
    said = Said(arguments)
    with _streams() as (out, err):
        try:
            said.code = act()
        except SystemExit as left:
            said.code = left.code if isinstance(left.code, int) else 1
        except BaseException:
            said.code = -1
            said.escaped = traceback.format_exc()
        sys.stdout.flush()
        sys.stderr.flush()
        said.out, said.err = (_text(p) for p in (out, err))
    for path in (out, err):
        os.close(int(path.name))
    return said


def _text(path: Path) -> str:
    fd = int(path.name)
    size = min(os.fstat(fd).st_size, 4_000_000)
    return os.pread(fd, size, 0).decode("utf-8", errors="replace")


def command(arguments: Sequence[str]) -> Said:
    """Run the command line as a person would, in this process."""
    from tracer.cli.app import run

    return said_of(arguments, lambda: run(list(arguments)))


def judged(
    said: Said, before: Snapshot, after: Snapshot, *, outputs: Iterable[str] = ()
) -> list[Fault]:
    """Faults of one command by what it said and what it did to the files.

    ``outputs`` are patterns of files that the command was asked to write over.
    """
    faults = list(_words_of(said))
    if said.escaped:
        kind = "memory" if "\nMemoryError" in said.escaped else "traceback"
        faults.append(Fault(kind, said.escaped))
    elif escaped(said.err):
        faults.append(Fault("traceback", said.err[-4000:]))
    if "[out-of-memory]" in said.err:
        faults.append(Fault("memory", said.err[-300:]))
    if said.code in (0, 3):
        faults += _lost(before, after, [re.compile(p) for p in outputs])
    else:
        if not said.escaped and (said.code not in (1, 2, 130, 143) or not _told(said)):
            faults.append(Fault("silent", f"exit code {said.code} without a sentence"))
        changed = sorted(k for k in before.keys() | after.keys() if before.get(k) != after.get(k))
        if changed:
            kind = "lost" if any(k in before for k in changed) else "silent"
            faults.append(Fault(kind, f"refused, yet changed {', '.join(changed[:8])}"))
    return faults


def escaped(told: str) -> bool:
    """Whether a mistake of the program's own came through to the person, or into its last net."""
    return "Traceback (most recent" in told or "[program-defect]" in told


def _told(said: Said) -> bool:
    return bool(_TOLD.search(said.err)) or (said.code == 130 and "interrupted" in said.err)


def _words_of(said: Said) -> Iterator[Fault]:
    if said.escaped or escaped(said.err):
        return
    for line in f"{said.err}\n{said.out if '--json' not in said.arguments else ''}".splitlines():
        shown = line
        for typed in said.arguments:
            shown = shown.replace(typed, "…") if len(typed) > 2 else shown
        if (word := programmers_words(shown)) is not None:
            yield Fault("words", f"{word}: {line[:600]}")


def _lost(before: Snapshot, after: Snapshot, outputs: Sequence[re.Pattern[str]]) -> Iterator[Fault]:
    """A person's file that is not what it was, and of which no copy was kept."""
    there = set(after.values())
    for name, digest in before.items():
        in_job = ".job/" in name or name.startswith("elsewhere/")
        if in_job and not _PERSONS_IN_JOB.match(name):
            continue
        if any(p.search(name) for p in outputs):
            continue
        if after.get(name) != digest and not (in_job and digest in there):
            yield Fault("lost", f"{name} was {'changed' if name in after else 'removed'}")


def loads(job: Path, *, changed: Snapshot | None = None) -> dict[str, str]:
    """For every file of a job: empty where the product can read it, else why not.

    With ``changed``, a snapshot of the folder around the job, only files that differ from it.
    """
    from tracer.project.edits_file import load_edits
    from tracer.project.outlines_file import load_outlines
    from tracer.project.panel_file import load_panel
    from tracer.project.plan_file import plan_from_toml
    from tracer.project.schema import load_job
    from tracer.project.silhouettes_file import load_silhouettes
    from tracer.project.tool_list import parse_tool_list

    readers: dict[str, Callable[[bytes, str], object]] = {
        "job.json": load_job,
        "outlines.json": load_outlines,
        "silhouettes.json": load_silhouettes,
        "tools.csv": parse_tool_list,
        "panel.json": load_panel,
        "panel.toml": plan_from_toml,
        "guests.json": load_outlines,
        "history/edits.json": load_edits,
        "history/retired.json": load_outlines,
    }
    found = {}
    for name, read in readers.items():
        path = job / name
        if path.is_file():
            was = (changed or {}).get(f"{job.name}/{name}")
            if changed is not None and sha256(path.read_bytes()).hexdigest() == was:
                continue
            try:
                read(path.read_bytes(), name)
                found[name] = ""
            except Exception as error:  # the reader's own faults are counted elsewhere
                found[name] = f"{type(error).__name__}: {error}"[:300]
    return found


def bricked(before: dict[str, str], after: dict[str, str]) -> list[Fault]:
    """Files that could be read before a command and cannot any more."""
    return [
        Fault("mixed", f"{name} cannot be read any more: {why}")
        for name, why in after.items()
        if why and not before.get(name, "")
    ]
