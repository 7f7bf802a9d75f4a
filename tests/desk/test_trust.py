"""What a person must be able to rely on: nothing is swallowed, nothing is lost without a word."""

from __future__ import annotations

import io
import json
import shutil
import socketserver
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from tests.desk.bench import seed_job
from tests.desk.conftest import serving
from tests.desk.test_files_fresh import MOVE, OPTIONS, lay_job
from tests.desk.test_page import cell, kept, shown, typed
from tests.desk.test_whole_way import drop, screen
from tracer.desk.jobs import job_id
from tracer.desk.server import DeskServer
from tracer.desk.standing import address_of_running, read_standing
from tracer.project.edits_file import Change, Edit
from tracer.project.schema import dump_job, load_job
from tracer.project.store import JobFolder
from tracer.workflows.arranging.arrange import arrange_job
from tracer.workflows.cutting.cut_job import cut_job
from tracer.workflows.editing.job_edits import make_edit

Open = Callable[..., Any]


@pytest.fixture(scope="module")
def cut_and_changed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = lay_job(tmp_path_factory.mktemp("cut") / "bench.job")
    arrange_job(folder)
    cut_job(folder, OPTIONS)
    make_edit(folder, MOVE)
    return folder.path


def mass(page: Any, tool: str, value: str) -> None:
    cell(page, tool, "mass_kg").fill(value)
    page.keyboard.press("Enter")


def test_old_files_say_so_and_are_made_again_by_one_press(
    tmp_path: Path, cut_and_changed: Path, open_page: Open
) -> None:
    shutil.copytree(cut_and_changed, tmp_path / "bench.job")
    with serving(tmp_path, "bench") as server:
        page = open_page(server)
        page.get_by_role("button", name="Files", exact=True).click()
        page.locator(".file-list .old").first.wait_for()
        name = page.locator(".file-list .old a").first.get_attribute("aria-label")
        page.locator(".file-list .old a").first.click()
        dialog = page.get_by_role("dialog")
        assert name.removeprefix("Download ") in dialog.inner_text()
        dialog.get_by_role("button", name="Cancel").click()
        page.get_by_role("link", name="Download all").click()
        with page.expect_download():
            page.get_by_role("button", name="Take the old all the same").click()
        page.get_by_role("button", name="Make them again").click()
        page.wait_for_selector(".old-files", state="hidden", timeout=60_000)
        assert page.locator(".file-list .old").count() == 0


def test_every_change_stands_in_one_list_that_steps_both_ways(
    desk: DeskServer, open_page: Open
) -> None:
    page = shown(open_page(desk))
    for tool, value in (("T01", "0.1"), ("T02", "0.2"), ("T03", "0.3")):
        mass(page, tool, value)
    kept(page)
    page.locator(".edit-keys summary").click()
    lines = page.locator(".changes button")
    lines.nth(3).wait_for()  # drawn once the page hears that the list was opened
    assert lines.all_inner_texts()[1:] == [f"Mass kg of T0{n}" for n in (1, 2, 3)]
    lines.nth(1).click()
    page.wait_for_function(
        "() => document.querySelector('input[data-id=T03][data-column=mass_kg]').value === ''"
    )
    assert cell(page, "T01", "mass_kg").input_value() == "0.1"
    lines.nth(3).click()
    page.wait_for_function(
        "() => document.querySelector('input[data-id=T03][data-column=mass_kg]').value === '0.3'"
    )
    kept(page)
    assert typed(desk, "mass_kg")["cable cutters"] == 0.3


def test_undo_is_not_swallowed_when_a_run_ends_in_between(
    desk: DeskServer, open_page: Open
) -> None:
    page = shown(open_page(desk))
    mass(page, "T03", "0.3")
    kept(page)
    page.route("**/api/events", lambda route: route.abort())  # hears nothing of what follows
    folder = JobFolder(desk.root / "bench.job")
    with folder.locked():  # as a run leaves it: the same inputs, another state of the job
        record = load_job(folder.read("job.json"), "job.json")
        lay = replace(record.lays[0], traced="0" * 16)
        folder.commit({"job.json": dump_job(replace(record, lays=(lay,)))})
    page.get_by_role("button", name="Undo").click()
    kept(page)
    assert typed(desk, "mass_kg")["cable cutters"] is None


