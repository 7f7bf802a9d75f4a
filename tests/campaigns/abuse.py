"""Abuse of the page's server: every route with hostile values, slow lines, lies, links."""

from __future__ import annotations

import json
import random
import re
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import Any

from tests.campaigns.asking import OpenDesk, open_desk
from tests.campaigns.cases import Case, Fault, random_of
from tests.campaigns.damage import hostile_text
from tests.campaigns.damage_data import damaged_json
from tests.campaigns.damage_pictures import damaged_picture
from tests.campaigns.judge import bricked, escaped, loads, said_of, snapshot
from tests.campaigns.words import programmers_words
from tests.campaigns.workshop import Workshop

__all__ = ["abuse_cases", "routes_of"]

KIND = "server"
#: a line that sends nothing more must be closed within this time
SLOW_S = 75.0
#: this many wrong codes in a row must not keep a right one out
WRONG = 25

Scenario = Callable[[OpenDesk, Workshop, random.Random], list[Fault]]


def abuse_cases(seed: int, count: int) -> Iterator[Case]:
    """Mostly requests at random over all routes; the others one scenario each."""
    for number in range(count):
        rng = random_of(seed, KIND, number)
        name, scenario = "requests", _requests
        if number % 3 == 2:
            turn = number // 3 % len(_SCENARIOS)
            slow = _SCENARIOS[turn][0].startswith("slow")
            if not (slow and number > 3 * len(_SCENARIOS)):  # a minute each: once will do
                name, scenario = _SCENARIOS[turn]
        yield Case(KIND, number, name, name, _act(scenario, rng))


def _act(scenario: Scenario, rng: random.Random) -> Callable[[Workshop], list[Fault]]:
    def act(shop: Workshop) -> list[Fault]:
        could = loads(shop.job)
        if scenario is _foreign_links or rng.random() < 0.2:
            _links(shop)
        outside = _outside(shop)
        faults: list[Fault] = []
        asked: list[tuple[str, int]] = []

        def serve() -> int:
            with open_desk(shop.root, shop.job) as desk:
                faults.extend(scenario(desk, shop, rng))
                alive = desk.ask("GET", "/api/jobs", wait_s=20)
                if alive.status not in (200, 403):
                    faults.append(Fault("hang", f"afterwards it answers with {alive.status}"))
                desk.settled()
                asked.extend(desk.answers)
            return 0

        said = said_of(("desk",), serve)
        shown = "\n".join(f"{status} {name[:300]}" for name, status in asked)
        faults += [Fault("traceback", f"{name}: {s}\n{said.err[-3000:]}")
                   for name, s in asked if s >= 500][:3]  # fmt: skip
        if said.escaped or escaped(said.err):
            faults.append(Fault("traceback", said.escaped or said.err[-4000:]))
        if _outside(shop) != outside:
            faults.append(Fault("lost", "something was written through a link"))
        (shop.root / "said.txt").write_text(shown + "\n" + said.shown(), "utf-8", "replace")
        return faults + bricked(could, loads(shop.job))

    return act


def _links(shop: Workshop) -> None:
    """What a foreign hand may have put into the folder."""
    (shop.root / "outside").mkdir()
    (shop.root / "outside" / "secret.txt").write_text("the-till-has-no-lock\n")
    shop.job.joinpath("cut").mkdir(exist_ok=True)
    (shop.job / "cut" / "away.svg").symlink_to(shop.root / "outside" / "secret.txt")
    (shop.job / "cut" / "loop").symlink_to(".")
    (shop.job / "pictures" / "round.png").symlink_to("round.png")
    (shop.root / "linked.job").symlink_to("outside")
    (shop.root / "turning.job").symlink_to("turning.job")


def _outside(shop: Workshop) -> dict[str, str]:
    return {k: v for k, v in snapshot(shop.root).items() if k.startswith("outside/")}


def routes_of(desk: OpenDesk) -> list[tuple[str, str]]:
    """Method and path of every route, from the running application itself."""
    app: Any = desk.server._server.config.app
    while not hasattr(app, "routes"):
        app = app._app
    return [
        (method, route.path)
        for route in app.routes
        for method in sorted(getattr(route, "methods", None) or {"GET"})
    ]


