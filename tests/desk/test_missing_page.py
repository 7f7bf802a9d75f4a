"""What is missing, asked on the page: by the desk's requests, in a browser, and from a phone."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from tests.desk.bench import seed_job
from tests.desk.client import Open, joined, open_to_phones
from tests.desk.test_doubts import CUT_OFF, OVERFLOW
from tests.desk.test_page import axe_faults
from tests.inspection.bench import GONE, bench_panel, needs_compiler, panel_photo
from tracer.desk.jobs import job_id
from tracer.model.panel_plan import PanelPlan
from tracer.project.panel_file import PanelFile, dump_panel

Pages = Callable[..., Any]


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Open]:
    folder = seed_job(tmp_path / "bench.job")
    panel = bench_panel()
    with folder.locked():
        folder.commit({"panel.json": dump_panel(PanelFile(PanelPlan(title=panel.title), panel))})
    seed_job(tmp_path / "bare.job")
    with open_to_phones(tmp_path, monkeypatch) as opened:
        opened.job = job_id(tmp_path / "bench.job")
        yield opened


def plain() -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (1200, 900), (120, 125, 122)).save(out, "JPEG")
    return out.getvalue()


def draft_with(desk: Open, *photos: bytes) -> str:
    draft = str(desk.json("POST", "/api/drafts")["draft"])
    for number, data in enumerate(photos):
        path = f"/api/drafts/{draft}/photos/{number}?name=evening-{number}.jpg"
        assert desk.ask("PUT", path, data)[0] == 200
    return draft


def get(desk: Open, path: str = "/inspection") -> Any:
    return desk.json("GET", f"/api/jobs/{desk.job}{path}")


def refused(desk: Open, job: str, draft: str) -> str:
    body = json.dumps({"draft": draft}).encode()
    status, data, _ = desk.ask("POST", f"/api/jobs/{job}/inspection", body)
    assert status == 422
    return str(json.loads(data)["error"]["slug"])


@needs_compiler
@pytest.mark.slow
def test_a_photo_tells_what_is_missing_and_is_kept(desk: Open) -> None:
    assert get(desk) == {"pockets": [], "checks": [], "pictures": [], "lines": []}
    draft = draft_with(desk, panel_photo(some_gone=True).jpeg, plain())
    desk.json("POST", f"/api/jobs/{desk.job}/inspection", draft=draft, by="Kim")
    assert desk.over()["phase"] == "idle"
    found = get(desk)
    missing = {p["id"] for p in found["pockets"] if p["state"] == "missing"}
    assert missing == set(GONE)
    assert [c["slug"] for c in found["checks"]] == ["photo-of-no-panel"]
    (line,) = found["lines"]
    assert (line["by"], line["missing"], line["photos"]) == ("Kim", "2", "evening-0.jpg")
    assert found["pictures"] == [1]
    data = desk.ask("GET", f"/api/jobs/{desk.job}/inspection/1.jpg")[1]
    assert Image.open(io.BytesIO(data)).format == "JPEG"
    # looked at, the photos go out of the draft: the next one counts by itself
    assert desk.json("GET", f"/api/drafts/{draft}")["photos"] == []
    desk.ask("PUT", f"/api/drafts/{draft}/photos/0?name=late.jpg", panel_photo().jpeg)
    desk.json("POST", f"/api/jobs/{desk.job}/inspection", draft=draft)
    assert desk.over()["phase"] == "idle"
    assert [one["photos"] for one in get(desk)["lines"]] == ["late.jpg", "evening-0.jpg"]


def test_what_cannot_be_looked_at_is_said(desk: Open) -> None:
    assert refused(desk, desk.job, draft_with(desk)) == "photo-missing"
    bare = job_id(desk.server.root / "bare.job")
    assert refused(desk, bare, draft_with(desk, plain())) == "panel-missing"
    desk.json("POST", f"/api/jobs/{desk.job}/inspection", draft=draft_with(desk, plain()))
    run = desk.over()
    assert (run["phase"], run["error"]["slug"]) == ("failed", "panel-not-seen")
    assert get(desk)["lines"] == []
    for number in (0, 1, 999):
        assert desk.ask("GET", f"/api/jobs/{desk.job}/inspection/{number}.jpg")[0] == 404
    assert desk.ask("POST", f"/api/jobs/{desk.job}/inspection", b'{"draft": "none"}')[0] == 404


def test_a_phone_is_told_that_a_panel_is_meant(desk: Open) -> None:
    draft = draft_with(desk)
    for panel, kind in ((True, "panel"), (False, "lay")):
        invitation = desk.json("POST", "/api/links", draft=draft, title="bench", panel=panel)
        page = joined(desk, invitation).ask("GET", "/phone", token=False)[1].decode()
        assert f'data-kind="{kind}"' in page


@needs_compiler
@pytest.mark.slow
def test_in_a_browser_and_by_phone(desk: Open, open_page: Pages, browser: Any) -> None:
    page = open_page(desk.server)
    page.set_default_timeout(25_000)
    page.get_by_role("button", name="In use").click()
    page.get_by_text("No photo has been looked at yet.").wait_for()
    look = page.get_by_role("button", name="See what is missing")
    assert look.is_disabled()
    page.locator(".zone").get_by_role("button", name="Phone").click()
    text = page.locator("dialog").inner_text()
    phone = browser.new_context(viewport={"width": 380, "height": 760}).new_page()
    phone.goto(next(word for word in text.split() if word.startswith("http")))
    phone.get_by_label("Code shown on the desk").fill(text.split("Code: ")[1][:8])
    phone.get_by_role("button", name="Open").click()
    phone.get_by_text("The whole panel with its rim").wait_for()
    photo = {"name": "evening.jpg", "mimeType": "image/jpeg"}
    with phone.expect_response(lambda r: "/phone/photos" in r.url):
        phone.locator("input[type=file]").last.set_input_files(
            {**photo, "buffer": panel_photo(some_gone=True).jpeg}
        )
    # the desk says nothing of cards where none are meant
    assert phone.get_by_text("cards").count() == 0
    assert axe_faults(phone) == []
    phone.context.close()
    page.locator("dialog").wait_for(state="detached")
    page.get_by_label("Who looks").fill("Kim")
    look.click()
    rows = page.locator(".missing-view tbody tr")
    rows.first.wait_for()
    assert rows.count() == len(bench_panel().pockets)
    assert page.locator(".pocket-missing").count() == len(GONE)
    assert page.locator(".found-photos img").evaluate(
        "(i) => i.decode().then(() => i.naturalWidth)"
    )
    assert "Kim" in page.locator(".inspections").inner_text()
    assert look.is_disabled()
    assert axe_faults(page) == []
    for size in ({"width": 1280, "height": 800}, {"width": 400, "height": 760}):
        page.set_viewport_size(size)
        assert page.evaluate(OVERFLOW) <= 0, size
        assert page.evaluate(CUT_OFF) == [], size