def test_an_answer_that_was_lost_makes_no_second_edit(desk: DeskServer, open_page: Open) -> None:
    page = shown(open_page(desk))
    lost = []

    def once(route: Any) -> None:
        if lost:
            route.continue_()
            return
        lost.append(route.fetch())  # the desk makes the edit, the page never hears of it
        route.abort()

    page.route("**/edits", once)
    page.get_by_role("button", name="Drop", exact=True).click()
    page.locator(".picture").click(position={"x": 200, "y": 200})
    page.wait_for_function("() => document.querySelector('.kept').textContent !== 'Kept'")
    kept(page)
    record = load_job(JobFolder(desk.root / "bench.job").read("job.json"), "job.json")
    assert len(lost) == 1 and len(record.lays[0].photos[0].corrections.drop) == 1


def test_what_another_program_writes_is_shown(desk: DeskServer, open_page: Open) -> None:
    page = shown(open_page(desk))
    page.wait_for_timeout(1200)  # the desk has looked at the folder once
    folder = JobFolder(desk.root / "bench.job")
    make_edit(folder, Edit("cell", "T03", (Change(("row", "T03", "mass_kg"), None, 0.7),)))
    page.wait_for_function(
        "() => document.querySelector('input[data-id=T03][data-column=mass_kg]').value === '0.7'"
    )


def test_a_job_that_is_taken_away_is_told_once_and_what_was_typed_is_shown(
    desk: DeskServer, open_page: Open
) -> None:
    page = shown(open_page(desk))
    requests: list[str] = []
    page.on("request", lambda r: requests.append(r.url))
    page.wait_for_timeout(1200)
    shutil.rmtree(desk.root / "bench.job")
    mass(page, "T03", "0.3")
    dialog = page.get_by_role("dialog")
    dialog.wait_for()
    assert "bench" in dialog.inner_text()
    before = len(requests)
    page.wait_for_timeout(2000)
    assert len(requests) - before <= 4  # no endless loop
    assert not (desk.root / "bench.job").exists()  # nor is a folder made anew
    dialog.get_by_role("button", name="All jobs").click()
    page.locator(".zone").wait_for()


def test_a_desk_that_was_killed_and_started_again_knows_its_page(
    tmp_path: Path, open_page: Open
) -> None:
    seed_job(tmp_path / "jobs" / "bench.job")
    note = tmp_path / "state" / "note"

    def start() -> tuple[DeskServer, threading.Thread]:
        job = JobFolder(tmp_path / "jobs" / "bench.job")
        server = DeskServer(tmp_path / "jobs", job, standing=note)
        server.open()
        thread = threading.Thread(target=server.run)
        thread.start()
        return server, thread

    server, thread = start()
    page = shown(open_page(server))
    server.stop()
    thread.join(timeout=20)
    page.locator(".lost").wait_for(state="visible")
    mass(page, "T03", "0.3")
    server, thread = start()
    try:
        kept(page)
        page.locator(".lost").wait_for(state="hidden")
        assert typed(server, "mass_kg")["cable cutters"] == 0.3
        page.reload()
        shown(page)
        found = read_standing(note)
        assert found is not None and note.stat().st_mode & 0o077 == 0
        again = address_of_running(found)
        assert again is not None
        other = page.context.browser.new_context().new_page()
        other.goto(again)
        shown(other)
        other.context.close()
    finally:
        server.stop()
        thread.join(timeout=20)


def test_what_was_not_kept_outlives_the_page(tmp_path: Path, open_page: Open) -> None:
    seed_job(tmp_path / "bench.job")
    with serving(tmp_path, "bench") as server:
        page = shown(open_page(server))
        page.on("dialog", lambda d: d.accept())
        page.route("**/edits", lambda route: route.abort())
        mass(page, "T03", "0.3")
        page.wait_for_function("() => document.querySelector('.kept').textContent !== 'Kept'")
        page.unroute("**/edits")
        page.evaluate("() => { window.onbeforeunload = null; }")
        page.goto("about:blank")
        page.goto(f"http://127.0.0.1:{server.keys.port}/")
        shown(page)
        kept(page)
        assert cell(page, "T03", "mass_kg").input_value() == "0.3"
        assert typed(server, "mass_kg")["cable cutters"] == 0.3


