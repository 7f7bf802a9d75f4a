"""The phone's page and the desk's list of links in a real browser, one beside the other.

Accessibility is judged by axe (WCAG 2.0 to 2.2, levels A and AA), an engine that is not ours.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.desk.client import Open, open_to_phones
from tests.desk.test_page import axe_faults
from tests.desk.test_phone import picture

Pages = Callable[..., Any]
PHONE = {"viewport": {"width": 380, "height": 760}, "has_touch": True, "is_mobile": True}


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Open]:
    from tests.desk.bench import seed_job

    seed_job(tmp_path / "bench.job")
    with open_to_phones(tmp_path, monkeypatch) as opened:
        yield opened


@pytest.fixture
def phone_of(browser: Any) -> Iterator[Pages]:
    """Open a phone's page at the address and with the code that the desk shows."""
    contexts = []

    def opening(page: Any, **how: Any) -> Any:
        context = browser.new_context(**{**PHONE, **how})
        contexts.append(context)
        phone = context.new_page()
        phone.set_default_timeout(20_000)
        text = page.locator("dialog").inner_text()
        address = next(word for word in text.split() if word.startswith("http"))
        phone.goto(address)
        phone.get_by_label("Code shown on the desk").fill(text.split("Code: ")[1][:8])
        phone.get_by_role("button", name="Open").click()
        phone.get_by_text("Choose photos").wait_for()
        return phone

    yield opening
    for context in contexts:
        context.close()


def files_of(name: str, data: bytes) -> dict[str, Any]:
    return {"name": name, "mimeType": "image/jpeg", "buffer": data}


def test_photos_go_from_the_phone_to_the_desk(
    desk: Open, open_page: Pages, phone_of: Pages
) -> None:
    page = open_page(desk.server)
    page.get_by_role("button", name="All jobs").wait_for()
    page.get_by_role("button", name="Phone").click()  # a job is open: a further lay of it
    page.locator("dialog .code").wait_for()
    phone = phone_of(page)
    page.locator("dialog").wait_for(state="detached")  # the invitation is used up
    assert "bench" in phone.get_by_role("heading").inner_text()
    assert page.get_by_label("Name of the job").input_value() == "bench"
    assert page.get_by_label("Add to the job as a further lay").is_checked()
    phone.locator("input[multiple]").set_input_files(
        [files_of("lay one.jpg", picture(60)), files_of("notes.jpg", b"shopping list")]
    )
    phone.locator("li.here").wait_for()
    phone.locator("li.refused").wait_for()
    assert "notes.jpg is not a picture" in phone.locator("li.refused").inner_text()
    page.get_by_text("lay one.jpg").wait_for()
    assert "by phone" in page.locator(".photos li").inner_text()
    assert page.get_by_role("button", name="Trace").is_enabled()
    # the page loaded anew still has them
    page.reload()
    page.get_by_role("button", name="All jobs").click()
    page.get_by_text("lay one.jpg").wait_for()

    links = page.locator(".phone-links li")
    assert "127.0.0.1" in links.inner_text()
    links.get_by_role("button", name="Revoke").click()
    page.locator(".phone-links").wait_for(state="hidden")
    phone.locator(".over").wait_for()  # told without being touched
    assert "ended on the desk" in phone.locator(".over").inner_text()
    assert not phone.get_by_text("Choose photos").is_visible()


def test_a_lost_line_is_told_and_the_photo_sent_again(
    desk: Open, open_page: Pages, phone_of: Pages
) -> None:
    page = open_page(desk.server)
    page.get_by_role("button", name="Phone").click()
    page.locator("dialog .code").wait_for()
    phone = phone_of(page)
    phone.context.set_offline(True)
    phone.locator("input[multiple]").set_input_files([files_of("a.jpg", picture())])
    again = phone.get_by_role("button", name="Send again")
    again.wait_for()
    phone.context.set_offline(False)
    again.click()
    phone.locator("li.here").wait_for()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [380, 1280])
def test_axe_finds_no_barrier_and_nothing_overflows(
    desk: Open, open_page: Pages, phone_of: Pages, scheme: str, width: int
) -> None:
    size = {"width": width, "height": 760}
    page = open_page(desk.server, color_scheme=scheme, viewport=size)
    page.get_by_role("button", name="Phone").click()
    page.locator("dialog .code").wait_for()
    assert axe_faults(page) == []
    phone = phone_of(page, color_scheme=scheme, viewport=size)
    phone.locator("input[multiple]").set_input_files(
        [files_of("x" * 120 + ".jpg", picture()), files_of("b.jpg", b"no")]
    )
    phone.locator("li.here").wait_for()
    phone.locator("li.refused").wait_for()
    page.locator(".phone-links li").wait_for()
    overflow = "document.scrollingElement.scrollWidth - document.scrollingElement.clientWidth"
    for one in (page, phone):
        assert axe_faults(one) == []
        assert one.evaluate(overflow) <= 0
    small = phone.evaluate(
        """() => [...document.querySelectorAll('label, button')].filter((e) => {
             const b = e.getBoundingClientRect();
             return b.width && b.height < 44; }).map((e) => e.textContent)"""
    )
    assert small == []  # WCAG 2.2, 2.5.5 (AAA): targets of 44 px, for fingers at a bench
