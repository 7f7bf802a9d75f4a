"""The job's files for looking at and taking away, found in a table and never by a path.

A file that was made before the last change says so, and is only given to who says so too.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from tracer.desk.previews import PAGES_SHOWN, pdf_pages
from tracer.errors import TracerError
from tracer.project.store import JobFolder
from tracer.workflows.cutting.cut_job import machines_cut_for
from tracer.workflows.cutting.freshness import freshness
from tracer.workflows.swapping.patch_age import old_patch_files

__all__ = ["file_bytes", "file_records", "folder_zip", "plain_name"]

KINDS = {
    ".dxf": "image/vnd.dxf",
    ".svg": "image/svg+xml",
    ".pdf": "application/pdf",
    ".csv": "text/csv; charset=utf-8",
    ".json": "application/json",
    ".jpg": "image/jpeg",
    ".png": "image/png",
    ".txt": "text/plain; charset=utf-8",
}
CUT = "cut"
PATCH = "patch"
ROOMS = ("", CUT, PATCH, "pictures")
HIDDEN = {"job.json", "silhouettes.json"}
BEFORE = "before the last change"
EPOCH = (1980, 1, 1, 0, 0, 0)  # the same job gives the same archive


def file_records(folder: JobFolder) -> list[dict[str, Any]]:
    """What may be taken away: id, name, kind, size, age, and the pages of a PDF.

    ``old``: made before the last change. ``group``: ``cut/MACHINE`` or the folder below ``cut``,
    ``pictures``, or ``job``.
    """
    old = _old_names(folder)
    table = _table(folder)
    groups = _groups(folder, table.values())
    return [
        {
            "file": file_id,
            "group": groups[name],
            "old": name in old,
            "name": name,
            "kind": KINDS[_ending(name)].partition(";")[0],
            "bytes": (folder.path / name).stat().st_size,
            "pages": min(pdf_pages(folder.read(name)), PAGES_SHOWN) if name.endswith(".pdf") else 0,
        }
        for file_id, name in table.items()
    ]


def file_bytes(folder: JobFolder, file_id: str, *, old_too: bool = True) -> tuple[bytes, str, str]:
    """Bytes, media type and plain name of a file.

    Raises
    ------
    KeyError
        For an id that is not in the table.
    TracerError
        ``file-old`` where it was made before the last change, unless ``old_too``.
    """
    name = _table(folder)[file_id]
    if not old_too and name in _old_names(folder):
        raise _old([name])
    return folder.read(name), KINDS[_ending(name)], plain_name(name.rpartition("/")[2])


def plain_name(name: str) -> str:
    """A file name that a header can carry: other letters become hyphens."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "-_. ") else "-" for c in name)


def folder_zip(folder: JobFolder, *, old_too: bool = False, group: str = "") -> bytes:
    """All files, or those of a group, in one archive; the same files give the same bytes.

    With ``old_too`` what was made before the last change lies in a folder of its own.

    Raises
    ------
    TracerError
        ``file-old`` where there is such a file and ``old_too`` is not set.
    """
    names = list(_table(folder).values())
    if group:
        groups = _groups(folder, names)
        names = [n for n in names if groups[n] == group]
    old = _old_names(folder)
    if not old_too and (stale := [n for n in names if n in old]):
        raise _old(stale)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in names:
            put_as = f"{BEFORE}/{name}" if name in old else name
            info = zipfile.ZipInfo(put_as, EPOCH)
            archive.writestr(info, folder.read(name), zipfile.ZIP_DEFLATED)
    return out.getvalue()


def _old_names(folder: JobFolder) -> frozenset[str]:
    """Names of files that were made before the last change."""
    return freshness(folder).old | old_patch_files(folder)


def _old(names: list[str]) -> TracerError:
    what = names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"
    were = "was" if len(names) == 1 else "were"
    return TracerError(
        "file-old",
        f"{what} {were} made before the last change and may not fit what is there now.",
        "Make it again, or say that the old one is wanted.",
    )


def _table(folder: JobFolder) -> dict[str, str]:
    """Id -> name, of regular files that are really inside the job."""
    home = folder.path
    found = [path for room in ROOMS for path in _own_files(home / room, deep=room in {CUT, PATCH})]
    names = [path.relative_to(home).as_posix() for path in found]
    return {
        hashlib.sha256(name.encode()).hexdigest()[:12]: name
        for name in names
        if _ending(name) in KINDS and name not in HIDDEN and name[0] != "."
    }


def _own_files(room: Path, *, deep: bool) -> Iterator[Path]:
    """Files of a folder; nothing is looked for behind a link, wherever it leads."""
    if room.is_symlink():
        return
    for path in sorted(room.glob("*")):
        if path.is_symlink():
            continue
        if path.is_file():
            yield path
        elif deep and path.is_dir():
            yield from _own_files(path, deep=True)


def _groups(folder: JobFolder, names: Iterable[str]) -> dict[str, str]:
    """Which machine and sheet each file is for, or what else it belongs to."""
    machines = sorted(machines_cut_for(folder), key=len, reverse=True)
    groups = {}
    for name in names:
        room, _, rest = name.partition("/")
        if room == CUT and rest:
            place = rest.rpartition("/")[0]
            key = next((m for m in machines if f"-{m}" in rest), "")
            groups[name] = f"{CUT}/{place or key}".rstrip("/")
        else:
            place = rest.partition("/")[0]
            groups[name] = f"{PATCH}/{place}" if room == PATCH and rest else room if rest else "job"
    return groups


def _ending(name: str) -> str:
    return "." + name.rpartition(".")[2].lower()
