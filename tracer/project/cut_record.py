"""``cut/MACHINE/*-cut.json``: what was cut with what, read back by later cuts and swaps.

A record that cannot be read is no loss: it is taken as absent.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass
from typing import Any

from pydantic import TypeAdapter

from tracer.errors import TracerError
from tracer.model.placement import Placement
from tracer.project.refusals import Wrong, checked
from tracer.project.schema import read_versioned
from tracer.project.store import JobFolder
from tracer.ranges import JOB

__all__ = [
    "BESIDE_CUT",
    "CutCheck",
    "CutPocket",
    "CutRecord",
    "CutSheet",
    "CutWish",
    "cut_record",
    "cut_records",
    "dump_cut",
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
    ``widths_mm`` is the least and the largest gap that the wall leaves, ``area_mm2`` what it cuts.
    """

    id: str
    fit_mm: float
    depth_mm: float | None
    name: str = ""
    outline_revision: int = 0
    through: bool | None = None
    fit_probability: float | None = None
    widths_mm: tuple[float, float] | None = None
    area_mm2: float | None = None
    margin_mm: float | None = None
    wall: tuple[tuple[float, float], ...] | None = None


@dataclass(frozen=True)
class CutSheet:
    """One piece of foam and what its cut costs; seconds are a lower bound."""

    title: str
    size_mm: tuple[float, float]
    thickness_mm: float
    cut_length_mm: float
    plunges: int
    seconds_at_least: float


@dataclass(frozen=True)
class CutCheck:
    """A check that had something to say."""

    slug: str
    severity: str


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
    """A cut: machine, files beside the record, pockets, pieces of foam.

    ``made_from`` is the digest of what it was made from, empty in records of earlier versions.
    Of a panel its revision and the checks that were ``accepted``. Of a lay cut as photographed how
    it lies on its sheet: turned by ``turn_deg``, then moved so that ``origin_mm`` becomes the
    lower left corner of a sheet of ``size_mm``.
    """

    machine: str
    files: tuple[str, ...]
    pockets: tuple[CutPocket, ...]
    name: str = ""
    sheets: tuple[CutSheet, ...] = ()
    checks: tuple[CutCheck, ...] = ()
    accepted: tuple[str, ...] = ()
    panel_revision: int | None = None
    thickness_mm: float | None = None
    origin_mm: tuple[float, float] | None = None
    size_mm: tuple[float, float] | None = None
    turn_deg: float = 0.0
    made_from: str = ""
    asked: CutWish | None = None

    @property
    def motion(self) -> Placement:
        """From the lay's frame to the sheet's."""
        x, y = self.origin_mm or (0.0, 0.0)
        return Placement(-x, -y, math.radians(self.turn_deg))


_ADAPTER = TypeAdapter(CutRecord)
_NAMES: dict[type, str] = {
    CutRecord: "sheet",
    CutPocket: "cut",
    CutSheet: "piece",
    CutCheck: "check",
    CutWish: "asked",
}


def cut_record(data: bytes) -> CutRecord | None:
    """The record, or None where the bytes are none."""
    try:
        body = read_versioned(data, "", FORMAT, VERSION, {})
        found: CutRecord = checked(_ADAPTER, body, names=_NAMES, spans=JOB, longest=MOST_ENTRIES)
    except (TracerError, Wrong):
        return None
    return found


def dump_cut(record: CutRecord) -> bytes:
    """The record as a file; what is not known is left out."""
    body = {"format": FORMAT, "version": VERSION, "units": "mm"} | _told(record)
    return (json.dumps(body, indent=1, ensure_ascii=False) + "\n").encode()


def _told(record: CutRecord) -> dict[str, Any]:
    body = asdict(record)
    # without a depth a pocket goes right through: there None says something
    body["pockets"] = [
        {key: value for key, value in pocket.items() if value is not None or key == "depth_mm"}
        for pocket in body["pockets"]
    ]
    return {key: value for key, value in body.items() if value is not None}


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
