"""Connections that dawdle are ended.

The server has a limit for a connection that says nothing between two requests, and none for one
that trickles: a header sent letter by letter, or a body that never comes, would hold a place for
ever. Both get a stated time here, below every route, so that it holds for refused requests too.
"""

from __future__ import annotations

import asyncio
from typing import Any, ClassVar

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

__all__ = ["HEADER_S", "LEAST_BYTES_S", "DeadlineProtocol"]

HEADER_S = 10.0  # for a request's header, and for the first one after connecting
BODY_S = 20.0  # for a body, plus what its bytes take at the least pace
LEAST_BYTES_S = 20_000  # slower than any wireless network that carries a photo
_LATE = (
    b"HTTP/1.1 408 Request Timeout\r\nconnection: close\r\n"
    b"content-type: text/plain; charset=utf-8\r\ncontent-length: 27\r\n\r\n"
    b"The request came too late.\n"
)


class DeadlineProtocol(H11Protocol):
    """HTTP/1.1 with deadlines for header and body."""

    header_s: ClassVar[float] = HEADER_S
    body_s: ClassVar[float] = BODY_S
    least_bytes_s: ClassVar[float] = LEAST_BYTES_S

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._deadline: asyncio.TimerHandle | None = None
        self._awaited: object = None
        self._since = 0.0
        self._came = 0

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Wait for a header from now on."""
        super().connection_made(transport)
        self._watch()

    def data_received(self, data: bytes) -> None:
        """Take bytes, and see what is awaited next."""
        self._came += len(data)
        super().data_received(data)
        self._watch()

    def on_response_complete(self) -> None:
        """A body that the answer did not wait for is still awaited."""
        super().on_response_complete()
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """Nothing is awaited any more."""
        self._forget()
        super().connection_lost(exc)

    def _watch(self) -> None:
        """Start, go on with or end the deadline, by what is awaited of the other side."""
        state = self.conn.their_state
        if state not in (h11.IDLE, h11.SEND_BODY) or self.transport.is_closing():
            self._forget()
            return
        # between two requests the server's own limit holds, until the first byte of a new one
        if state is h11.IDLE and self.timeout_keep_alive_task is not None:
            self._forget()
            return
        awaited = (state, self.cycle)
        if awaited != self._awaited:
            self._forget()
            self._awaited, self._since, self._came = awaited, self.loop.time(), 0
            self._at(self.header_s if state is h11.IDLE else self.body_s)

    def _at(self, wait_s: float) -> None:
        self._deadline = self.loop.call_later(wait_s, self._too_late)

    def _forget(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
        self._deadline, self._awaited = None, None

    def _too_late(self) -> None:
        if self.transport.is_closing():
            return
        if self.conn.their_state is h11.SEND_BODY:
            owed = self._since + self.body_s + self._came / self.least_bytes_s - self.loop.time()
            if owed > 0.01:  # it came at a fair pace so far
                self._at(owed)
                return
        elif self.conn.our_state is h11.IDLE:  # a header did not come: there is nothing to answer
            self.transport.write(_LATE)
        self.transport.close()
