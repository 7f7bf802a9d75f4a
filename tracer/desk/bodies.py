"""Bodies of requests: read within limits, and turned into values with a clear refusal."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from starlette.requests import Request

from tracer.errors import TracerError
from tracer.project.edits_file import Change, Edit

__all__ = ["edit_of", "read_json", "save_upload"]

MAX_JSON_BYTES = 2_000_000
MAX_CHANGES = 2000
DEEPEST = 40  # lists and objects within one another


class TooLarge(Exception):
    """The body is larger than it may be (413)."""


async def read_json(request: Request) -> dict[str, Any]:
    """A JSON object; an empty body counts as an empty one.

    Raises
    ------
    TracerError
        ``desk-request-unclear``.
    TooLarge
        Beyond `MAX_JSON_BYTES`.
    """
    data = b""
    async for chunk in request.stream():
        data += chunk
        if len(data) > MAX_JSON_BYTES:
            raise TooLarge
    try:
        body = json.loads(data or b"{}", parse_constant=_no_number)
        json.dumps(body, ensure_ascii=False).encode()  # half a surrogate pair is no text
    except (ValueError, RecursionError):
        body = None
    if not isinstance(body, dict) or _depth(body) > DEEPEST:
        raise unclear()
    return body


def _no_number(name: str) -> float:
    raise ValueError(name)


def _depth(body: Any) -> int:
    """How deep lists and objects are nested; never by recursion."""
    depth, level = 0, [body]
    while level:
        depth += 1
        inside: list[Any] = []
        for value in level:
            inside += value.values() if isinstance(value, dict) else value
        level = [v for v in inside if isinstance(v, dict | list)]
    return depth


async def save_upload(
    request: Request,
    target: Path,
    limit_bytes: int,
    told: Callable[[int], object] = lambda _: None,
) -> tuple[int, str]:
    """Write the body to a file as it arrives; gives its size and SHA-256.

    Raises
    ------
    TooLarge
        As soon as the limit is passed; nothing is left of the file.
    """
    size, digest = 0, hashlib.sha256()
    try:
        with target.open("wb") as stream:
            async for chunk in request.stream():
                size += len(chunk)
                if size > limit_bytes:
                    raise TooLarge
                stream.write(chunk)
                digest.update(chunk)
                told(size)
    except BaseException:
        target.unlink(missing_ok=True)
        raise
    return size, digest.hexdigest()


def edit_of(body: dict[str, Any]) -> Edit:
    """An edit as the page sends it."""
    changes = body.get("changes")
    kind, subject = body.get("kind", ""), body.get("subject", "")
    if (
        not isinstance(changes, list)
        or not isinstance(kind, str)
        or not isinstance(subject, str)
        or not 1 <= len(changes) <= MAX_CHANGES
    ):
        raise unclear()
    made = tuple(_change(c) for c in changes)
    return Edit(kind[:40], subject[:200], made, key=str(body.get("key", ""))[:40])


def _change(value: Any) -> Change:
    if not isinstance(value, dict) or not isinstance(value.get("path"), list):
        raise unclear()
    path = tuple(value["path"])
    if not all(isinstance(part, str) and len(part) <= 200 for part in path):
        raise unclear()
    return Change(path, value.get("was"), value.get("now"))


def unclear() -> TracerError:
    """The request makes no sense."""
    return TracerError(
        "desk-request-unclear", "The desk did not understand the page.", "Reload the page."
    )
