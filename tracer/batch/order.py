"""What is asked of one lay, and what came of it: plain values that travel as JSON."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from enum import StrEnum
from typing import Any

__all__ = ["LayOrder", "LayRow", "State", "order_from_record", "row_from_record", "row_record"]


class State(StrEnum):
    """How far a lay is."""

    WAITING = "waiting"
    DONE = "done"
    KEPT = "kept"  #: done by an earlier run from the same inputs
    FAILED = "failed"


@dataclass(frozen=True, kw_only=True)
class LayOrder:
    """One lay to trace, and if a plan is named to arrange and cut.

    Addresses are paths, or those of a remote store (``s3://...``). Lengths are texts as a person
    types them (`tracer.lengths`), so that what is wrong with them is told per lay.

    Attributes
    ----------
    name
        Name of the job folder.
    photos
        Addresses of the lay's photos, 1 to 8.
    tools
        Address of a tool list; None: none.
    encoding
        What the tool list is in, where its letters do not tell.
    plan
        Address of a panel plan; None: the lay is traced only.
    machine
        Name of a machine profile or address of one; None: no cutting files.
    """

    name: str
    photos: tuple[str, ...]
    tools: str | None = None
    encoding: str | None = None
    card_size: str | None = None
    height: str | None = None
    camera_height: str | None = None
    plan: str | None = None
    machine: str | None = None
    material: str | None = None
    thickness: str | None = None


@dataclass(frozen=True, kw_only=True)
class LayRow:
    """One row of the table of results.

    Attributes
    ----------
    findings, failed_checks
        Warnings and failed checks of all stages; failed checks alone.
    worst_sigma_mm
        Largest stated standard deviation of the lay's outlines; None without outlines.
    files
        Number of files in the job folder that the run wrote.
    seconds
        Wall-clock time of the lay.
    memory_mb
        Peak resident memory of the process that did it, in units of 1e6 bytes.
    sentence
        Why it failed, or the first failed check.
    digest
        Of all inputs and the program's version: equal digests, equal results.
    pictures
        Pictures of the result, relative to the job folder.
    """

    name: str
    state: State
    tools: int = 0
    findings: int = 0
    failed_checks: int = 0
    worst_sigma_mm: float | None = None
    files: int = 0
    seconds: float = 0.0
    memory_mb: float = 0.0
    sentence: str = ""
    slug: str = ""
    digest: str = ""
    pictures: tuple[str, ...] = ()


def order_from_record(record: dict[str, Any]) -> LayOrder:
    """The order of a JSON object that `dataclasses.asdict` gave."""
    return LayOrder(**{**record, "photos": tuple(record["photos"])})


def row_record(row: LayRow) -> dict[str, Any]:
    """The row as a JSON object."""
    return asdict(row)


def row_from_record(record: Any) -> LayRow:
    """The row of a JSON object.

    Raises
    ------
    ValueError
        When it is none.
    """
    known = {f.name for f in fields(LayRow)}
    if not isinstance(record, dict) or not {"name", "state"} <= set(record) <= known:
        raise ValueError("not a row of results")
    try:
        return LayRow(
            **{
                **record,
                "state": State(record["state"]),
                "pictures": tuple(str(p) for p in record.get("pictures", ())),
            }
        )
    except TypeError as error:
        raise ValueError(str(error)) from None
