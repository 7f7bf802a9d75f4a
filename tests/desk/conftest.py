"""A desk that runs, and a real browser in front of it.

Without Chromium, Chrome or Edge, or without playwright, browser tests are skipped with a reason.
With ``TRACER_REQUIRE_BROWSER`` set a missing browser fails them. Tests that ask for `any_page` run
in Firefox too, where one is installed that this playwright can drive by WebDriver BiDi.
"""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.desk.bench import seed_job
from tracer.desk.server import DeskServer

FIREFOXES = ("firefox", "firefox-esr")
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome", "microsoft-edge", "msedge")


def missing_browser(why: str) -> Any:
    if os.environ.get("TRACER_REQUIRE_BROWSER"):
        pytest.fail(f"{why}, and TRACER_REQUIRE_BROWSER is set")
    return pytest.skip(f"{why}: install the extra [browser] and Chromium to run this")


@contextmanager
def serving(root: Path, job: str | None = None, port: int = 0) -> Iterator[DeskServer]:
    """A desk over a folder until the block ends."""
    from tracer.project.store import JobFolder

    server = DeskServer(root, JobFolder(root / f"{job}.job") if job else None, port)
    server.open()
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield server
    finally:
        server.stop()
        thread.join(timeout=30)


@pytest.fixture(scope="session")
def playing() -> Iterator[Any]:
    """What drives browsers."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing_browser("playwright is not installed")
    with sync_playwright() as play:
        yield play


@pytest.fixture(scope="session")
def browser(playing: Any) -> Iterator[Any]:
    path = next((p for p in map(shutil.which, BROWSERS) if p), None)
    if path is None:
        missing_browser("no Chromium, Chrome or Edge is installed")
    chromium = playing.chromium.launch(executable_path=path, chromium_sandbox=False)
    yield chromium
    chromium.close()


@pytest.fixture(scope="session")
def firefox(playing: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A Firefox as it is installed; skipped where there is none, or none that can be driven."""
    from playwright.sync_api import Error

    path = next((p for p in map(shutil.which, FIREFOXES) if p), None)
    if path is None:
        pytest.skip("no Firefox is installed")
    downloads = {
        "browser.download.dir": str(tmp_path_factory.mktemp("downloads")),
        "browser.download.folderList": 2,  # the folder named
    }
    try:
        found = playing.firefox.launch(
            channel="moz-firefox", executable_path=path, firefox_user_prefs=downloads
        )
    except Error as error:
        pytest.skip(f"this playwright does not start {path}: {str(error).splitlines()[0]}")
    try:
        found.new_context().close()
    except Error as error:
        found.close()
        pytest.skip(
            f"this playwright asks for more than {path} knows: {str(error).splitlines()[0]}"
        )
    yield found
    found.close()


@pytest.fixture
def open_page(browser: Any) -> Iterator[Callable[..., Any]]:
    """Open pages of a desk; a page's own errors fail the test at its end."""
    yield from pages_of(browser)


@pytest.fixture(params=["browser", "firefox"])
def any_page(request: pytest.FixtureRequest) -> Iterator[Callable[..., Any]]:
    """`open_page`, in each kind of browser."""
    yield from pages_of(request.getfixturevalue(request.param))


def pages_of(browser: Any) -> Iterator[Callable[..., Any]]:
    """What opens pages of a desk in a browser."""
    faults: list[str] = []
    with ExitStack() as stack:

        def opening(server: DeskServer, **how: Any) -> Any:
            how.setdefault("viewport", {"width": 1280, "height": 800})
            context = browser.new_context(**how)
            stack.callback(context.close)
            page = context.new_page()
            page.set_default_timeout(20_000)
            page.on("pageerror", lambda error: faults.append(str(error)))
            page.goto(f"http://127.0.0.1:{server.keys.port}/?key={server.keys.new_key()}")
            return page

        yield opening
    assert faults == []


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[DeskServer]:
    """A desk with one job, as a run over a sample photo left it."""
    seed_job(tmp_path / "bench.job")
    with serving(tmp_path, "bench") as server:
        yield server
