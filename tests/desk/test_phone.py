"""What a phone may do that was invited: send photos to one draft, and nothing else.

The rules are those of the OWASP cheat sheets on session management (a session of its own, that
ends and can be revoked) and on authentication (wrong guesses are slowed down, not locked out).
"""

from __future__ import annotations

import asyncio
import io
import json
import re
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from tests.desk.bench import seed_job
from tests.desk.client import LAN, Open, joined, open_to_phones
from tracer.desk.gate import PHONE_FILES
from tracer.desk.links import LIFE_S, Links
from tracer.desk.patience import Patience
from tracer.errors import TracerError


def picture(shade: int = 120) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (640, 480), (shade, 130, 125)).save(out, "JPEG")
    return out.getvalue()


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Open]:
    seed_job(tmp_path / "bench.job")
    with open_to_phones(tmp_path, monkeypatch) as opened:
        yield opened


def invited(desk: Open, title: str = "") -> dict[str, Any]:
    draft = desk.json("POST", "/api/drafts")["draft"]
    return {**desk.json("POST", "/api/links", draft=draft, title=title), "draft": draft}


def sent(phone: Open, data: bytes, name: str = "lay.jpg") -> tuple[int, bytes]:
    return phone.ask("POST", f"/phone/photos?name={name}", data)[:2]


def test_a_phone_sends_photos_that_the_desk_sees(desk: Open) -> None:
    invitation = invited(desk, "saddle wall")
    phone = joined(desk, invitation)
    page = phone.ask("GET", "/phone", token=False)[1].decode()
    assert 'data-title="saddle wall"' in page
    assert sent(phone, picture(), "..%2Flay.jpg")[0] == 200
    assert sent(phone, picture(121))[0] == 200
    assert sent(phone, picture())[0] == 200  # once more, as after a lost answer: not doubled
    state = phone.json("GET", "/phone/state")
    assert [p["name"] for p in state["photos"]] == ["lay.jpg", "lay.jpg"]
    assert 0 < state["ends_in_s"] <= LIFE_S
    draft = desk.json("GET", f"/api/drafts/{invitation['draft']}")
    assert [p["bytes"] for p in draft["photos"]] == [len(picture()), len(picture(121))]
    status, data = sent(phone, b"shopping list: foam, glue", "notes.jpg")
    assert status == 422 and b"notes.jpg is not a picture" in data
    assert len(desk.json("GET", f"/api/drafts/{invitation['draft']}")["photos"]) == 2


def test_a_phone_can_do_nothing_else(desk: Open) -> None:
    """Every route of the desk, asked with the phone's cookie and token, near and far."""
    phone = joined(desk, invited(desk))
    job = next(iter(desk.server.desk.jobs())).job_id
    routes = [r for r in desk.server._server.config.app._app.routes if hasattr(r, "methods")]
    asked = 0
    for address in (LAN, "127.0.0.1"):
        seen = Open(desk.server, job, phone.cookie, address, phone.shown_token)
        for route in routes:
            if route.path.startswith("/phone") or route.path == "/{name}":
                continue
            path = re.sub(r"\{job\}", job, route.path)
            path = re.sub(r"\{\w+(:int)?\}", "0", path)
            for method in route.methods - {"HEAD"}:
                status, data, _ = seen.ask(method, path, b"{}" if method != "GET" else None)
                assert status == 403, (method, path)
                assert desk.server.keys.token.encode() not in data
                asked += 1
        for name in ("/main.js", "/index.html", "/phone.html", "/api/jobs"):
            assert seen.ask("GET", name)[0] in {403, 404}, name
        for name in PHONE_FILES:
            assert seen.ask("GET", name)[0] == 200, name
    assert asked > 50
    # only through its own door: no other method, no other draft
    assert phone.ask("DELETE", "/phone/photos")[0] == 405
    assert phone.ask("GET", "/phone/state?draft=x")[0] == 200
    assert phone.ask("POST", "/phone/photos?name=a.jpg", picture(), token=False)[0] == 403


def test_the_desks_own_session_does_not_open_it_from_the_network(desk: Open) -> None:
    far = Open(desk.server, "", desk.cookie, LAN)
    assert far.ask("GET", "/api/jobs")[0] == 403
    assert far.ask("GET", "/api/jobs", Host=f"127.0.0.1:{desk.server.keys.port}")[0] == 421
    key = desk.server.keys.new_key()
    assert far.ask("GET", f"/?key={key}", cookie=False)[0] == 403
    assert desk.ask("GET", f"/?key={key}", cookie=False)[0] == 303  # and it was not used up
    assert desk.ask("GET", "/api/jobs", Host=f"{LAN}:{desk.server.keys.port}")[0] == 421


