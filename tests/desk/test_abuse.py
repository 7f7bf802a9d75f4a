"""Requests that dawdle, lie, nest, loop or name nothing: ended in time, told 4xx, never 500.

Slow headers and slow bodies are the two attacks that the OWASP cheat sheet on denial of service
names for servers that wait; 408 and 413 are those of RFC 9110, 507 that of RFC 4918.
"""

from __future__ import annotations

import http.client
import json
import os
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.desk.bench import seed_job
from tests.desk.client import LAN, Open, joined, open_to_phones
from tests.desk.test_phone import invited, picture
from tracer.desk import bodies, drafts, incoming
from tracer.desk.deadlines import DeadlineProtocol
from tracer.errors import TracerError
from tracer.project.store import JobFolder


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Open]:
    root = tmp_path_factory.mktemp("desk")
    seed_job(root / "bench.job")
    with pytest.MonkeyPatch.context() as patch, open_to_phones(root, patch) as opened:
        opened.job = next(iter(opened.server.desk.jobs())).job_id
        yield opened


@pytest.fixture
def hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """The deadlines, shortened so that a test can wait for them."""
    monkeypatch.setattr(DeadlineProtocol, "header_s", 0.6)
    monkeypatch.setattr(DeadlineProtocol, "body_s", 0.6)


def plugged(desk: Open) -> socket.socket:
    return socket.create_connection(("127.0.0.1", desk.server.keys.port), timeout=20)


def trickle(line: socket.socket, head: bytes, drip: bytes, every_s: float = 0.1) -> float:
    """Send a beginning, then drip; seconds until the other side ended it (at most 10)."""
    start = time.monotonic()
    line.settimeout(every_s)
    line.sendall(head)
    while time.monotonic() - start < 10:
        try:
            if line.recv(4096) == b"":
                break
        except TimeoutError:
            pass
        except OSError:
            break
        try:
            line.sendall(drip)
        except OSError:
            break
    return time.monotonic() - start


@pytest.mark.parametrize(
    ("head", "drip"),
    [
        (b"", b""),  # connects and says nothing
        (b"GET / HTTP/1.1\r\nHost: x\r\n", b"X-a: b\r\n"),  # a header without end
        (b"GET / HTTP", b"1"),
    ],
)
def test_slow_headers_end(desk: Open, hurried: None, head: bytes, drip: bytes) -> None:
    with plugged(desk) as line:
        assert 0.4 < trickle(line, head, drip) < 3


def test_slow_headers_end_on_a_kept_connection_too(desk: Open, hurried: None) -> None:
    host = f"127.0.0.1:{desk.server.keys.port}".encode()
    with plugged(desk) as line:
        line.sendall(b"GET /closed.css HTTP/1.1\r\nHost: " + host + b"\r\n\r\n")
        assert b"200" in line.recv(4096)
        assert 0.4 < trickle(line, b"GET / HT", b"T") < 3


@pytest.mark.parametrize("token", [True, False])
def test_slow_bodies_end_also_of_refused_requests(desk: Open, hurried: None, token: bool) -> None:
    keys = desk.server.keys
    head = (
        f"POST /api/drafts HTTP/1.1\r\nHost: 127.0.0.1:{keys.port}\r\nCookie: {desk.cookie}\r\n"
        f"Content-Length: 100000\r\n" + (f"X-Desk-Token: {keys.token}\r\n" if token else "")
    )
    with plugged(desk) as line:
        assert 0.4 < trickle(line, head.encode() + b"\r\n", b"x") < 3


def test_a_photo_that_stops_on_its_way_leaves_nothing(
    desk: Open, hurried: None, capfd: pytest.CaptureFixture[str]
) -> None:
    draft = desk.json("POST", "/api/drafts")["draft"]
    keys = desk.server.keys
    head = (
        f"PUT /api/drafts/{draft}/photos/0?name=a.jpg HTTP/1.1\r\nHost: 127.0.0.1:{keys.port}\r\n"
        f"Cookie: {desk.cookie}\r\nX-Desk-Token: {keys.token}\r\nContent-Length: 100000\r\n\r\n"
    )
    with plugged(desk) as line:
        assert 0.4 < trickle(line, head.encode() + picture()[:500], b"x") < 3
    time.sleep(0.2)
    assert desk.json("GET", f"/api/drafts/{draft}")["photos"] == []
    assert list(desk.server.desk.drafts[draft].folder.iterdir()) == []
    assert "Traceback" not in capfd.readouterr().err


