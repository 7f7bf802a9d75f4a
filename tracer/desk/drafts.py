"""Photos that came in and are not traced yet: dropped onto the page, or sent by a phone."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any

from tracer.errors import TracerError
from tracer.photos import MAX_FILE_BYTES

__all__ = ["Draft", "DraftPhoto", "no_room"]

MAX_DRAFT_BYTES = 2_000_000_000
MAX_DRAFT_PHOTOS = 40
FIRST_SENT = 100  # numbers below are the page's own, those from here on are given to phones' photos


@dataclass(frozen=True)
class DraftPhoto:
    """A photo that is there wholly."""

    name: str
    size: int
    digest: str
    link_id: str = ""  # of the phone link it came through


@dataclass
class Draft:
    """Photos kept in a temporary folder until they are traced."""

    folder: Path
    photos: dict[int, DraftPhoto] = field(default_factory=dict)
    title: str = ""  # the job they are meant for, where that is known
    of_panel: bool = False  # photos of a finished panel, and not of tools to be traced
    traced_now: Callable[[], bool] = lambda: False
    _sent: Any = field(default_factory=lambda: count(FIRST_SENT), repr=False)

    @property
    def draft_id(self) -> str:
        """Id in addresses."""
        return self.folder.name

    def file(self, number: int) -> Path:
        """Where a photo lies."""
        return self.folder / f"{number:03d}"

    def part_file(self) -> Path:
        """Where a photo is put while it comes in; no two share one."""
        return self.folder / f"{secrets.token_hex(8)}.part"

    def next_sent(self) -> int:
        """A number for a phone's photo."""
        return int(next(self._sent))

    def number_of(self, digest: str) -> int | None:
        """The photo with this content, if it is here: a phone may send it twice."""
        return next((n for n, p in self.photos.items() if p.digest == digest), None)

    def keep(self, number: int, photo: DraftPhoto, part: Path) -> None:
        """Take a photo that came in wholly."""
        part.replace(self.file(number))
        self.photos[number] = photo

    def remove(self, number: int) -> None:
        """Forget a photo."""
        if self.photos.pop(number, None) is not None:
            self.file(number).unlink(missing_ok=True)

    def make_room(self, number: int, size: int) -> None:
        """Refuse what is too much.

        Raises
        ------
        TracerError
            ``photo-too-large``, ``desk-too-many-photos``, ``desk-photos-in-use``.
        """
        if size > MAX_FILE_BYTES:
            raise TracerError(
                "photo-too-large",
                f"The photo has {size / 1e6:.0f} MB; {MAX_FILE_BYTES / 1e6:.0f} MB are read.",
                "Save it as a JPEG.",
            )
        others = [p.size for n, p in self.photos.items() if n != number]
        if (
            sum(others) + size > MAX_DRAFT_BYTES
            or len(others) >= MAX_DRAFT_PHOTOS
            or (number >= MAX_DRAFT_PHOTOS and number < FIRST_SENT)
        ):
            raise no_room()
        if self.traced_now():
            raise TracerError(
                "desk-photos-in-use",
                "The photos are being traced; none can be added or taken out now.",
                "Wait for the run to end, or stop it on the desk.",
            )

    def records(self) -> list[dict[str, Any]]:
        """For pages."""
        return [
            {"number": n, "name": p.name, "bytes": p.size, "link": p.link_id}
            for n, p in sorted(self.photos.items())
        ]


def no_room() -> TracerError:
    """More photos than are taken at a time."""
    return TracerError(
        "desk-too-many-photos",
        f"At most {MAX_DRAFT_PHOTOS} photos with {MAX_DRAFT_BYTES / 1e9:.0f} GB are taken.",
        "Trace fewer photos at a time.",
    )
