"""Examine a cutting file from anywhere."""

from __future__ import annotations

from pathlib import Path

from tracer.errors import TracerError
from tracer.export.dxf.read import read_dxf
from tracer.export.examine.file import Examined, examine
from tracer.export.reading.curves import ReadFile
from tracer.export.svg.read import read_svg
from tracer.loading import read_file
from tracer.ranges import MOST_BYTES

__all__ = ["check_file", "read_cutting_bytes", "read_cutting_file"]


def read_cutting_file(path: Path) -> ReadFile:
    """Read a DXF or SVG file, told apart by what is in it.

    Raises
    ------
    TracerError
        When it cannot be read, or is neither.
    """

    def refuse(why: str) -> TracerError:
        return TracerError(
            "cutting-file-missing",
            f"The file {path} cannot be read: {why}.",
            "Check its name and folder.",
        )

    return read_cutting_bytes(read_file(path, MOST_BYTES["drawing"], refuse), path.name)


def read_cutting_bytes(data: bytes, name: str) -> ReadFile:
    """Read the bytes of a DXF or SVG file; ``name`` is what a message calls it.

    Raises
    ------
    TracerError
        When it cannot be read, or is neither.
    """
    head = data[:4096].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if head.startswith(b"%pdf"):
        raise TracerError(
            "cutting-file-is-pdf",
            f"{name} is a PDF file; only DXF and SVG are examined.",
            "Export it as DXF or SVG.",
        )
    return read_svg(data) if head.startswith(b"<") else read_dxf(data)


def check_file(path: Path, *, square_mm: float = 100.0) -> Examined:
    """Examine a file; findings for everything a machine would trip over."""
    return examine(read_cutting_file(path), square_mm=square_mm)
