"""How the shop's phones measured things of known size, kept beside the printer's settings.

A phone is known by a digest of what its photos say of their camera; its name is kept nowhere.
"""

from __future__ import annotations

import json
from collections.abc import Mapping

from tracer.atomic import write_atomically
from tracer.errors import TracerError
from tracer.loading import parse_json, read_file
from tracer.project.printer import settings_folder
from tracer.ranges import JOB, MOST_BYTES, shown

__all__ = ["Phones", "load_phones", "save_phones"]

_FILE = "phones.json"
MOST_PHOTOS = 500

#: camera -> photo -> by how much each size's edge stood outside of where it is, mm
Phones = dict[str, dict[str, tuple[float, ...]]]


def load_phones() -> Phones:
    """What is kept; empty where nothing was tried yet.

    Raises
    ------
    TracerError
        ``phone-settings-damaged``.
    """
    path = settings_folder() / _FILE

    def refuse(why: str) -> TracerError:
        return TracerError(
            "phone-settings-damaged",
            f"The phones' settings {path} cannot be read: {why}.",
            "Delete the file and make a trial again.",
        )

    try:
        if not path.exists():
            return {}
    except OSError as error:
        raise refuse((error.strerror or "the folder cannot be looked into").lower()) from None
    most = MOST_BYTES["phones' settings"]
    body = parse_json(read_file(path, most, refuse), refuse, most)
    phones = body.get("phones") if isinstance(body, dict) else None
    if not isinstance(phones, dict):
        raise refuse("it is not what phones measured")
    span = JOB["phone.edge_mm"]
    found: Phones = {}
    for camera, photos in phones.items():
        if not isinstance(photos, dict) or not all(isinstance(v, list) for v in photos.values()):
            raise refuse(f"camera {shown(camera)} has no photos")
        for value in (v for values in photos.values() for v in values):
            if value not in span:
                raise refuse(f"edge_mm: {shown(value)} was read, it takes {span.words}")
        found[camera] = {k: tuple(float(v) for v in values) for k, values in photos.items()}
    return found


def save_phones(phones: Mapping[str, Mapping[str, tuple[float, ...]]]) -> None:
    """Keep what phones measured; of very many photos the last."""
    kept = {
        camera: {k: [round(v, 4) for v in values] for k, values in [*photos.items()][-MOST_PHOTOS:]}
        for camera, photos in phones.items()
    }
    body = {"format": "tracer-phones", "version": 1, "phones": kept}
    write_atomically(settings_folder() / _FILE, (json.dumps(body, indent=1) + "\n").encode())
