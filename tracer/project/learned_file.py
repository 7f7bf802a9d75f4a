"""``inspection/learned.json``: colours of a panel's floors, from a photo of the empty panel."""

from __future__ import annotations

import json
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from tracer.errors import TracerError
from tracer.loading import parse_json
from tracer.ranges import MOST_BYTES

__all__ = ["dump_learned", "load_learned"]

FORMAT, VERSION = "tracer-learned", 1
RGB = tuple[int, int, int]


def dump_learned(floors: Mapping[RGB, NDArray[np.float64]], photo: str) -> bytes:
    """JSON bytes: typed colour of each floor, and its light over the face's, linear."""
    body = {
        "format": FORMAT,
        "version": VERSION,
        "photo": photo,
        "floors": [
            {"typed": list(rgb), "over_face": [round(float(v), 4) for v in over]}
            for rgb, over in sorted(floors.items())
        ],
    }
    return (json.dumps(body, indent=1, ensure_ascii=False) + "\n").encode()


def load_learned(data: bytes, name: str) -> dict[RGB, NDArray[np.float64]]:
    """Read it back.

    Raises
    ------
    TracerError
        ``job-damaged``, ``job-newer``.
    """

    def refuse(why: str) -> TracerError:
        return TracerError(
            "job-damaged",
            f"{name} cannot be read: {why}.",
            "Delete it, or photograph the empty panel again and have it learned.",
        )

    body = parse_json(data, refuse, MOST_BYTES["file of a job"])
    if not isinstance(body, dict) or body.get("format") != FORMAT:
        raise refuse("it is not what was learned")
    if body.get("version") != VERSION:
        raise TracerError(
            "job-newer",
            f"{name} was written by a newer version of tracer.",
            "Update tracer.",
        )
    floors: dict[RGB, NDArray[np.float64]] = {}
    try:
        for row in body["floors"]:
            red, green, blue = (int(v) for v in row["typed"])
            over = np.array([float(v) for v in row["over_face"]], np.float64)
            if over.shape != (3,) or not (np.isfinite(over).all() and (over > 0).all()):
                raise refuse("a colour is no colour")
            floors[red, green, blue] = over
    except (KeyError, TypeError, ValueError):
        raise refuse("a floor's row is incomplete") from None
    return floors
