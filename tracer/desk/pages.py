"""The page and its parts, read from the package: works from a wheel, from a zip, without network.

Files are found in a table made at the start; what is not in it does not exist, whatever the path
says.
"""

from __future__ import annotations

import hashlib
import html
from functools import cache
from importlib import resources

from starlette.requests import Request
from starlette.responses import Response

from tracer import __version__
from tracer.desk.gate import Keys

__all__ = ["filled_page", "page", "static_file", "static_files"]

TYPES = {
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".svg": "image/svg+xml",
    ".html": "text/html; charset=utf-8",
}


@cache
def static_files() -> dict[str, bytes]:
    """Every file of the page by name."""
    room = resources.files("tracer.desk") / "static"
    return {
        entry.name: entry.read_bytes()
        for entry in room.iterdir()
        if entry.is_file() and "." + entry.name.rpartition(".")[2] in TYPES
    }


def page(keys: Keys, open_job: str | None) -> Response:
    """The page, carrying the token that changing requests must show."""
    return filled_page("index.html", {"token": keys.token, "job": open_job or ""})


def filled_page(name: str, values: dict[str, str]) -> Response:
    """A page of the package with its marks filled in."""
    text = static_files()[name].decode()
    for mark, value in {**values, "version": __version__}.items():
        text = text.replace("{{" + mark + "}}", html.escape(value, quote=True))
    return Response(text, media_type=TYPES[".html"])


def static_file(request: Request) -> Response:
    """One file of the page."""
    name = request.path_params["name"]
    data = static_files().get(name)
    if data is None or name.endswith(".html"):
        return Response("no such file", status_code=404, media_type="text/plain")
    tag = f'"{hashlib.sha256(data).hexdigest()[:16]}"'
    headers = {"etag": tag, "cache-control": "no-cache"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return Response(data, media_type=TYPES["." + name.rpartition(".")[2]], headers=headers)
