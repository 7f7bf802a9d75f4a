"""Who is let in: spoken to over a plain socket, so that no client library tidies requests up.

The rules are those of the OWASP cheat sheets on cross-site request forgery and on DNS rebinding
(Host and Origin checked, custom header token, SameSite cookie), and RFC 9110 for 421.
"""

from __future__ import annotations

import http.client
import json
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.desk.bench import seed_job
from tests.desk.client import Open
from tracer.desk.server import DeskServer
from tracer.project.tool_list import parse_tool_list
from tracer.workflows.editing.job_edits import undo


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Open]:
    root = tmp_path_factory.mktemp("desk")
    (root / "secret.txt").write_text("not for the desk")
    server = DeskServer(root, seed_job(root / "bench.job"))
    server.open()
    thread = threading.Thread(target=server.run)
    thread.start()
    keys = server.keys
    yield Open(server, next(iter(server.desk.jobs())).job_id, f"{keys.cookie}={keys.session}")
    server.stop()
    thread.join(timeout=20)
    assert not thread.is_alive(), "the server does not stop"


def test_listens_on_this_computer_alone(desk: Open) -> None:
    assert desk.server._socket.getsockname()[0] == "127.0.0.1"


def test_a_key_opens_once_and_leaves_the_address(desk: Open) -> None:
    key = desk.server.keys.new_key()
    status, _, headers = desk.ask("GET", f"/?key={key}", cookie=False)
    assert status == 303 and headers["location"] == "/"
    cookie = headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=strict" in cookie
    assert desk.ask("GET", f"/?key={key}", cookie=False)[0] == 403
    assert desk.ask("GET", "/?key=wrong", cookie=False)[0] == 403


@pytest.mark.parametrize("path", ["/", "/main.js", "/api/jobs", "/api/events"])
def test_nothing_is_read_without_the_cookie(desk: Open, path: str) -> None:
    status, data, _ = desk.ask("GET", path, cookie=False)
    assert status == 403 and desk.server.keys.token.encode() not in data


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "localhost.evil:80", ""]
)
def test_foreign_names_are_turned_away(desk: Open, host: str) -> None:
    assert desk.ask("GET", "/api/jobs", Host=host)[0] == 421


def test_foreign_pages_are_turned_away(desk: Open) -> None:
    for origin in ("http://evil.example", "null", "http://127.0.0.1:1", "https://127.0.0.1"):
        assert desk.ask("GET", "/api/jobs", Origin=origin)[0] == 403
    assert desk.ask("GET", "/api/jobs", Sec_Fetch_Site="cross-site")[0] == 403
    own = f"http://127.0.0.1:{desk.server.keys.port}"
    assert desk.ask("GET", "/api/jobs", Origin=own)[0] == 200


def test_changing_needs_the_token(desk: Open) -> None:
    path = f"/api/jobs/{desk.job}/undo"
    assert desk.ask("POST", path, b"{}", token=False)[0] == 403
    assert desk.ask("POST", path, b"{}", X_Desk_Token="guess")[0] == 403
    assert desk.ask("DELETE", f"/api/jobs/{desk.job}/run", token=False)[0] == 403
    assert desk.ask("PUT", "/api/drafts/x/photos/0", b"1", token=False)[0] == 403


@pytest.mark.parametrize(
    "path",
    [
        "/../secret.txt",
        "/..%2fsecret.txt",
        "/%2e%2e/secret.txt",
        "/..%5csecret.txt",
        "/secret.txt%00.js",
        "/index.html",
        "/api/jobs/../../secret.txt",
        "/api/jobs/{job}/files/..%2f..%2fsecret.txt",
        "/api/jobs/{job}/files/job.json",
        "/api/jobs/{job}/photos/..%2f/tiles/0/0/0",
        "/api/jobs/000000000000",
        "/api/drafts/..%2f..",
    ],
)
def test_no_path_leads_outside(desk: Open, path: str) -> None:
    status, data, _ = desk.ask("GET", path.replace("{job}", desk.job))
    assert status in {404, 405} and b"not for the desk" not in data


def test_a_link_out_of_the_job_is_not_followed(desk: Open) -> None:
    root = desk.server.root
    link = root / "bench.job" / "cut" / "leak.txt"
    link.parent.mkdir(exist_ok=True)
    link.symlink_to(root / "secret.txt")
    _, data, _ = desk.ask("GET", f"/api/jobs/{desk.job}/files")
    assert "leak" not in data.decode() and "outlines.json" in data.decode()


