"""Speaking to a desk over a plain socket, so that no client library tidies requests up."""

from __future__ import annotations

import http.client
import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tracer.desk.server import DeskServer
from tracer.project.store import JobFolder

RUNNING = {"waiting", "running"}


@dataclass
class Open:
    """A desk, and who speaks to it: its own page unless said otherwise."""

    server: DeskServer
    job: str
    cookie: str
    address: str = "127.0.0.1"
    shown_token: str = ""

    def ask(
        self,
        method: str,
        path: str,
        body: bytes | None = None,
        *,
        cookie: bool = True,
        token: bool = True,
        **headers: str,
    ) -> tuple[int, bytes, dict[str, str]]:
        port = self.server.keys.port
        connection = http.client.HTTPConnection(self.address, port, timeout=20)
        head = {"Host": f"{self.address}:{port}"}
        if cookie:
            head["Cookie"] = self.cookie
        if token:
            head["X-Desk-Token"] = self.shown_token or self.server.keys.token
        head |= {k.replace("_", "-"): v for k, v in headers.items()}
        connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        for name, value in head.items():
            connection.putheader(name, value)
        if body is not None and "Content-Length" not in head:
            connection.putheader("Content-Length", str(len(body)))
        connection.endheaders(body)
        answer = connection.getresponse()
        data = answer.read()
        connection.close()
        return answer.status, data, {k.lower(): v for k, v in answer.getheaders()}

    def json(self, method: str, path: str, **body: Any) -> dict[str, Any]:
        """A request that must be granted."""
        status, data, _ = self.ask(method, path, json.dumps(body).encode())
        assert status < 300, data
        return dict(json.loads(data))

    def over(self) -> dict[str, Any]:
        """The job's run once no run is on any more."""
        end = time.monotonic() + 120
        while (run := self.json("GET", f"/api/jobs/{self.job}")["run"])["phase"] in RUNNING:
            assert time.monotonic() < end
            time.sleep(0.1)
        return dict(run)


#: stands for this computer's address on the network: every system answers on all of 127/8
LAN = "127.0.0.2"


@contextmanager
def open_to_phones(root: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Open]:
    """A desk started with --lan over a folder, seen by its own page."""
    monkeypatch.setattr("tracer.desk.server.lan_address", lambda: LAN)
    job = JobFolder(root / "bench.job")
    server = DeskServer(root, job if job.exists() else None, lan=True)
    server.open()
    thread = threading.Thread(target=server.run)
    thread.start()
    keys = server.keys
    try:
        yield Open(server, "", f"{keys.cookie}={keys.session}")
    finally:
        server.stop()
        thread.join(timeout=20)
        assert not thread.is_alive(), "the server does not stop"


def joined(desk: Open, invitation: dict[str, Any], address: str = LAN) -> Open:
    """A phone that opened an invitation by its code."""
    phone = Open(desk.server, "", "", address)
    status, _, headers = phone.ask("GET", f"/phone?key={invitation['code']}", token=False)
    assert (status, headers["location"]) == (303, "/phone")
    phone.cookie = headers["set-cookie"].split(";")[0]
    page = phone.ask("GET", "/phone", token=False)[1].decode()
    phone.shown_token = page.split('data-token="')[1].split('"')[0]
    return phone
