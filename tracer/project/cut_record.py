"""``cut/*-cut.json``: what was cut with what, read back by later cuts and swaps.

A record that cannot be read is no loss: it is taken as absent.
"""

from __future__ import annotations

from dataclasses import dataclass

from pydantic import TypeAdapter

from tracer.errors import TracerError
from tracer.project.refusals import Wrong, checked
from tracer.project.schema import read_versioned
from tracer.project.store import JobFolder
from tracer.ranges import JOB

__all__ = ["CutPocket", "CutRecord", "cut_record", "cut_records"]

FORMAT, VERSION = "tracer-cut", 1
MOST_ENTRIES = 20_000


@dataclass(frozen=True)
class CutPocket:
    """How a pocket was cut; without a depth: right through.

    ``wall`` is where it was asked for; older records have ``margin_mm``, added evenly, instead.
    """

    id: str
    fit_mm: float
    depth_mm: float | None
    margin_mm: float | None = None
    wall: tuple[tuple[float, float], ...] | None = None


@dataclass(frozen=True)
class CutRecord:
    """A cut: machine, files beside the record, pockets."""

    machine: str
    files: tuple[str, ...]
    pockets: tuple[CutPocket, ...]


_ADAPTER = TypeAdapter(CutRecord)
_NAMES: dict[type, str] = {CutRecord: "", CutPocket: "cut"}


def cut_record(data: bytes) -> CutRecord | None:
    """The record, or None where the bytes are none."""
    try:
        body = read_versioned(data, "", FORMAT, VERSION, {})
        found: CutRecord = checked(_ADAPTER, body, names=_NAMES, spans=JOB, longest=MOST_ENTRIES)
    except (TracerError, Wrong):
        return None
    return found


def cut_records(folder: JobFolder) -> list[CutRecord]:
    """Records of all cuts that a job holds, by name."""
    names = sorted(f"cut/{path.name}" for path in (folder.path / "cut").glob("*-cut.json"))
    found = [cut_record(folder.read(name)) for name in names if folder.has(name)]
    return [record for record in found if record is not None]