def test_every_answer_is_sealed(desk: Open) -> None:
    for path in ("/", "/main.js", "/api/jobs", "/nothing"):
        headers = desk.ask("GET", path)[2]
        policy = headers["content-security-policy"]
        assert "default-src 'self'" in policy and "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
    page = desk.ask("GET", "/")[1].decode()
    assert "http://" not in page and "https://" not in page  # nothing comes from the network


def test_too_much_is_refused_before_it_is_kept(desk: Open) -> None:
    draft = json.loads(desk.ask("POST", "/api/drafts", b"{}")[1])["draft"]
    path = f"/api/drafts/{draft}/photos/0?name=a.jpg"
    status, data, _ = desk.ask("PUT", path, b"", Content_Length=str(10**10))
    assert status == 413 and b"photo-too-large" in data
    assert desk.ask("PUT", f"/api/drafts/{draft}/photos/9999", b"x")[0] == 422
    status, data, _ = desk.ask("POST", f"/api/jobs/{desk.job}/edits", b"[" * 3_000_000)
    assert status == 413
    status, data, _ = desk.ask("POST", f"/api/jobs/{desk.job}/edits", b"[1", If_Match='"x"')
    assert status == 422 and b"desk-request-unclear" in data


def test_a_name_cannot_be_a_path(desk: Open, tmp_path: Path) -> None:
    draft = json.loads(desk.ask("POST", "/api/drafts", b"{}")[1])["draft"]
    for name in ("../x", "/etc/x", "a/b", "a\\b", "..", "", "con", "x\u0000"):
        body = json.dumps({"name": name}).encode()
        status, data, _ = desk.ask("POST", f"/api/drafts/{draft}/trace", body)
        assert status == 422 and b"job-name-unusable" in data, name


def test_a_page_without_a_revision_changes_nothing(desk: Open) -> None:
    body = json.dumps(
        {
            "kind": "cell",
            "subject": "",
            "changes": [{"path": ["row", "T01", "name"], "was": None, "now": "x"}],
        }
    ).encode()
    assert desk.ask("POST", f"/api/jobs/{desk.job}/edits", body)[0] == 422
    assert desk.ask("POST", f"/api/jobs/{desk.job}/edits", body, If_Match='"old"')[0] == 409


def test_a_killed_desk_loses_nothing_that_was_confirmed(tmp_path: Path) -> None:
    folder = seed_job(tmp_path / "bench.job")
    command = [sys.executable, "-m", "tracer", "desk", "bench", "--no-browser"]
    process = subprocess.Popen(command, cwd=tmp_path, stderr=subprocess.PIPE, text=True)
    assert process.stderr is not None
    address = process.stderr.readline().split()[-1]
    host = address.split("/")[2]
    connection = http.client.HTTPConnection(host, timeout=30)
    connection.request("GET", address.split(host)[1])
    cookie = connection.getresponse()
    cookie.read()
    head = {"Cookie": str(cookie.getheader("set-cookie")).split(";")[0]}
    connection.request("GET", "/", headers=head)
    page = connection.getresponse().read().decode()
    head["X-Desk-Token"] = page.split('data-token="')[1].split('"')[0]
    job = page.split('data-job="')[1].split('"')[0]
    for k in range(3):  # the last one is confirmed while a run is under way
        connection.request("GET", f"/api/jobs/{job}", headers=head)
        state = json.loads(connection.getresponse().read())
        change = {
            "path": ["row", "T03", "depth_mm"],
            "was": state["outlines"][2]["cells"]["depth_mm"],
            "now": 10 + k,
        }
        body = json.dumps({"kind": "cell", "subject": "", "changes": [change]})
        headers = head | {"If-Match": f'"{state["revision"]}"'}
        for _ in range(50):  # 423 while the run writes: the page tries again too
            connection.request("POST", f"/api/jobs/{job}/edits", body, headers)
            answer = connection.getresponse()
            answer.read()
            if answer.status != 423:
                break
            time.sleep(0.2)
        assert answer.status == 200
    process.kill()
    process.wait()
    with folder.locked():  # as the next run would: finishes or sweeps away what was begun
        pass
    rows = {r.name: r for r in parse_tool_list(folder.read("tools.csv"), "tools.csv").rows}
    assert rows["cable cutters"].depth_mm == 12
    undo(folder)
    rows = {r.name: r for r in parse_tool_list(folder.read("tools.csv"), "tools.csv").rows}
    assert rows["cable cutters"].depth_mm == 11
