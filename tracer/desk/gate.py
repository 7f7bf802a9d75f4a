"""Who may talk to the desk: this computer's own page, and phones that were invited.

A page on the internet can make a browser send requests to this computer. So: the Host header must
name this computer (no rebinding of foreign names), an Origin header must be ours, reading needs a
cookie that only a one-time key gives, and whatever changes something needs a token in a header,
which no foreign form or script can set.

What comes in over the network reaches the phone's page alone (`tracer.desk.links`): the session
that opens the desk is taken on the loopback address only, which is seen from the connection and
not from what the request says of itself.
"""

from __future__ import annotations

import hmac
import math
import secrets
from dataclasses import dataclass, field
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from tracer.desk.links import Links, PhoneLink
from tracer.desk.patience import Impatient, Patience

__all__ = ["LOOPBACK", "PHONE_FILES", "TOKEN_HEADER", "Gate", "Keys"]

LOOPBACK = "127.0.0.1"
TOKEN_HEADER = "x-desk-token"
#: what a phone may load beside its page
PHONE_FILES = {
    *("/phone.js", "/phone.css", "/texts.js", "/text_en.js", "/text_de.js", "/dom.js"),
    "/mark.svg",
}
POLICY = (
    "default-src 'self'; img-src 'self' blob: data:; object-src 'none'; base-uri 'none';"
    " form-action 'self'; frame-ancestors 'none'"
)
SAFE = {"GET", "HEAD"}

_PAGE = """<!doctype html><html lang="en"><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>{title}</title>
<link rel="stylesheet" href="/closed.css">
<main><h1>{title}</h1>
{text}</main></html>"""
CLOSED_PAGE = _PAGE.format(
    title="This desk is not open here",
    text="<p>Open it by the address that <code>tracer desk</code> printed. An address works once;"
    " start the command again for a new one.</p>",
)
_CODE_FORM = """<form action="/phone" method="get"><label for="key">Code shown on the desk</label>
<input id="key" name="key" inputmode="numeric" autocomplete="off" maxlength="64" required>
<button>Open</button></form>"""
INVITED_PAGE = _PAGE.format(
    title="Send photos to the desk",
    text="<p>Press <em>Phone</em> on the desk's page and type the code it shows.</p>" + _CODE_FORM,
)
WRONG_PAGE = _PAGE.format(
    title="That code does not open anything",
    text='<p role="alert">It may be mistyped, used before, or over. After wrong codes the next one'
    " takes some seconds.</p>" + _CODE_FORM,
)
ENDED = {
    "revoked": "It was ended on the desk.",
    "traced": "The photos are traced; more are sent with a new link.",
    "time": "Its time is over.",
}
CLOSED_STYLE = (
    "body{font:1.1rem/1.5 system-ui,sans-serif;background:#f1ede4;color:#26302b;margin:0}"
    "h1{font-size:1.4rem;line-height:1.2}"
    "main{max-width:34rem;margin:12vh auto;padding:0 1.2rem}label{display:block}"
    "input,button{font:inherit;padding:.5rem .7rem;margin:.3rem .3rem 0 0}"
    "@media(prefers-color-scheme:dark){body{background:#1d211f;color:#e8e4da}}"
)


@dataclass
class Keys:
    """What opens the desk. A key works once; cookie and token last while it runs."""

    port: int = 0
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    session: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    once: set[str] = field(default_factory=set)

    @property
    def cookie(self) -> str:
        """Name of the cookie: cookies are not kept apart by port, so the name is."""
        return f"tracer-desk-{self.port}"

    @property
    def phone_cookie(self) -> str:
        """Name of a phone's cookie."""
        return f"tracer-phone-{self.port}"

    def new_key(self) -> str:
        """A one-time key for an address that the command prints."""
        key = secrets.token_urlsafe(24)
        self.once.add(key)
        return key

    def opens(self, key: str) -> bool:
        """Take a key; each opens once."""
        for good in self.once:
            if hmac.compare_digest(good.encode(), key.encode()):
                self.once.discard(good)
                return True
        return False


