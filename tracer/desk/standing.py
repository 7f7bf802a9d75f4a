"""What a desk leaves for the next one over the same folder: port and keys, for this user alone.

A desk that was killed and started again takes the same port and knows the same page: whatever the
page had not kept yet is kept then. A second ``tracer desk`` in the folder finds the one that runs
and asks it for a new address. The note lies in the person's settings folder, readable by nobody
else, and counts for a working day.
"""

from __future__ import annotations

import hashlib
import http.client
import json
import os
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from tracer.desk.gate import LOOPBACK, TOKEN_HEADER, Keys
from tracer.errors import TracerError
from tracer.project.printer import settings_folder

__all__ = ["Standing", "address_of_running", "read_standing", "standing_file", "write_standing"]

COUNTS_S = 12 * 3600.0
ASK_S = 2.0


@dataclass(frozen=True)
class Standing:
    """Port and keys of the latest desk of a folder."""

    port: int
    token: str
    session: str

    def keys(self) -> Keys:
        """Keys for a desk that takes the place of that one."""
        return Keys(token=self.token, session=self.session)


def standing_file(root: Path) -> Path | None:
    """Where the note for a folder of jobs lies; None where the system names no place for it."""
    name = f"desk-{hashlib.sha256(str(root.resolve()).encode()).hexdigest()[:16]}.json"
    try:
        return settings_folder() / name
    except TracerError:
        return None


def read_standing(path: Path | None, now: float | None = None) -> Standing | None:
    """The note, where there is one that counts: young, whole and this user's own."""
    if path is None:
        return None
    try:
        facts = path.stat()
        if hasattr(os, "getuid") and (facts.st_uid != os.getuid() or facts.st_mode & 0o077):
            return None
        if not 0 <= (now or time.time()) - facts.st_mtime <= COUNTS_S:
            return None
        body = json.loads(path.read_bytes())
        found = Standing(int(body["port"]), str(body["token"]), str(body["session"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None
    sound = 0 < found.port < 65536 and min(len(found.token), len(found.session)) >= 32
    return found if sound else None


def write_standing(path: Path, keys: Keys) -> None:
    """Leave the note. Where that cannot be, nothing is lost but the way back."""
    body = json.dumps({"port": keys.port, "token": keys.token, "session": keys.session})
    with suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        part = path.with_suffix(f".{os.getpid()}")
        part.unlink(missing_ok=True)
        with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as stream:
            stream.write(body)
        part.replace(path)


def address_of_running(standing: Standing) -> str | None:
    """A new address from the desk that runs there; None where none does, or it is another's."""
    connection = http.client.HTTPConnection(LOOPBACK, standing.port, timeout=ASK_S)
    keys = Keys(port=standing.port)
    try:
        connection.request(
            "POST",
            "/api/keys",
            b"{}",
            {
                "cookie": f"{keys.cookie}={standing.session}",
                TOKEN_HEADER: standing.token,
                "content-type": "application/json",
            },
        )
        answer = connection.getresponse()
        body = json.loads(answer.read(10_000)) if answer.status == 200 else {}
        address = str(body.get("address", ""))
    except (OSError, http.client.HTTPException, ValueError, AttributeError):
        return None
    finally:
        connection.close()
    place = urlsplit(address)
    return address if (place.hostname, place.port) == (LOOPBACK, standing.port) else None