def test_a_fair_pace_is_not_ended(
    desk: Open, hurried: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A body that takes longer than the time for a silent one, at twice the least pace."""
    monkeypatch.setattr(DeadlineProtocol, "least_bytes_s", 1000.0)
    draft = desk.json("POST", "/api/drafts")["draft"]
    keys = desk.server.keys
    data = picture()
    head = (
        f"PUT /api/drafts/{draft}/photos/0?name=a.jpg HTTP/1.1\r\nHost: 127.0.0.1:{keys.port}\r\n"
        f"Cookie: {desk.cookie}\r\nX-Desk-Token: {keys.token}\r\n"
        f"Content-Length: {len(data)}\r\n\r\n"
    )
    steps = np.array_split(np.arange(len(data)), 20)
    with plugged(desk) as line:
        line.sendall(head.encode())
        for step in steps:
            line.sendall(data[step[0] : step[-1] + 1])
            time.sleep(0.08)
        assert b"200 OK" in line.recv(4096)


def test_an_open_page_is_not_ended(desk: Open, hurried: None) -> None:
    """The stream of news lives as long as the page."""
    keys = desk.server.keys
    with plugged(desk) as line:
        line.sendall(
            f"GET /api/events HTTP/1.1\r\nHost: 127.0.0.1:{keys.port}\r\n"
            f"Cookie: {desk.cookie}\r\n\r\n".encode()
        )
        assert b"200" in line.recv(4096)
        time.sleep(1.5)
        desk.server.desk.hub.publish("links")
        line.settimeout(5)
        told = b""
        while b"links" not in told and (more := line.recv(4096)):
            told += more  # it comes in pieces
        assert b"links" in told


def test_asking_for_the_head_of_the_news_is_answered_at_once(desk: Open) -> None:
    """RFC 9110, section 9.3.2: no content follows; the connection serves the next request."""
    keys = desk.server.keys
    connection = http.client.HTTPConnection("127.0.0.1", keys.port, timeout=5)
    for _ in range(2):
        connection.request("HEAD", "/api/events", headers={"Cookie": desk.cookie})
        answer = connection.getresponse()
        assert answer.status == 200
        assert answer.getheader("content-type", "").startswith("text/event-stream")
        assert answer.read() == b""
    connection.close()


@pytest.mark.parametrize("name", ["%7F", "a%1B%5B31m.jpg", "%E2%80%AEgnp.jpg", "%FF%FE"])
def test_a_photos_name_is_shown_as_far_as_it_is_text(desk: Open, name: str) -> None:
    draft = desk.json("POST", "/api/drafts")["draft"]
    path = f"/api/drafts/{draft}/photos/0?name={name}"
    told = json.loads(desk.ask("PUT", path, b"no picture")[1])["error"]["sentence"]
    assert told.isprintable() and not told.startswith(" ")
    assert desk.ask("PUT", path, picture())[0] == 200
    (shown,) = desk.json("GET", f"/api/drafts/{draft}")["photos"]
    assert shown["name"].isprintable() and shown["name"]


def ways_to_ask(desk: Open) -> list[tuple[str, str]]:
    app: Any = desk.server._server.config.app._app  # type: ignore[union-attr]
    return [
        (method, route.path)
        for route in app.routes
        if hasattr(route, "methods")
        for method in sorted(route.methods - {"HEAD"})
    ]


IDS = [
    "x",
    "000000000000",
    "..%2f..%2fetc%2fpasswd",
    "%00",
    "%ff",
    "9" * 60,
    "%F0%9F%94%A7",
    "a" * 3000,
]
NUMBERS = ["0", "39", "99", "100", "9" * 30, "9" * 5000]
BODIES = [
    b"",
    b"null",
    b"[]",
    b"[" * 100_000,
    b'{"a":' * 100_000,
    b'{"a":' + b"[" * 900 + b"]" * 900 + b"}",
    b'{"line": [[1e999, NaN]], "reach_px": Infinity}',
    b'{"name": "\\ud800", "draft": "\\udfff"}',
    b'{"name": {"a": 1}, "draft": [], "title": 5}',
    b'{"machine": [], "material": {}, "fit": 1, "thickness_mm": "1e999", "depth_mm": true}',
    b'{"kind": 1, "subject": [], "changes": [{"path": ["row", 5], "was": {}, "now": []}]}',
    b'{"kind": "cell", "changes": [{"path": ["row", "T01", "name"], "now": {"a": [1]}}]}',
    b'{"kind": "cell", "changes": [{"path": ["lay", "99999999999999999999", "mat_mm"], "now": 1}]}',
    b'{"kind": "x", "changes": [{"path": [], "was": 1, "now": ' + b"9" * 6000 + b"}]}",
    b"\xff\xfe{\x00}\x00",
    b"{" + b'"a": 1,' * 200_000 + b'"b": 2}',
]


def test_nonsense_is_told_and_never_500(
    desk: Open, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """Every route with every id, number and body of the lists: over a thousand requests."""
    # a body of chunks that never ends is hung up on well before this client gives up (20 s)
    monkeypatch.setattr(DeadlineProtocol, "body_s", 4.0)
    before = (desk.server.root / "bench.job" / "tools.csv").read_bytes()
    revision = desk.json("GET", f"/api/jobs/{desk.job}")["revision"]
    phone = joined(desk, invited(desk))
    asked, bad = 0, []
    for method, route in ways_to_ask(desk):
        if route == "/api/events" or route.endswith(("/run", "/arrange", "/cut", "/undo", "/redo")):
            continue  # streams, and what starts real work: their bodies are tried below
        who = phone if route.startswith("/phone") else desk
        tries = [(one, "0") for one in IDS] + [(desk.job, one) for one in NUMBERS]
        for one, number in tries:
            path = route.replace("{job}", one if one != desk.job else desk.job)
            for mark in ("{draft}", "{photo}", "{file}", "{link}", "{name}"):
                path = path.replace(mark, one)
            for mark in ("{number:int}", "{level:int}", "{x:int}", "{y:int}"):
                path = path.replace(mark, number)
            status = who.ask(method, path, b"{}" if method != "GET" else None)[0]
            asked += 1
            if status >= 500:
                bad.append((status, method, path[:80]))
    for route in ("edits", "cut", "photos/x/snap"):
        for body in BODIES:
            status = desk.ask("POST", f"/api/jobs/{desk.job}/{route}", body, If_Match=revision)[0]
            asked += 1
            if not 400 <= status < 500:
                bad.append((status, route, body[:60]))
    draft = desk.json("POST", "/api/drafts")["draft"]
    for path in (f"/api/drafts/{draft}/trace", "/api/links"):
        for body in BODIES:
            status = desk.ask("POST", path, body)[0]
            asked += 1
            if not 400 <= status < 500:
                bad.append((status, path, body[:60]))
    for headers in (
        {"If_Match": '"' * 5000},
        {"Cookie": "=;=;" * 500 + desk.cookie},
        {"Last_Event_Id": "9" * 5000},
        {"Content_Type": "multipart/form-data"},
        {"Transfer_Encoding": "chunked", "Content_Length": "5"},
        {"Content_Length": "-5"},
        {"Host": "[::1"},
        {"Origin": "http://["},
    ):
        try:
            status = desk.ask("POST", f"/api/jobs/{desk.job}/edits", b"{}", **headers)[0]
        except ConnectionResetError:  # no HTTP at all: hung up on, or while it read the answer
            status = 400
        asked += 1
        if not 400 <= status < 500:
            bad.append((status, headers))
    assert bad == []
    assert asked > 400
    assert (desk.server.root / "bench.job" / "tools.csv").read_bytes() == before
    assert "Traceback" not in capfd.readouterr().err


def test_links_that_loop_or_lead_away_are_told(desk: Open, tmp_path: Path) -> None:
    root = desk.server.root
    job = root / "bench.job"
    elsewhere = seed_job(tmp_path / "elsewhere.job").path
    (root / "loop.job").symlink_to(root / "loop.job")
    (root / "away.job").symlink_to(elsewhere)
    (job / "loop.txt").symlink_to(job / "loop.txt")
    (job / "pictures").mkdir(exist_ok=True)
    (job / "pictures" / "here.png").symlink_to(job / "pictures" / "there.png")
    (job / "pictures" / "there.png").symlink_to(job / "pictures" / "here.png")
    (job / "cut").symlink_to(elsewhere)
    before = {p: p.read_bytes() for p in elsewhere.rglob("*") if p.is_file()}
    try:
        names = {one["name"] for one in desk.json("GET", "/api/jobs")["jobs"]}
        assert "bench" in names and not names & {"loop", "away"}
        listed = {one["name"] for one in desk.json("GET", f"/api/jobs/{desk.job}/files")["files"]}
        assert "outlines.json" in listed and "loop.txt" not in listed
        assert not any(name.startswith("cut/") for name in listed)
        assert desk.ask("GET", f"/api/jobs/{desk.job}/all-files")[0] == 200
        draft = desk.json("POST", "/api/drafts")["draft"]
        assert desk.ask("PUT", f"/api/drafts/{draft}/photos/0?name=a.jpg", picture())[0] == 200
        for name in ("away", "loop"):
            body = json.dumps({"name": name, "add": True, "replace": True}).encode()
            status, data, _ = desk.ask("POST", f"/api/drafts/{draft}/trace", body)
            assert status == 422 and b"job-linked" in data
        assert {p: p.read_bytes() for p in elsewhere.rglob("*") if p.is_file()} == before
    finally:
        for path in (root / "loop.job", root / "away.job", job / "loop.txt", job / "cut"):
            path.unlink()


def test_a_linked_job_is_not_opened(tmp_path: Path) -> None:
    from tracer.desk.jobs import Desk

    seed_job(tmp_path / "bench.job")
    (tmp_path / "other.job").symlink_to(tmp_path / "bench.job")
    desk = Desk(tmp_path)
    try:
        with pytest.raises(TracerError) as caught:
            desk.add(JobFolder(tmp_path / "other.job"))
        assert caught.value.slug == "job-linked"
    finally:
        desk.close()


def test_what_is_kept_is_bounded(desk: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    phone = joined(desk, invited(desk))
    monkeypatch.setattr(incoming, "MAX_FILE_BYTES", 5000)
    chunks = b"1388\r\n" + b"x" * 5000 + b"\r\n10\r\n" + b"x" * 16 + b"\r\n0\r\n\r\n"
    keys = desk.server.keys
    with socket.create_connection((LAN, keys.port), timeout=20) as line:
        line.sendall(  # a body that does not say how long it is
            f"POST /phone/photos?name=a.jpg HTTP/1.1\r\nHost: {LAN}:{keys.port}\r\nCookie: "
            f"{phone.cookie}\r\nX-Desk-Token: {phone.shown_token}\r\n"
            "Transfer-Encoding: chunked\r\n\r\n".encode()
            + chunks
        )
        assert b" 413 " in line.recv(4096)
    monkeypatch.setattr(incoming, "MAX_FILE_BYTES", 200_000_000)
    monkeypatch.setattr(drafts, "MAX_DRAFT_PHOTOS", 3)
    answers = [phone.ask("POST", "/phone/photos", picture(40 * k))[0] for k in range(5)]
    assert answers == [200, 200, 200, 422, 422]
    for _ in range(80):  # empty drafts give way
        assert desk.ask("POST", "/api/drafts", b"{}")[0] == 200
    assert len(desk.server.desk.drafts) <= 32
    assert phone.ask("GET", "/phone/state")[0] == 200  # one that a phone uses does not


def test_a_full_disk_is_told(desk: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    draft = desk.json("POST", "/api/drafts")["draft"]

    def full(*_: object) -> None:
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(drafts.Draft, "keep", full)
    status, data, _ = desk.ask("PUT", f"/api/drafts/{draft}/photos/0?name=a.jpg", picture())
    assert status == 507 and b"No space left on device" in data
    assert list(desk.server.desk.drafts[draft].folder.iterdir()) == []


def test_depth_is_measured_without_recursion() -> None:
    deep: Any = []
    for _ in range(50_000):
        deep = [deep]
    assert bodies._depth(deep) == 50_001
    assert bodies._depth({"a": [{"b": 1}]}) == 3
