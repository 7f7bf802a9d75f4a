"""Phone links: what a phone on the same network may do, and for how long.

A link belongs to one draft, the photos of a lay that is about to be traced. Through it photos can
be sent and their arrival seen, and nothing else: no job, no file, no edit. It is opened by an
invitation that works once, a long key in a QR picture or a short code to type, and ends when the
photos were traced, when it is revoked on the desk's page, after `LIFE_S`, or with the desk.
"""

from __future__ import annotations

import hmac
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from io import BytesIO
from threading import Lock
from typing import Any

import segno

from tracer.errors import TracerError

__all__ = ["LIFE_S", "Links", "PhoneLink", "qr_picture"]

LIFE_S = 30 * 60.0
MOST_OPEN = 8
REMEMBERED = 32  # ended links of which a phone is still told why they ended
CODE_DIGITS = 8


@dataclass
class PhoneLink:
    """One phone's way to one draft."""

    draft_id: str
    title: str
    ends_at: float
    link_id: str = field(default_factory=lambda: secrets.token_hex(6))
    key: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    code: str = field(default_factory=lambda: f"{secrets.randbelow(10**CODE_DIGITS):08d}")
    session: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    address: str = ""  # of the phone that took the invitation
    ended: str = ""  # "", "time", "revoked", "traced"
    advice: dict[str, dict[str, Any]] = field(default_factory=dict)  # on its photos, by digest


class Links:
    """All phone links of a desk. May be used from any thread."""

    def __init__(
        self,
        clock: Callable[[], float] = time.monotonic,
        changed: Callable[[], object] = lambda: None,
    ) -> None:
        self._clock = clock
        self._changed = changed
        self._links: dict[str, PhoneLink] = {}
        self._lock = Lock()

    def new(self, draft_id: str, title: str) -> PhoneLink:
        """A link that no phone has taken yet.

        Raises
        ------
        TracerError
            ``desk-too-many-phones``.
        """
        with self._lock:
            self._end_overdue()
            if sum(not link.ended for link in self._links.values()) >= MOST_OPEN:
                raise TracerError(
                    "desk-too-many-phones",
                    f"{MOST_OPEN} phone links are open; there are no more.",
                    "Revoke one that is not needed.",
                )
            link = PhoneLink(draft_id, title, self._clock() + LIFE_S)
            self._links[link.link_id] = link
            ended = [k for k, one in self._links.items() if one.ended]
            for key in ended[:-REMEMBERED]:
                del self._links[key]
        self._changed()
        return link

    def take(self, invitation: str, address: str) -> PhoneLink | None:
        """The link that a key or code opens, for the phone at this address; each opens once."""
        found = None
        with self._lock:
            self._end_overdue()
            for link in self._links.values():
                for good in (link.key, link.code):
                    right = hmac.compare_digest(good.encode(), invitation.encode())
                    if right and not link.address and not link.ended:
                        found = link
            if found is not None:
                found.address = address
        if found is not None:
            self._changed()
        return found

    def of_session(self, session: str) -> PhoneLink | None:
        """The link of a phone's cookie, also when it has ended."""
        with self._lock:
            self._end_overdue()
            found = None
            for link in self._links.values():
                same = hmac.compare_digest(link.session.encode(), session.encode())
                if same and link.address:
                    found = link
            return found

    def revoke(self, link_id: str) -> None:
        """End a link.

        Raises
        ------
        KeyError
            For an id that was never given out.
        """
        with self._lock:
            self._links[link_id].ended = self._links[link_id].ended or "revoked"
        self._changed()

    def end_draft(self, draft_id: str) -> None:
        """End the links to photos that were traced."""
        with self._lock:
            for link in self._links.values():
                if link.draft_id == draft_id:
                    link.ended = link.ended or "traced"
        self._changed()

    def left_s(self, link: PhoneLink) -> float:
        """Seconds for which the link stays open."""
        return 0.0 if link.ended else max(link.ends_at - self._clock(), 0.0)

    def records(self) -> list[dict[str, Any]]:
        """The open links, for the desk's page. Neither keys nor codes are among it."""
        with self._lock:
            self._end_overdue()
            return [
                {
                    "link": link.link_id,
                    "draft": link.draft_id,
                    "title": link.title,
                    "address": link.address,
                    "ends_in_s": round(self.left_s(link)),
                }
                for link in self._links.values()
                if not link.ended
            ]

    def _end_overdue(self) -> None:
        for link in self._links.values():
            if not link.ended and self._clock() >= link.ends_at:
                link.ended = "time"


def qr_picture(text: str) -> str:
    """SVG of a text as a QR code (ISO/IEC 18004)."""
    out = BytesIO()
    segno.make(text, error="m").save(out, kind="svg", xmldecl=False, border=4)
    return out.getvalue().decode()
