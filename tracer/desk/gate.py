"""Who may talk to the desk: this computer's own page, and phones that were invited.

A page on the internet can make a browser send requests to this computer. So: the Host header must
name this computer (no rebinding of foreign names), an Origin header must be ours, reading needs a
cookie that only a one-time key gives, and whatever changes something needs a token in a header,
which no foreign form or script can set.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Iterable
from dataclasses import dataclass, field
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["TOKEN_HEADER", "Gate", "Keys"]

TOKEN_HEADER = "x-desk-token"
MAX_WRONG = 12  # guesses of a phone's code, all together, before codes are no longer taken
POLICY = (
    "default-src 'self'; img-src 'self' blob: data:; object-src 'none'; base-uri 'none';"
    " form-action 'self'; frame-ancestors 'none'"
)
SAFE = {"GET", "HEAD"}

CLOSED_PAGE = """<!doctype html><html lang="en"><meta charset="utf-8">
<meta name="viewport" content="width=device-width"><title>Desk closed</title>
<link rel="stylesheet" href="/closed.css">
<main><h1>This desk is not open here</h1>
<p>Open it by the address that <code>tracer desk</code> printed. An address works once; start the
command again for a new one.</p>
<form action="/" method="get"><label for="key">Code shown on the desk</label>
<input id="key" name="key" inputmode="numeric" autocomplete="off" maxlength="64" required>
<button>Open</button></form></main></html>"""
CLOSED_STYLE = (
    "body{font:1.1rem/1.5 system-ui,sans-serif;background:#f1ede4;color:#26302b;margin:0}"
    "main{max-width:34rem;margin:12vh auto;padding:0 1.2rem}label{display:block}"
    "input,button{font:inherit;padding:.5rem .7rem;margin:.3rem .3rem 0 0}"
    "@media(prefers-color-scheme:dark){body{background:#1d211f;color:#e8e4da}}"
)


@dataclass
class Keys:
    """What opens the desk. Keys and codes work once; cookie and token last while it runs."""

    port: int = 0
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    session: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    once: set[str] = field(default_factory=set)
    wrong: int = 0

    @property
    def cookie(self) -> str:
        """Name of the cookie: cookies are not kept apart by port, so the name is."""
        return f"tracer-desk-{self.port}"

    def new_key(self) -> str:
        """A one-time key for an address that the command prints."""
        key = secrets.token_urlsafe(24)
        self.once.add(key)
        return key

    def new_code(self) -> str:
        """A one-time code short enough to type on a phone; replaces the one before."""
        self.once = {k for k in self.once if len(k) > 8}
        self.wrong = 0
        code = f"{secrets.randbelow(10**8):08d}"
        self.once.add(code)
        return code

    def opens(self, key: str) -> bool:
        """Take a key; each opens once."""
        for good in self.once:
            if (len(good) > 8 or self.wrong < MAX_WRONG) and hmac.compare_digest(
                good.encode(), key.encode()
            ):
                self.once.discard(good)
                return True
        self.wrong += 1
        return False


class Gate:
    """ASGI wrapper that turns away everybody else and seals every answer."""

    def __init__(self, app: ASGIApp, keys: Keys, hosts: Iterable[str]) -> None:
        self._app = app
        self._keys = keys
        self._hosts = set(hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check, then pass on."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        answer = self._refusal(scope)
        await (answer or self._app)(scope, receive, _sealed(send))

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        if not self._own_name(headers.get("host", "")):
            return _refused(421, "desk-foreign-host", "This address does not belong to the desk.")
        origin = headers.get("origin")
        if origin is not None and origin not in {f"http://{headers['host']}"}:
            return _refused(403, "desk-foreign-page", "Another page may not talk to the desk.")
        if headers.get("sec-fetch-site") in {"cross-site", "same-site"} and scope["path"] != "/":
            return _refused(403, "desk-foreign-page", "Another page may not talk to the desk.")
        if scope["path"] == "/closed.css":
            return Response(CLOSED_STYLE, media_type="text/css")
        keys = self._keys
        cookies = cookie_parser(headers.get("cookie", ""))
        known = hmac.compare_digest(cookies.get(keys.cookie, "").encode(), keys.session.encode())
        if scope["path"] == "/" and scope["method"] in SAFE:
            query = parse_qs(scope.get("query_string", b"").decode("latin-1"))
            if "key" in query:
                if not known and not keys.opens(query["key"][0]):
                    return HTMLResponse(CLOSED_PAGE, status_code=403)
                # the redirect takes the key out of the address bar and the history
                welcome = RedirectResponse("/", status_code=303)
                welcome.set_cookie(keys.cookie, keys.session, httponly=True, samesite="strict")
                return welcome
        if not known:
            return HTMLResponse(CLOSED_PAGE, status_code=403)
        if scope["method"] not in SAFE:
            token = headers.get(TOKEN_HEADER, "")
            if not hmac.compare_digest(token.encode(), keys.token.encode()):
                return _refused(403, "desk-no-token", "The request lacks the desk's token.")
        return None

    def _own_name(self, host: str) -> bool:
        name, _, port = host.rpartition(":")
        return name in self._hosts and port == str(self._keys.port)


def _refused(status: int, slug: str, sentence: str) -> Response:
    body = {"error": {"slug": slug, "sentence": sentence, "remedy": "Reload the page."}}
    return JSONResponse(body, status_code=status)


def _sealed(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            headers["content-security-policy"] = POLICY
            headers["x-content-type-options"] = "nosniff"
            headers["referrer-policy"] = "no-referrer"
            headers["cross-origin-opener-policy"] = "same-origin"
            headers["cross-origin-resource-policy"] = "same-origin"
            headers.setdefault("cache-control", "no-store")
        await send(message)

    return sending
