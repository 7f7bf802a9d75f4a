"""Which patches in a job belong to its tools as they are, and which to one that is gone again."""

from __future__ import annotations

import re

from tracer.project.schema import load_job
from tracer.project.store import JobFolder

__all__ = ["old_patch_files"]

_FOLDER = re.compile(r"r([0-9]{1,9})-(.+)")


def old_patch_files(folder: JobFolder) -> frozenset[str]:
    """Files of patches whose tool has another outline by now than the patch was made for.

    A patch that cannot tell what it was made for counts as old.
    """
    room = folder.path / "patch"
    if room.is_symlink() or not room.is_dir():
        return frozenset()
    revision = load_job(folder.read("job.json"), "job.json").revision
    now = folder.read("outlines.json")
    old: set[str] = set()
    for place in sorted(room.iterdir()):
        found = _FOLDER.fullmatch(place.name)
        if place.is_symlink() or not place.is_dir() or found is None:
            continue
        made, outline_id = int(found[1]), found[2].encode()
        kept = f"history/r{made}/outlines.json"
        then = now if made == revision else folder.read(kept) if folder.has(kept) else b""
        if _line(now, outline_id) != _line(then, outline_id) or not then:
            files = (p for p in place.iterdir() if p.is_file() and not p.is_symlink())
            old |= {p.relative_to(folder.path).as_posix() for p in files}
    return frozenset(old)


def _line(data: bytes, outline_id: bytes) -> bytes | None:
    """The line of an outline, as the file has one for each."""
    head = b'{"id": "' + outline_id + b'"'
    lines = (line.strip().rstrip(b",") for line in data.splitlines())
    return next((line for line in lines if line.startswith(head)), None)
