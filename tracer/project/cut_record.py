"""``cut/MACHINE/*-cut.json``: what was cut with what, read back by later cuts and swaps.

A record that cannot be read is no loss: it is taken as absent.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass

from pydantic import TypeAdapter

from tracer.errors import TracerError
from tracer.model.placement import Placement
from tracer.project.refusals import Wrong, checked
from tracer.project.schema import read_versioned
from tracer.project.store import JobFolder
from tracer.ranges import JOB

__all__ = [
    "BESIDE_CUT",
    "CutPocket",
    "CutRecord",
    "CutWish",
    "cut_record",
    "cut_records",
    "with_source",
]

#: what lies with every cut in its machine's folder and goes with it
BESIDE_CUT = ("READ-FIRST.pdf", "files.json")

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
class CutWish:
    """What was asked of a cut, so that it can be made again."""

    material: str = "unknown"
    thickness_mm: float = 30.0
    depth_mm: float | None = None
    fit: str | None = None
    edge_mm: float = 30.0
    web_mm: float = 10.0
    paper: str = "a4"


@dataclass(frozen=True)
class CutRecord:
    """A cut: machine, files beside the record, pockets.

    ``made_from`` is the digest of what it was made from, empty in records of earlier versions.
    Of a lay cut as photographed also how it lies on its sheet: turned by ``turn_deg``, then moved
    so that ``origin_mm`` becomes the lower left corner of a sheet of ``size_mm``.
    """

    machine: str
    files: tuple[str, ...]
    pockets: tuple[CutPocket, ...]
    made_from: str = ""
    asked: CutWish | None = None
    thickness_mm: float | None = None
    origin_mm: tuple[float, float] | None = None
    size_mm: tuple[float, float] | None = None
    turn_deg: float = 0.0

    @property
    def motion(self) -> Placement:
        """From the lay's frame to the sheet's."""
        x, y = self.origin_mm or (0.0, 0.0)
        return Placement(-x, -y, math.radians(self.turn_deg))


_ADAPTER = TypeAdapter(CutRecord)
_NAMES: dict[type, str] = {CutRecord: "sheet", CutPocket: "cut", CutWish: "asked"}


def cut_record(data: bytes) -> CutRecord | None:
    """The record, or None where the bytes are none."""
    try:
        body = read_versioned(data, "", FORMAT, VERSION, {})
        found: CutRecord = checked(_ADAPTER, body, names=_NAMES, spans=JOB, longest=MOST_ENTRIES)
    except (TracerError, Wrong):
        return None
    return found


def with_source(data: bytes, made_from: str, asked: CutWish) -> bytes:
    """A record that also says what the cut was made from, and what was asked."""
    body = json.loads(data)
    body |= {"made_from": made_from, "asked": asdict(asked)}
    return (json.dumps(body, indent=1, ensure_ascii=False) + "\n").encode()


def cut_records(folder: JobFolder) -> list[CutRecord]:
    """Records of all cuts that a job holds, by name; none behind a link."""
    cut = folder.path / "cut"
    if cut.is_symlink():
        return []
    names = sorted(
        path.relative_to(folder.path).as_posix()
        for pattern in ("*-cut.json", "*/*-cut.json")  # all machines' side by side before
        for path in cut.glob(pattern)
        if not path.parent.is_symlink()
    )
    found = [cut_record(folder.read(name)) for name in names if folder.has(name)]
    return [record for record in found if record is not None]
