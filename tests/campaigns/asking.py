"""A running desk and requests to it over a real socket, by nobody's client library."""

from __future__ import annotations

import http.client
import json
import re
import socket
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.campaigns.judge import Said, said_of
from tests.campaigns.workshop import Workshop

__all__ = ["Answer", "OpenDesk", "open_desk", "visit"]


@dataclass(frozen=True)
class Answer:
    """Status (0: none came), body, and how long it took."""

    status: int
    body: bytes
    seconds: float

    def json(self) -> Any:
        """The body as JSON; an empty object where it is none."""
        try:
            return json.loads(self.body)
        except ValueError:
            return {}


@dataclass
class OpenDesk:
    """A desk that runs in a thread, with what a page of its own would know."""

    port: int
    cookie: str = ""
    token: str = ""
    job: str = ""
    server: Any = None
    answers: list[tuple[str, int]] = field(default_factory=list)

    def ask(
        self,
        method: str,
        path: str,
        body: bytes | None = None,
        headers: Mapping[str, str] | None = None,
        *,
        known: bool = True,
        wait_s: float = 60.0,
    ) -> Answer:
        """One request; keeps its status for the count."""
        head = {"Host": f"127.0.0.1:{self.port}"}
        if known:
            head |= {"Cookie": self.cookie, "X-Desk-Token": self.token}
        head |= dict(headers or {})
        if body is not None and "Content-Length" not in head and "Transfer-Encoding" not in head:
            head["Content-Length"] = str(len(body))
        lines = [f"{method} {path} HTTP/1.1", *(f"{k}: {v}" for k, v in head.items())]
        raw = "\r\n".join([*lines, "Connection: close", "", ""])
        data = raw.encode("utf-8", "surrogateescape") + (body or b"")
        return self.send(f"{method} {path}", data, wait_s, method)

    def send(
        self, name: str, raw: bytes, wait_s: float = 60.0, method: str | None = None
    ) -> Answer:
        """Raw bytes; the answer to them. The answer to HEAD has no body to wait for."""
        start = time.monotonic()
        status, data = 0, b""
        with (
            suppress(OSError, http.client.HTTPException, ValueError),
            socket.create_connection(("127.0.0.1", self.port), timeout=wait_s) as line,
        ):
            with suppress(OSError):
                line.sendall(raw)
            reply = http.client.HTTPResponse(line, method=method)
            reply.begin()
            status = reply.status
            if reply.getheader("content-type", "").startswith("text/event-stream"):
                data = reply.read1(2000)
            else:
                data = reply.read()
        self.answers.append((name, status))
        return Answer(status, data, time.monotonic() - start)

    def settled(self, most_s: float = 40.0) -> None:
        """Wait until no run of the job is waiting or running.

        Seen from within: a record that cannot be made would say nothing of the run.
        """
        end = time.monotonic() + most_s
        with suppress(KeyError):
            state = self.server.desk.job(self.job).state
            while time.monotonic() < end and state.phase in ("waiting", "running"):
                time.sleep(0.02)
        self.ask("GET", f"/api/jobs/{self.job}")


@contextmanager
def open_desk(root: Path, job: Path | None = None) -> Iterator[OpenDesk]:
    """A desk over a folder until the block ends."""
    from tracer.desk.server import DeskServer
    from tracer.errors import TracerError
    from tracer.project.store import JobFolder

    server = DeskServer(root, JobFolder(job) if job is not None else None, 0)
    try:
        address = server.open()
    except TracerError as error:  # refused as the command refuses it
        print(f"error: {error} [{error.slug}]", file=sys.stderr)
        raise SystemExit(error.exit_code) from None
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    port = server.keys.port
    desk = OpenDesk(port, server=server)
    try:
        key = address.rpartition("key=")[2]
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        connection.request("GET", f"/?key={key}")
        desk.cookie = (connection.getresponse().getheader("set-cookie") or "").split(";")[0]
        connection.close()
        page = desk.ask("GET", "/").body.decode("utf-8", "replace")
        desk.token = server.keys.token
        found = re.search(r"[0-9a-f]{12}", page)
        ids = [j["job"] for j in desk.ask("GET", "/api/jobs").json().get("jobs", [])]
        desk.job = next(iter(ids), found[0] if found else "")
        yield desk
    finally:
        server.stop()
        thread.join(timeout=60)


def visit(shop: Workshop, *, arranged: bool = True) -> Said:
    """All that the page asks of a job, an undo and a redo; an answer of 500 is a traceback."""

    def act() -> int:
        with open_desk(shop.root, shop.job) as desk:
            at = f"/api/jobs/{desk.job}"
            record = desk.ask("GET", at).json()
            photos = re.findall(r'"photo(?:_id)?": ?"([0-9a-f]{16})"', json.dumps(record))
            tag = json.dumps(record.get("revision", ""))
            for method, path, body in (
                ("GET", at + "/panel", None),
                ("GET", at + "/files", None),
                ("GET", at + f"/photos/{photos[0] if photos else 'x'}", None),
                ("GET", at + f"/photos/{photos[0] if photos else 'x'}/tiles/0/0/0", None),
                ("POST", at + "/undo", b"{}"),
                ("POST", at + "/redo", b"{}"),
                *([("POST", at + "/arrange", b"{}")] if arranged else []),
            ):
                answer = desk.ask(method, path, body, {"If-Match": tag} if body else {})
                told = answer.json()
                if isinstance(told, dict) and (error := told.get("error")):
                    print(f"error: {error['sentence']} {error['remedy']} [{error['slug']}]",
                          file=sys.stderr)  # fmt: skip
                tag = json.dumps(told["revision"]) if "revision" in told else tag
            desk.settled()
            bad = [f"{name}: {status}" for name, status in desk.answers if status >= 500]
            if bad:
                print(f"Traceback (most recent call last): {'; '.join(bad)}", file=sys.stderr)
            if any(status == 0 for _, status in desk.answers):
                print(f"Traceback (most recent call last): no answer: {desk.answers}",
                      file=sys.stderr)  # fmt: skip
        return 0

    return said_of(("desk", "bench"), act)
