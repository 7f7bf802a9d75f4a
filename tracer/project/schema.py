"""``job.json``: what a job remembers besides its outlines, with a version.

Older versions are brought up to date by `MIGRATIONS`; a newer one is refused, since writing it
back would lose what this version does not know.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from pydantic import ConfigDict, TypeAdapter

from tracer.errors import TracerError
from tracer.loading import parse_json
from tracer.model.card import CardSizes
from tracer.model.corrections import Corrections, Stroke
from tracer.model.lay_settings import LaySettings, Separation
from tracer.model.outline import EdgeModel
from tracer.model.reading import EdgeReading
from tracer.project.corrections_file import set_aside
from tracer.project.folder_name import is_inside
from tracer.project.refusals import Wrong, checked
from tracer.ranges import JOB, MOST_BYTES, shown

__all__ = [
    "FORMAT",
    "VERSION",
    "JobRecord",
    "KeptOutline",
    "LayRecord",
    "PhotoRecord",
    "dump_job",
    "load_job",
]

FORMAT = "tracer-job"
VERSION = 1
#: from version -> function that gives the next version's raw object
MIGRATIONS: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {}


@dataclass(frozen=True)
class PhotoRecord:
    """A photo of the job: its copy, the name it came with, its content's hash.

    ``unusable`` keeps corrections that cannot be read (`tracer.project.corrections_file`).
    ``added`` is 0 for the photos that a lay began with, and counts up with each time that more
    were added: a photo that came later may not make worse what was known before it.
    """

    __pydantic_config__ = ConfigDict(extra="forbid")

    file: str
    name: str
    photo_id: str
    corrections: Corrections = field(default_factory=Corrections)
    #: no input of a run, so that it does not make a lay look changed
    unusable: tuple[dict[str, Any], ...] = field(default=(), repr=False)
    added: int = field(default=0, repr=False)


@dataclass(frozen=True)
class LayRecord:
    """One lay: tools that were photographed together. Settings as typed, None where not."""

    __pydantic_config__ = ConfigDict(extra="forbid")

    photos: tuple[PhotoRecord, ...]
    card_size_mm: tuple[float, float] | None = None
    card_sizes_mm: dict[int, tuple[float, float]] = field(default_factory=dict)
    mat_mm: tuple[float, float] | None = None
    camera_height_mm: float | None = None
    default_height_mm: float | None = None
    edge: str | None = None
    keep_cables: bool = False
    silhouettes: str = "auto"
    #: digest of the inputs that the lay's outlines were made from; another means: run it again
    traced: str = ""
    #: points of the tool list that a run wrote itself, for tools it had found without them: a name
    #: typed beside one says nothing about where a tool lies
    own_points: tuple[tuple[float, float], ...] = field(default=(), repr=False)
    #: an input of a run only where it is typed: jobs from before it look as they did
    card_thickness_mm: float | None = field(default=None, repr=False)
    #: gaps read on the paper template, by outline id: an input of a run where there are any
    readings: dict[str, tuple[EdgeReading, ...]] = field(default_factory=dict, repr=False)
    #: what was proved of the phone when the lay was first traced; an input where it is not 0
    edge_shift_mm: float | None = field(default=None, repr=False)

    #: the one photo is a flatbed scan; an input where it is
    scan: bool = field(default=False, repr=False)

    @property
    def settings(self) -> LaySettings:
        """The lay's settings as one value; cables and separation as they are by default."""
        return LaySettings(
            card_sizes=CardSizes(self.card_size_mm, self.card_sizes_mm, self.card_thickness_mm),
            mat_mm=self.mat_mm,
            camera_height_mm=self.camera_height_mm,
            default_height_mm=self.default_height_mm,
            edge=EdgeModel(self.edge) if self.edge else None,
            keep_cables=self.keep_cables,
            separation=Separation(self.silhouettes),
            edge_shift_mm=self.edge_shift_mm,
            scan=self.scan,
        )

    def with_settings(self, typed: LaySettings) -> LayRecord:
        """The lay with what was typed; the rest as it is remembered."""
        now = typed.over(self.settings)
        return replace(
            self,
            card_size_mm=now.card_sizes.common_mm,
            card_sizes_mm=dict(now.card_sizes.own_mm),
            card_thickness_mm=now.card_sizes.thickness_mm,
            mat_mm=now.mat_mm,
            camera_height_mm=now.camera_height_mm,
            default_height_mm=now.default_height_mm,
            edge=now.edge.value if now.edge else None,
            keep_cables=bool(now.keep_cables),
            silhouettes=(now.separation or Separation.AUTO).value,
            edge_shift_mm=now.edge_shift_mm,
            scan=bool(now.scan),
        )

    #: the outlines are up to date; drawings and pictures of them are still to be made
    drawings_due: bool = field(default=False, repr=False)


@dataclass(frozen=True)
class KeptOutline:
    """An outline that did not come from its lay's photos: swapped in, added, or taken out.

    A run over the lay leaves it alone. ``before`` is the file in ``history/`` whose outline of the
    same id the lay's photos show (empty for an added tool); ``removed``: there is no tool any more.
    """

    __pydantic_config__ = ConfigDict(extra="forbid")

    photos: tuple[PhotoRecord, ...] = ()
    before: str = ""
    removed: bool = False