def test_a_note_of_another_user_or_day_does_not_count(tmp_path: Path) -> None:
    note = tmp_path / "note"
    body = {"port": 4000, "token": "t" * 32, "session": "s" * 32}
    note.write_text(json.dumps(body))
    note.chmod(0o600)
    assert read_standing(note) is not None
    assert read_standing(note, now=note.stat().st_mtime + 13 * 3600) is None
    note.chmod(0o644)
    assert read_standing(note) is None
    note.chmod(0o600)
    for broken in ({**body, "port": 0}, {**body, "token": "short"}, {}, []):
        note.write_text(json.dumps(broken))
        assert read_standing(note) is None


def test_nobody_else_is_taken_for_the_desk(tmp_path: Path) -> None:
    """A program that took the port must not send people elsewhere."""
    answers: list[bytes] = []

    class Liar(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            answers.append(self.request.recv(4096))
            text = b'{"address": "http://evil.example/?key=1"}'
            self.wfile.write(b"HTTP/1.0 200 OK\r\nContent-Length: %d\r\n\r\n" % len(text) + text)

    with socketserver.TCPServer(("127.0.0.1", 0), Liar) as liar:
        threading.Thread(target=liar.handle_request).start()
        note = tmp_path / "note"
        note.write_text(
            json.dumps({"port": liar.server_address[1], "token": "t" * 32, "session": "s" * 32})
        )
        note.chmod(0o600)
        standing = read_standing(note)
        assert standing is not None and address_of_running(standing) is None
    assert answers


def test_a_first_run_that_fails_leads_back_after_a_reload(tmp_path: Path, open_page: Open) -> None:
    with serving(tmp_path) as server:
        page = open_page(server)
        out = io.BytesIO()
        Image.new("RGB", (800, 600), (120, 130, 125)).save(out, "JPEG")
        drop(page, "bare.jpg", out.getvalue())
        page.get_by_label("Name of the job").fill("bare")
        page.get_by_label("Height of tools").fill("7")
        page.get_by_role("button", name="Trace").click()
        page.locator(".refusal").wait_for(timeout=60_000)
        # as a page that was loaded anew while the run was on finds it
        page.goto("about:blank")
        page.goto(f"http://127.0.0.1:{server.keys.port}/#{job_id(tmp_path / 'bare.job')}")
        page.locator(".refusal").wait_for(timeout=60_000)
        assert page.get_by_label("Name of the job").input_value() == "bare"
        assert page.get_by_label("Height of tools").input_value() == "7"
        page.locator(".photos li").wait_for()


def test_a_line_on_the_bare_sheet_changes_nothing(desk: DeskServer, open_page: Open) -> None:
    page = shown(open_page(desk))
    before = (desk.root / "bench.job" / "job.json").read_bytes()
    page.get_by_role("button", name="Edge", exact=True).click()
    free = page.evaluate(
        """() => { const paths = [...document.querySelectorAll('.seen .core, .card')];
             const inside = (x, y) => paths.some((p) => { const b = p.getBBox();
               return Math.abs(x - b.x - b.width / 2) < b.width / 2 + 40
                 && Math.abs(y - b.y - b.height / 2) < b.height / 2 + 40; });
             const hull = document.querySelector('.hull').getBBox();
             for (let y = hull.y + 20; y < hull.y + hull.height; y += 10)
               for (let x = hull.x + 20; x < hull.x + hull.width - 60; x += 10)
                 if (!inside(x, y) && !inside(x + 40, y)) return [x, y]; return null; }"""
    )
    assert free is not None, "this lay has no bare place"
    for dx in (0, 20, 40):
        page.locator(".picture").click(position=screen(page, (free[0] + dx, free[1])))
    page.keyboard.press("Enter")
    page.locator(".messages p").wait_for()
    assert "nothing was changed" in page.locator(".messages").inner_text()
    assert (desk.root / "bench.job" / "job.json").read_bytes() == before