@pytest.mark.parametrize("by", ["code", "qr"])
def test_an_invitation_opens_once(desk: Open, by: str) -> None:
    invitation = invited(desk)
    assert len(invitation["code"]) == 8 and "<svg" in invitation["qr"]
    link = next(iter(desk.server.desk.links._links.values()))
    key = invitation["code"] if by == "code" else link.key
    stranger = Open(desk.server, "", "", LAN)
    assert stranger.ask("HEAD", f"/phone?key={key}", token=False)[0] == 403  # previews take nothing
    status, _, headers = stranger.ask("GET", f"/phone?key={key}", token=False)
    assert status == 303
    cookie = headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=strict" in cookie
    for again in (invitation["code"], link.key):
        assert stranger.ask("GET", f"/phone?key={again}", token=False)[0] == 403
    assert stranger.ask("GET", "/phone", token=False, Cookie=headers["set-cookie"])[0] == 200
    assert stranger.ask("GET", "/phone/state", token=False)[0] == 403


def test_the_page_lists_links_and_revokes_them(desk: Open) -> None:
    invitation = invited(desk, "saddle wall")
    listed = desk.json("GET", "/api/links")["links"]
    assert [(one["title"], one["address"]) for one in listed] == [("saddle wall", "")]
    assert invitation["code"] not in json.dumps(listed)
    phone = joined(desk, invitation)
    assert [one["address"] for one in desk.json("GET", "/api/links")["links"]] == ["127.0.0.1"]
    assert desk.ask("DELETE", f"/api/links/{invitation['link']}", token=False)[0] == 403
    desk.json("DELETE", f"/api/links/{invitation['link']}")
    assert desk.json("GET", "/api/links")["links"] == []
    for method, path in (("POST", "/phone/photos?name=a.jpg"), ("GET", "/phone/state")):
        status, data, _ = phone.ask(method, path, picture() if method == "POST" else None)
        assert status == 410 and b"phone-link-ended" in data
    assert phone.ask("GET", "/phone", token=False)[0] == 410
    assert desk.ask("DELETE", "/api/links/nothing")[0] == 404


def test_a_link_revoked_while_a_photo_comes_in_keeps_nothing(desk: Open) -> None:
    invitation = invited(desk)
    phone = joined(desk, invitation)
    import http.client

    connection = http.client.HTTPConnection(LAN, desk.server.keys.port, timeout=20)
    data = picture()
    connection.putrequest("POST", "/phone/photos?name=a.jpg")
    for name, value in {
        "Cookie": phone.cookie,
        "X-Desk-Token": phone.shown_token,
        "Content-Length": str(len(data)),
    }.items():
        connection.putheader(name, value)
    connection.endheaders(data[:1000])
    time.sleep(0.3)
    desk.json("DELETE", f"/api/links/{invitation['link']}")
    connection.send(data[1000:])
    assert connection.getresponse().status == 410
    assert desk.json("GET", f"/api/drafts/{invitation['draft']}")["photos"] == []


def test_a_link_ends_after_its_time() -> None:
    now = [100.0]
    links = Links(clock=lambda: now[0])
    link = links.new("draft", "")
    assert links.take(link.code, "10.0.0.9") is link
    now[0] += LIFE_S - 1
    assert links.of_session(link.session) is link and not link.ended
    late = links.new("draft", "")
    now[0] += 2
    assert links.of_session(link.session).ended == "time"  # type: ignore[union-attr]
    assert [one["link"] for one in links.records()] == [late.link_id]
    now[0] += LIFE_S
    assert links.take(late.key, "10.0.0.9") is None


def test_links_are_bounded() -> None:
    links = Links()
    opened = [links.new("draft", "") for _ in range(8)]
    with pytest.raises(TracerError) as caught:
        links.new("draft", "")
    assert caught.value.slug == "desk-too-many-phones"
    for _ in range(200):  # ended ones are forgotten in the end
        links.revoke(opened.pop().link_id)
        opened.append(links.new("draft", ""))
    assert len(links._links) < 60