@dataclass(frozen=True)
class JobRecord:
    """The whole record. ``kept`` goes by outline id.

    ``accepted`` says by tool or place which findings a person has looked at and let stand; of a
    tool they hold for the revision of its outline that was looked at (``edge-faint@2``).
    """

    __pydantic_config__ = ConfigDict(extra="forbid")

    lays: tuple[LayRecord, ...]
    kept: dict[str, KeptOutline] = field(default_factory=dict)
    next_outline: int = 1
    revision: int = 1
    tracer_version: str = ""
    changes: tuple[dict[str, Any], ...] = ()
    accepted: dict[str, tuple[str, ...]] = field(default_factory=dict)


_ADAPTER = TypeAdapter(JobRecord)
#: the record's parts, as the table of ranges calls them
_NAMES: dict[type, str] = {
    JobRecord: "job",
    LayRecord: "lay",
    PhotoRecord: "photo",
    KeptOutline: "kept",
    Corrections: "corrections",
    Stroke: "stroke",
    EdgeReading: "reading",
}
#: points of one brush stroke, changes of one job
MOST_ENTRIES = 20_000


def dump_job(record: JobRecord) -> bytes:
    """JSON bytes, keys in the order of the types, always the same for the same record."""
    body = {"format": FORMAT, "version": VERSION, **_ADAPTER.dump_python(record, mode="json")}
    return (json.dumps(body, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def load_job(data: bytes, name: str) -> JobRecord:
    """Read ``job.json``.

    Raises
    ------
    TracerError
        ``job-damaged``, ``job-newer``.
    """
    body = read_versioned(data, name, FORMAT, VERSION, MIGRATIONS)
    try:
        _set_aside_all(body)
        record: JobRecord = checked(_ADAPTER, body, names=_NAMES, spans=JOB, longest=MOST_ENTRIES)
        _refuse_outside(record)
        _refuse_unknown_words(record)
    except Wrong as wrong:
        raise _damaged(name, str(wrong)) from None
    return record


def _refuse_outside(record: JobRecord) -> None:
    """Stop at a file name that leads out of the job's folder: it would be read, and written to."""
    named = [
        (f"lays {n}, photos {k}, file", photo.file)
        for n, lay in enumerate(record.lays, start=1)
        for k, photo in enumerate(lay.photos, start=1)
    ]
    seen: dict[str, str] = {}
    for place, file in named:
        if file in seen:  # each would be traced again, and written over
            raise Wrong(place, f"{shown(file)} stands at {seen[file]} already")
        seen[file] = place
    for key, kept in record.kept.items():
        named += [(f"kept {key}, photos, file", photo.file) for photo in kept.photos]
        named += [(f"kept {key}, before", kept.before)] if kept.before else []
    for place, file in named:
        if not is_inside(file):
            raise Wrong(place, f"{shown(file)} is no file of the job's folder")


def _refuse_unknown_words(record: JobRecord) -> None:
    """Stop at an edge model or a separation that there is not."""
    for number, lay in enumerate(record.lays, start=1):
        for key, kinds, word in (
            ("edge", EdgeModel, lay.edge or None),
            ("silhouettes", Separation, lay.silhouettes),
        ):
            known: list[str] = [kind.value for kind in kinds]
            if word is not None and word not in known:
                raise Wrong(
                    f"lays {number}, {key}",
                    f"{shown(word)} was read, it is one of {', '.join(known)}",
                )


def _set_aside_all(body: dict[str, Any]) -> None:
    """Move unusable corrections of all photos aside, in place; other faults are left to be told."""
    lays, kept = body.get("lays"), body.get("kept")
    holders: list[Any] = [*lays] if isinstance(lays, list) else []
    holders += kept.values() if isinstance(kept, dict) else []
    for holder in holders:
        photos = holder.get("photos") if isinstance(holder, dict) else None
        if isinstance(photos, list):
            holder["photos"] = [set_aside(p) if isinstance(p, dict) else p for p in photos]


def read_versioned(
    data: bytes,
    name: str,
    expected_format: str,
    newest: int,
    migrations: dict[int, Callable[[dict[str, Any]], dict[str, Any]]],
) -> dict[str, Any]:
    """Parse a versioned JSON object and bring it up to date; format and version are taken off."""
    body = parse_json(data, lambda why: _damaged(name, why), MOST_BYTES["file of a job"])
    if not isinstance(body, dict) or body.get("format") != expected_format:
        raise _damaged(name, f"it is not a {expected_format} file")
    version = body.get("version")
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise _damaged(name, f"version: {shown(version)} was read, it takes a whole number from 1")
    if version > newest:
        raise TracerError(
            "job-newer",
            f"{name} was written by a newer tracer (version {version} of the file; this one reads"
            f" up to {newest}).",
            "Update tracer.",
        )
    while version < newest:
        body = migrations[version](body)
        version += 1
    return {k: v for k, v in body.items() if k not in ("format", "version")}


def _damaged(name: str, why: str) -> TracerError:
    return TracerError(
        "job-damaged",
        f"{name} cannot be read: {why}.",
        "Restore it from a copy, or trace the photos again into a new job.",
    )
