"""Photos of panels from files, one after the other."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from tracer.errors import TracerError
from tracer.model.photo import Photo
from tracer.photos import decode_photo, printable_name, read_photo_bytes

__all__ = ["MOST_PHOTOS", "read_panel_photos"]

MOST_PHOTOS = 50


def read_panel_photos(paths: Sequence[Path]) -> list[Photo]:
    """Decoded photos, in order.

    Raises
    ------
    TracerError
        ``too-many-photos``, and as `tracer.photos`.
    """
    if len(paths) > MOST_PHOTOS:
        raise TracerError(
            "too-many-photos",
            f"{len(paths)} photos were given; at most {MOST_PHOTOS} are looked at in one go.",
            "Inspect them in several runs.",
        )
    return [decode_photo(read_photo_bytes(path), printable_name(path.name)) for path in paths]
