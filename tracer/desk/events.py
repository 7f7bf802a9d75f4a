"""News for every open page: numbered events, resumed after a lost connection."""

from __future__ import annotations

import asyncio
import json
from collections import deque
from collections.abc import AsyncIterator
from typing import Any

__all__ = ["EventHub"]

KEPT = 256  # events a page may miss and still catch up without loading everything again
QUIET_S = 10.0  # a comment this often keeps the connection open and finds out dead ones


class EventHub:
    """Fans events out to the open pages. ``publish`` may be called from any thread."""

    def __init__(self) -> None:
        self._loop: asyncio.AbstractEventLoop | None = None
        self._queues: set[asyncio.Queue[tuple[int, str] | None]] = set()
        self._kept: deque[tuple[int, str]] = deque(maxlen=KEPT)
        self._number = 0

    def attach(self, loop: asyncio.AbstractEventLoop) -> None:
        """Deliver in this loop from now on."""
        self._loop = loop

    def publish(self, kind: str, **body: Any) -> None:
        """Send an event to every page."""
        text = json.dumps({"kind": kind, **body}, allow_nan=False)
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._deliver, text)

    def close(self) -> None:
        """End every stream, so that the server can stop."""
        for queue in self._queues:
            queue.put_nowait(None)

    def _deliver(self, text: str) -> None:
        self._number += 1
        self._kept.append((self._number, text))
        for queue in self._queues:
            if queue.qsize() < KEPT:
                queue.put_nowait((self._number, text))
            elif queue.qsize() == KEPT:  # nobody reads it: the page starts anew where it left off
                queue.put_nowait(None)

    async def stream(self, last_seen: int | None) -> AsyncIterator[bytes]:
        """Server-sent events (WHATWG HTML, section 9.2) after the one that was seen last."""
        queue: asyncio.Queue[tuple[int, str] | None] = asyncio.Queue()
        self._queues.add(queue)
        try:
            missed = [e for e in self._kept if last_seen is not None and e[0] > last_seen]
            yield b"retry: 1000\n\n"
            for event in missed:
                yield _frame(event)
            while True:
                try:
                    item = await asyncio.wait_for(queue.get(), QUIET_S)
                except TimeoutError:
                    yield b": still here\n\n"
                    continue
                if item is None:
                    return
                yield _frame(item)
        finally:
            self._queues.discard(queue)


def _frame(event: tuple[int, str]) -> bytes:
    return f"id: {event[0]}\ndata: {event[1]}\n\n".encode()
