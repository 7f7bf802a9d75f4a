"""The foams a shop has, typed once and kept for every job, beside the printer's settings."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from tracer.atomic import write_atomically
from tracer.errors import TracerError
from tracer.loading import parse_json, read_file
from tracer.model.panel_plan import PanelPlan
from tracer.model.stack import Stock
from tracer.project.plan_file import plan_from_record, plan_record
from tracer.project.printer import settings_folder
from tracer.project.refusals import Wrong
from tracer.ranges import COUNTS, MOST_BYTES

__all__ = ["foam_from_record", "foam_record", "load_foams", "save_foams"]

_FILE = "foams.json"


def foam_record(foam: Stock) -> dict[str, Any]:
    """A foam as plain values, as in a plan."""
    record: dict[str, Any] = plan_record(PanelPlan(insert=foam))["insert"]
    return record


def foam_from_record(record: Any) -> Stock:
    """The foam of plain values.

    Raises
    ------
    Wrong
        The first value that is not right.
    """
    foam = plan_from_record({"insert": record}).insert
    if foam is None or not foam.colour.strip():
        raise Wrong("colour", "it has no name")
    return foam


def load_foams() -> tuple[Stock, ...]:
    """The shop's foams in the order they were typed; none where nobody has typed any.

    Raises
    ------
    TracerError
        ``foam-list-damaged``.
    """
    path = settings_folder() / _FILE

    def refuse(why: str) -> TracerError:
        return TracerError(
            "foam-list-damaged",
            f"The list of the shop's foams {path} cannot be read: {why}.",
            "Mend the file, or delete it and type the foams again.",
        )

    try:
        if not path.exists():
            return ()
    except OSError as error:
        raise refuse((error.strerror or "the folder cannot be looked into").lower()) from None
    most = MOST_BYTES["list of foams"]
    body = parse_json(read_file(path, most, refuse), refuse, most)
    foams = body.get("foams") if isinstance(body, dict) else None
    if not isinstance(foams, list):
        raise refuse("it is not a list of foams")
    if len(foams) not in COUNTS["foams of a shop"]:
        raise refuse(f"it holds {len(foams)} foams; {COUNTS['foams of a shop'].words} are taken")
    try:
        return tuple(foam_from_record(one) for one in foams)
    except Wrong as wrong:
        raise refuse(str(wrong)) from None


def save_foams(foams: Sequence[Stock]) -> None:
    """Keep the list."""
    listed = [foam_record(f) for f in foams]
    body = {"format": "tracer-foams", "version": 1, "foams": listed}
    text = json.dumps(body, indent=1, ensure_ascii=False) + "\n"
    write_atomically(settings_folder() / _FILE, text.encode())
