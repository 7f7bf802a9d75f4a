"""``trial.json``: what a trial in foam was made for, and what was read on it."""

from __future__ import annotations

import json

from pydantic import TypeAdapter

from tracer.errors import TracerError
from tracer.model.trial import TRIED_FITS, Trial
from tracer.project.refusals import Wrong, checked
from tracer.project.schema import read_versioned
from tracer.ranges import JOB, shown

__all__ = ["TRIAL_NAME", "dump_trial", "load_trial"]

FORMAT, VERSION = "tracer-trial", 1
TRIAL_NAME = "trial.json"

_ADAPTER = TypeAdapter(Trial)
_NAMES: dict[type, str] = {Trial: "trial"}


def dump_trial(trial: Trial) -> bytes:
    """JSON bytes."""
    body = {"format": FORMAT, "version": VERSION, **_ADAPTER.dump_python(trial, mode="json")}
    return (json.dumps(body, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def load_trial(data: bytes, name: str) -> Trial:
    """Read ``trial.json``.

    Raises
    ------
    TracerError
        ``trial-damaged``; ``job-newer`` for a later version's.
    """
    try:
        body = read_versioned(data, name, FORMAT, VERSION, {})
        trial: Trial = checked(_ADAPTER, body, names=_NAMES, spans=JOB)
        for key in trial.read_mm:
            if key not in {f.value for f in TRIED_FITS}:
                raise Wrong("read_mm", f"there is no pocket {shown(key)}")
    except (Wrong, TracerError) as wrong:
        if isinstance(wrong, TracerError) and wrong.slug != "job-damaged":
            raise
        why = str(wrong) if isinstance(wrong, Wrong) else "it is not the file of a trial"
        raise TracerError(
            "trial-damaged",
            f"{name} cannot be read: {why}.",
            "Delete it and make the trial's sheet again; type what was read once more.",
        ) from None
    return trial
