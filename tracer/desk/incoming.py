"""Photos on their way in: within limits, whole, looked at before they count."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from pathlib import Path

from anyio.to_thread import run_sync
from starlette.requests import Request

from tracer.desk.bodies import save_upload
from tracer.desk.drafts import Draft, DraftPhoto
from tracer.desk.jobs import Desk
from tracer.photos import MAX_FILE_BYTES, decode_photo, printable_name

__all__ = ["Incoming"]

AT_ONCE = 2  # decoding 48 megapixels takes 0.2 GB each
TOLD_S = 0.3


class Incoming:
    """Takes photos into drafts and tells the open pages how far they are."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self.decoding = asyncio.Semaphore(AT_ONCE)

    async def take(
        self,
        request: Request,
        draft: Draft,
        number: int | None,
        link_id: str = "",
        still_open: Callable[[], None] = lambda: None,
    ) -> DraftPhoto:
        """Take a request's body as a photo, in the place of this number or, for None, a new one.

        Nothing is kept of what is too much, broken off or no photo, nor where ``still_open``
        raises once all of it is here.

        Raises
        ------
        TracerError
            As `Draft.make_room` and `decode_photo`.
        TooLarge
            Where the body is longer than it said.
        """
        place = draft.next_sent() if number is None else number
        stated = request.headers.get("content-length", "0")
        size = int(stated) if stated.isdecimal() else 0
        draft.make_room(place, size)
        given = Path(request.query_params.get("name", "photo")).name[:200]
        name = printable_name(given).strip() or "photo"
        last = 0.0

        def told(came: int) -> None:
            nonlocal last
            now = time.monotonic()
            if size and now - last > TOLD_S:
                last = now
                part = min(came / size, 1.0)
                self._desk.hub.publish(
                    "upload", draft=draft.draft_id, link=link_id, name=name, part=round(part, 3)
                )

        part_file = draft.part_file()
        try:
            size, digest = await save_upload(request, part_file, MAX_FILE_BYTES, told)
            photo = DraftPhoto(name, size, digest, link_id)
            if number is None and draft.number_of(digest) is not None:
                return photo  # sent twice, as after a lost answer
            async with self.decoding:  # a file that is no photo is refused where it was given
                await run_sync(lambda: decode_photo(part_file.read_bytes(), name))
            still_open()
            draft.make_room(place, size)
            if draft.draft_id not in self._desk.drafts:  # traced and gone meanwhile
                raise KeyError(draft.draft_id)
            draft.keep(place, photo, part_file)
        finally:
            part_file.unlink(missing_ok=True)
        self.tell(draft)
        return photo

    def tell(self, draft: Draft) -> None:
        """Tell every page what is there."""
        self._desk.hub.publish("draft", draft=draft.draft_id, photos=draft.records())
