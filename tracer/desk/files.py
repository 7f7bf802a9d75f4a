"""The job's files for looking at and taking away, found in a table and never by a path."""

from __future__ import annotations

import hashlib
import io
import zipfile
from typing import Any

from tracer.desk.previews import PAGES_SHOWN, pdf_pages
from tracer.project.store import JobFolder

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
ROOMS = ("", "cut", "pictures")
HIDDEN = {"job.json", "silhouettes.json"}
EPOCH = (1980, 1, 1, 0, 0, 0)  # the same job gives the same archive


def file_records(folder: JobFolder) -> list[dict[str, Any]]:
    """What may be taken away: id, name, kind, size, and the pages of a PDF."""
    return [
        {
            "file": file_id,
            "name": name,
            "kind": KINDS[_ending(name)].partition(";")[0],
            "bytes": (folder.path / name).stat().st_size,
            "pages": min(pdf_pages(folder.read(name)), PAGES_SHOWN) if name.endswith(".pdf") else 0,
        }
        for file_id, name in _table(folder).items()
    ]


def file_bytes(folder: JobFolder, file_id: str) -> tuple[bytes, str, str]:
    """Bytes, media type and plain name of a file.

    Raises
    ------
    KeyError
        For an id that is not in the table.
    """
    name = _table(folder)[file_id]
    return folder.read(name), KINDS[_ending(name)], plain_name(name.rpartition("/")[2])


def plain_name(name: str) -> str:
    """A file name that a header can carry: other letters become hyphens."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "-_. ") else "-" for c in name)


def folder_zip(folder: JobFolder) -> bytes:
    """All files in one archive; the same files give the same bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in _table(folder).values():
            archive.writestr(zipfile.ZipInfo(name, EPOCH), folder.read(name), zipfile.ZIP_DEFLATED)
    return out.getvalue()


def _table(folder: JobFolder) -> dict[str, str]:
    """Id -> name, of regular files that are really inside the job."""
    home = folder.path
    names = []
    for room in ROOMS:
        if (home / room).is_symlink():  # nothing is looked for behind a link, wherever it leads
            continue
        for path in sorted((home / room).glob("*")):
            name = path.relative_to(home).as_posix()
            own = not path.is_symlink() and path.is_file()
            if own and _ending(name) in KINDS and name not in HIDDEN and name[0] != ".":
                names.append(name)
    return {hashlib.sha256(name.encode()).hexdigest()[:12]: name for name in names}


def _ending(name: str) -> str:
    return "." + name.rpartition(".")[2].lower()