class Gate:
    """ASGI wrapper that turns away everybody else and seals every answer."""

    def __init__(
        self,
        app: ASGIApp,
        keys: Keys,
        links: Links,
        lan_host: str | None = None,
        patience: Patience | None = None,
    ) -> None:
        self._app = app
        self._keys = keys
        self._links = links
        self._lan_host = lan_host
        self._patience = patience or Patience()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check, then pass on."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        answer = await self._refusal(scope)
        await (answer or self._app)(scope, receive, _sealed(send))

    async def _refusal(self, scope: Scope) -> Response | None:
        headers, path = Headers(scope=scope), scope["path"]
        near = scope["server"] is not None and scope["server"][0] == LOOPBACK
        if not self._own_name(headers.get("host", ""), near):
            return _refused(421, "desk-foreign-host", "This address does not belong to the desk.")
        origin = headers.get("origin")
        if origin is not None and origin not in {f"http://{headers['host']}"}:
            return _refused(403, "desk-foreign-page", "Another page may not talk to the desk.")
        foreign = headers.get("sec-fetch-site") in {"cross-site", "same-site"}
        if foreign and path not in {"/", "/phone"}:
            return _refused(403, "desk-foreign-page", "Another page may not talk to the desk.")
        if path == "/closed.css":
            return Response(CLOSED_STYLE, media_type="text/css")
        cookies = cookie_parser(headers.get("cookie", ""))
        known = near and _same(cookies.get(self._keys.cookie, ""), self._keys.session)
        if path == "/phone" or path.startswith("/phone/") or (path in PHONE_FILES and not known):
            return await self._phone(scope, headers, cookies.get(self._keys.phone_cookie, ""))
        if not near:
            return HTMLResponse(INVITED_PAGE, status_code=403)
        return self._desk(scope, headers, known=known)

    def _desk(self, scope: Scope, headers: Headers, *, known: bool) -> Response | None:
        """Why the desk's own page may not have this, or None where it may."""
        keys = self._keys
        if scope["path"] == "/" and scope["method"] in SAFE:
            key = _key(scope)
            if key is not None:
                if not known and not keys.opens(key):
                    return HTMLResponse(CLOSED_PAGE, status_code=403)
                return _welcome("/", keys.cookie, keys.session)
        if not known:
            return HTMLResponse(CLOSED_PAGE, status_code=403)
        if scope["method"] not in SAFE and not _same(headers.get(TOKEN_HEADER, ""), keys.token):
            return _refused(403, "desk-no-token", "The request lacks the desk's token.")
        return None

    async def _phone(self, scope: Scope, headers: Headers, session: str) -> Response | None:
        """Why a phone may not have this, or None where it may; its link goes with the request."""
        link = self._links.of_session(session)
        key = _key(scope)
        if key is not None and scope["path"] == "/phone" and scope["method"] == "GET":
            if link is None or link.ended:
                return await self._invited(scope, key)
            return _welcome("/phone", self._keys.phone_cookie, link.session)
        if link is None:
            return HTMLResponse(INVITED_PAGE, status_code=403)
        if link.ended and scope["path"] not in PHONE_FILES:
            return _ended(link, page=scope["path"] == "/phone")
        if scope["method"] not in SAFE and not _same(headers.get(TOKEN_HEADER, ""), link.token):
            return _refused(403, "desk-no-token", "The request lacks the link's token.")
        scope["phone_link"] = link
        return None

    async def _invited(self, scope: Scope, key: str) -> Response:
        """Look at an invitation in its turn."""
        address = scope["client"][0] if scope["client"] else ""
        try:
            async with self._patience.turn(address) as turn:
                link = self._links.take(key, address)
                if link is None:
                    self._patience.wrong(turn)
                    return HTMLResponse(WRONG_PAGE, status_code=403)
        except Impatient as busy:
            wait = {"retry-after": str(math.ceil(busy.wait_s))}
            return HTMLResponse(WRONG_PAGE, status_code=429, headers=wait)
        self._patience.right(address)
        return _welcome("/phone", self._keys.phone_cookie, link.session)

    def _own_name(self, host: str, near: bool) -> bool:
        name, _, port = host.rpartition(":")
        ours = {LOOPBACK, "localhost"} if near else {self._lan_host}
        return name in ours and port == str(self._keys.port)


def _same(given: str, right: str) -> bool:
    return hmac.compare_digest(given.encode(), right.encode())


def _key(scope: Scope) -> str | None:
    query = parse_qs(scope.get("query_string", b"").decode("latin-1"))
    return query["key"][0].strip() if "key" in query else None


def _welcome(to: str, cookie: str, session: str) -> Response:
    # the redirect takes the key out of the address bar and the history
    welcome = RedirectResponse(to, status_code=303)
    welcome.set_cookie(cookie, session, httponly=True, samesite="strict")
    return welcome


def _ended(link: PhoneLink, *, page: bool) -> Response:
    why = ENDED[link.ended]
    if page:
        text = f"<p>{why}</p><p>Press <em>Phone</em> on the desk's page for a new one.</p>"
        text = _PAGE.format(title="This link has ended", text=text + _CODE_FORM)
        return HTMLResponse(text, status_code=410)
    return _refused(
        410,
        "phone-link-ended",
        f"This link has ended. {why}",
        "Press Phone on the desk's page for a new one.",
    )


def _refused(status: int, slug: str, sentence: str, remedy: str = "Reload the page.") -> Response:
    body = {"error": {"slug": slug, "sentence": sentence, "remedy": remedy}}
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