def _requests(desk: OpenDesk, shop: Workshop, rng: random.Random) -> list[Fault]:
    faults = []
    record = desk.ask("GET", f"/api/jobs/{desk.job}").json()
    photos = re.findall(r"[0-9a-f]{16}", json.dumps(record))
    draft = desk.ask("POST", "/api/drafts", b"{}").json().get("draft", "x")
    files = re.findall(r'"file": ?"([^"]+)"', json.dumps(
        desk.ask("GET", f"/api/jobs/{desk.job}/files").json()))  # fmt: skip
    known = {"job": [desk.job], "photo": photos[:3], "draft": [draft], "file": files[:5]}
    for _ in range(14):
        method, path = rng.choice(routes_of(desk))
        if rng.random() < 0.1:
            method = rng.choice(["GET", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "X"])

        def filled(found: re.Match[str]) -> str:
            good = known.get(found[1].split(":")[0]) or ["1", "0"]
            return str(rng.choice(good)) if rng.random() < 0.75 else _quoted(rng)

        path = re.sub(r"\{([\w:]+)\}", filled, path)
        if rng.random() < 0.3:
            path += f"?{rng.choice(['page', 'show', 'name', 'key', 'picture', 'x'])}={_quoted(rng)}"
        headers = {}
        if rng.random() < 0.8:
            headers["If-Match"] = json.dumps(record.get("revision", ""))
        if rng.random() < 0.15:
            name = rng.choice(["Origin", "Host", "Cookie", "If-Match", "Last-Event-ID", "Range",
                               "Content-Type", "Accept-Encoding", "X-Desk-Token", "Expect",
                               "Sec-Fetch-Site", "Upgrade"])  # fmt: skip
            headers[name] = _header(rng)
        body = None if method in ("GET", "HEAD") else _body(record, rng)
        answer = desk.ask(method, path, body, headers)
        faults += _told(answer.body, f"{method} {path}")
    return faults


def _quoted(rng: random.Random) -> str:
    return _escaped(hostile_text(rng)[:2000], rng)


def _escaped(text: str, rng: random.Random) -> str:
    from urllib.parse import quote

    return quote(text.encode("utf-8", "surrogateescape"), safe="" if rng.random() < 0.7 else "/.")


def _header(rng: random.Random) -> str:
    text = rng.choice([hostile_text(rng)[:500], "9" * 400, "²", "-1", "a=b; c", "null", "*"])
    return re.sub(r"[\r\n\x00]", "", text)


def _body(record: Any, rng: random.Random) -> bytes:
    path = rng.choice([
        ["row", "T01", "height_mm"], ["row", "T01", "name"], ["row", "T99", "name"], ["plan",
        "title"],
        ["lay", "1", "card_size_mm"], ["lay", "²", "edge"], ["lay", "9" * 30, "edge"], ["plan",
        "bay"],
        ["photo", "x", "keep"], ["plan", "moves", "T01"], ["plan", "tools", "T01"], ["plan"], [],
        ["x"],
        ["lay", "1", "camera_height_mm"], ["plan", "rules"], ["plan", "placement"], ["plan",
        "plain"],
    ])  # fmt: skip
    now = rng.choice([None, 1, -1, 1e308, "x", [], {}, True, [1, 2], [[0, 0], [1, 1]], {"a": 1},
                      {"gap_mm": 1e308}, {"finger_mm": "inf"}, "a" * 5000, 10**30,
                      {"x_mm": 1e9, "y_mm": 0}])  # fmt: skip
    edit = {
        "kind": "x",
        "subject": "T01",
        "changes": [{"path": path, "was": rng.choice([None, 6.0, 30.0, "x"]), "now": now}],
    }
    other = {"name": hostile_text(rng)[:200], "machine": "router",
    "material": hostile_text(rng)[:99],
             "line": [[1, 1], [300, 300]], "reach_px": 20, "card_size_mm": now,
             "default_height_mm": now, "thickness_mm": now, "fit": now, "add": now}  # fmt: skip
    data = json.dumps(rng.choice([edit, edit, other, {}])).encode()
    return damaged_json(data, rng)[0][:3_000_000] if rng.random() < 0.6 else data