def test_a_link_ends_with_the_run_that_traced_its_photos(
    desk: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    invitation = invited(desk)
    phone = joined(desk, invitation)
    assert sent(phone, picture())[0] == 200
    going, go_on = threading.Event(), threading.Event()

    def traced(folder: Any, files: Any, **_: Any) -> None:
        going.set()
        assert go_on.wait(20)
        assert [f.data for f in files] == [picture()]
        seed_job(folder.path)

    monkeypatch.setattr("tracer.desk.jobs.trace_job", traced)
    desk.json("POST", f"/api/drafts/{invitation['draft']}/trace", name="wall")
    assert going.wait(20)
    status, data = sent(phone, picture(90))  # too late for this run, and it would be lost
    assert status == 423 and b"desk-photos-in-use" in data
    assert phone.json("GET", "/phone/state")["traced_now"] is True
    go_on.set()
    for _ in range(100):
        if phone.ask("GET", "/phone/state")[0] == 410:
            break
        time.sleep(0.05)
    status, data = sent(phone, picture(90))
    assert status == 410 and b"The photos are traced" in data
    assert desk.json("GET", "/api/links")["links"] == []


def test_a_failed_run_leaves_the_link_open(desk: Open) -> None:
    invitation = invited(desk)
    phone = joined(desk, invitation)
    assert sent(phone, picture())[0] == 200
    job = desk.json("POST", f"/api/drafts/{invitation['draft']}/trace", name="bare")["job"]
    for _ in range(400):
        if desk.json("GET", f"/api/jobs/{job}")["run"]["phase"] == "failed":  # no card in it
            break
        time.sleep(0.05)
    assert sent(phone, picture(90))[0] == 200
    assert len(desk.json("GET", f"/api/drafts/{invitation['draft']}")["photos"]) == 2


def test_no_phone_unless_asked_for(desk: Open, tmp_path: Path) -> None:
    from tests.desk.conftest import serving

    with serving(tmp_path, "bench") as server:
        alone = Open(server, "", f"{server.keys.cookie}={server.keys.session}")
        draft = alone.json("POST", "/api/drafts")["draft"]
        status, data, _ = alone.ask("POST", "/api/links", json.dumps({"draft": draft}).encode())
        assert status == 422 and b"desk-not-on-network" in data
        assert alone.json("GET", "/api/links") == {"links": [], "possible": False}
        assert alone.ask("GET", "/phone", token=False)[0] == 403


def test_wrong_codes_slow_down_and_lock_nobody_out(desk: Open) -> None:
    """Bounds are one-sided where a busy machine could make them fail."""
    desk.server.patience.first_s, desk.server.patience.most_s = 0.5, 1.5
    invitation = invited(desk)
    stranger = Open(desk.server, "", "", LAN)
    took = []
    for guess in range(7):
        start = time.monotonic()
        assert stranger.ask("GET", f"/phone?key=x{guess:07d}", token=False)[0] == 403
        took.append(time.monotonic() - start)
    # two slips are free, then 0.5, 1, 1.5, 1.5 ... s; each pause is served by the next try
    assert min(took[:3]) < 0.4 and took[3] > 0.4 and took[4] > 0.9
    assert all(1.4 < one < 10 for one in took[5:])
    start = time.monotonic()
    joined(desk, invitation)  # the right one is late, not refused
    assert 1.4 < time.monotonic() - start < 10
    start = time.monotonic()
    assert stranger.ask("GET", "/phone?key=wrong", token=False)[0] == 403  # anew from here
    assert time.monotonic() - start < 1.4


def test_guessing_at_many_connections_gains_nothing(desk: Open) -> None:
    desk.server.patience.first_s = desk.server.patience.most_s = 0.5
    desk.server.patience.free = 0
    stranger = Open(desk.server, "", "", LAN)
    answers: list[int] = []

    def guess() -> None:
        answers.append(stranger.ask("GET", "/phone?key=0", token=False)[0])

    threads = [threading.Thread(target=guess) for _ in range(12)]
    start = time.monotonic()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=30)
    assert sorted(set(answers)) == [403, 429]
    judged = answers.count(403)
    assert judged <= 1 + (time.monotonic() - start) / 0.45
    assert desk.ask("GET", "/api/jobs")[0] == 200  # meanwhile the desk itself is not slowed


def test_patience_is_by_address_and_bounded() -> None:
    now = [0.0]
    patience = Patience(clock=lambda: now[0], most_known=10, first_s=0.0, most_s=0.0)

    async def many() -> None:
        for k in range(50):
            async with patience.turn(f"10.0.0.{k}") as turn:
                patience.wrong(turn)
        assert len(patience._turns) <= 11
        now[0] += patience.forget_s + 1
        async with patience.turn("10.0.0.99"):
            pass
        assert len(patience._turns) == 1

    with ThreadPoolExecutor(1) as pool:  # a browser's own loop may be running in this thread
        pool.submit(asyncio.run, many()).result()