def _told(body: bytes, name: str, typed: str = "") -> list[Fault]:
    with suppress(ValueError, AttributeError, TypeError):
        error = json.loads(body).get("error")
        if isinstance(error, dict):
            text = f"{error['sentence']} {error['remedy']}"
            text = text.replace(typed, "…") if len(typed) > 2 else text
            if (word := programmers_words(text)) is not None:
                return [Fault("words", f"{name}: {word}: {text}")]
    return []


# -- scenarios ------------------------------------------------------------------------------------
def _slow_head(desk: OpenDesk, shop: Workshop, rng: random.Random) -> list[Fault]:
    return _closed(desk, b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-A: ")


def _slow_body(desk: OpenDesk, shop: Workshop, rng: random.Random) -> list[Fault]:
    head = (f"POST /api/jobs/{desk.job}/edits HTTP/1.1\r\nHost: 127.0.0.1:{desk.port}\r\n"
            f"Cookie: {desk.cookie}\r\nX-Desk-Token: {desk.token}\r\n"
            "Content-Length: 5000\r\n\r\n{")  # fmt: skip
    return _closed(desk, head.encode())


def _closed(desk: OpenDesk, raw: bytes) -> list[Fault]:
    with socket.create_connection(("127.0.0.1", desk.port), timeout=SLOW_S) as line:
        line.sendall(raw)
        end = time.monotonic() + SLOW_S
        with suppress(OSError):
            while time.monotonic() < end:
                line.settimeout(1.0)
                with suppress(TimeoutError):
                    if not line.recv(4096):
                        return []
                with suppress(TimeoutError):
                    line.sendall(b"a")
                time.sleep(2.0)
            return [Fault("hang", f"a slow line is still open after {SLOW_S:.0f} s")]
    return []


def _many_lines(desk: OpenDesk, shop: Workshop, rng: random.Random) -> list[Fault]:
    lines = []
    with suppress(OSError):
        for _ in range(200):
            lines.append(socket.create_connection(("127.0.0.1", desk.port), timeout=5))
            lines[-1].sendall(b"GET / HTT")
    answer = desk.ask("GET", "/api/jobs", wait_s=20)
    for line in lines:
        line.close()
    return [] if answer.status == 200 else [Fault("hang", "200 open lines keep others out")]


def _wrong_codes(desk: OpenDesk, shop: Workshop, rng: random.Random) -> list[Fault]:
    desk.server.patience.most_s = 0.2  # the pauses grow as ever, and the campaign goes on
    link = desk.server.desk.links.new("none", "")
    for _ in range(WRONG):
        desk.ask("GET", f"/phone?key={rng.randrange(10**8):08d}", known=False)
    good = desk.ask("GET", f"/phone?key={link.code}", known=False, wait_s=90)
    if good.status not in (200, 302, 303, 307):
        return [Fault("hang", f"after {WRONG} wrong codes a right one is answered {good.status}")]
    return []


def _lies(desk: OpenDesk, shop: Workshop, rng: random.Random) -> list[Fault]:
    host = f"Host: 127.0.0.1:{desk.port}\r\nCookie: {desk.cookie}\r\nX-Desk-Token: {desk.token}\r\n"
    at = f"/api/jobs/{desk.job}/edits"
    for raw in (
        f"POST {at} HTTP/1.1\r\n{host}Content-Length: -5\r\n\r\n{{}}",
        f"POST {at} HTTP/1.1\r\n{host}Content-Length: {'9' * 30}\r\n\r\n{{}}",
        f"POST {at} HTTP/1.1\r\n{host}Content-Length: 2\r\nContent-Length: 9\r\n\r\n{{}}",
        f"POST {at} HTTP/1.1\r\n{host}Transfer-Encoding: chunked\r\n\r\nZZ\r\n{{}}\r\n",
        f"POST {at} HTTP/1.1\r\n{host}Content-Length: 2\r\nExpect: 100-continue\r\n\r\n{{}}",
        f"GET {'/a' * 40_000} HTTP/1.1\r\n{host}\r\n",
        f"GET / HTTP/1.1\r\n{host}{'X: y' * 30_000}\r\n\r\n",
        "GET / HTTP/9.9\r\n\r\n",
        "\0\0\0\0\0\0\0\0\r\n\r\n",
        "\x16\x03\x01\x02\x00\x01\x00\r\n\r\n",
        f"GET /api/jobs HTTP/1.1\r\nHost: evil.example\r\nCookie: {desk.cookie}\r\n\r\n",
        f"GET /api/jobs HTTP/1.1\r\n{host}Origin: http://evil.example\r\n\r\n",
        f"OPTIONS * HTTP/1.1\r\n{host}\r\n",
        f"CONNECT x:1 HTTP/1.1\r\n{host}\r\n",
    ):
        answer = desk.send(raw[:60].split("\r")[0], raw.encode("latin-1"), 10.0)
        foreign = "evil" in raw and answer.status < 400
        if foreign:
            return [Fault("lost", f"a foreign page is answered with {answer.status}")]
    return []


def _foreign_links(desk: OpenDesk, shop: Workshop, rng: random.Random) -> list[Fault]:
    faults = []
    listed = desk.ask("GET", f"/api/jobs/{desk.job}/files")
    for name in re.findall(r'"file": ?"([^"]+)"', listed.body.decode("utf-8", "replace")):
        if b"no-lock" in desk.ask("GET", f"/api/jobs/{desk.job}/files/{name}").body:
            faults.append(Fault("lost", "a file outside the job is given out through a link"))
    everything = desk.ask("GET", f"/api/jobs/{desk.job}/all-files").body
    import io
    import zipfile

    with suppress(zipfile.BadZipFile):
        archive = zipfile.ZipFile(io.BytesIO(everything))
        if any(b"no-lock" in archive.read(n) for n in archive.namelist()):
            faults.append(Fault("lost", "a file outside the job is packed through a link"))
    for name in ("linked", "turning"):
        draft = desk.ask("POST", "/api/drafts", b"{}").json().get("draft", "x")
        desk.ask("PUT", f"/api/drafts/{draft}/photos/0?name=a.jpg",
                 (shop.root / "photo.jpg").read_bytes())  # fmt: skip
        body = json.dumps({"name": name, "replace": True, "add": False}).encode()
        told = desk.ask("POST", f"/api/drafts/{draft}/trace", body).json()
        end = time.monotonic() + 30
        while told.get("job") and time.monotonic() < end:
            run = desk.ask("GET", f"/api/jobs/{told['job']}").json().get("run") or {}
            if run.get("phase") not in ("waiting", "running"):
                break
            time.sleep(0.1)
    return faults


def _uploads(desk: OpenDesk, shop: Workshop, rng: random.Random) -> list[Fault]:
    draft = desk.ask("POST", "/api/drafts", b"{}").json().get("draft", "x")
    faults = []
    for slot in ("0", "1", "39", "40", "999999999999", "-1", "1.5"):
        data, _ = damaged_picture((shop.root / "photo.jpg").read_bytes(), rng)
        named = hostile_text(rng)[:2000]
        path = f"/api/drafts/{draft}/photos/{slot}?name={_escaped(named, rng)}"
        answer = desk.ask("PUT", path, data)
        faults += _told(answer.body, f"PUT photo {slot}", named)
    desk.ask("POST", f"/api/drafts/{draft}/trace", json.dumps({"name": hostile_text(rng)}).encode())
    return faults


def _events(desk: OpenDesk, shop: Workshop, rng: random.Random) -> list[Fault]:
    for last in ("", "0", "-1", "9" * 30, "²", "x", "1e9", "9" * 5000):
        desk.ask("GET", "/api/events", headers={"Last-Event-ID": last}, wait_s=1.0)
    return []


_SCENARIOS: tuple[tuple[str, Scenario], ...] = (
    ("lies", _lies),
    ("links", _foreign_links),
    ("uploads", _uploads),
    ("wrong codes", _wrong_codes),
    ("many lines", _many_lines),
    ("events", _events),
    ("slow head", _slow_head),
    ("slow body", _slow_body),
)
