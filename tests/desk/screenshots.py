"""Renew the pictures of the desk in the documentation, from the sample photos.

    python -m tests.desk.screenshots docs/pictures

Look at every one before it is committed.
"""

from __future__ import annotations

import io
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

from PIL import Image

from tests.desk.bench import SAMPLES
from tests.desk.conftest import BROWSERS, serving
from tracer.project.store import JobFolder
from tracer.project.tool_list import parse_tool_list
from tracer.workflows.arranging.arrange import arrange_job
from tracer.workflows.job.trace_job import read_photos, trace_job

DESK = {"viewport": {"width": 1280, "height": 800}}
VIEWS = {
    "light": DESK,
    "dark": {**DESK, "color_scheme": "dark"},
    "phone": {"viewport": {"width": 380, "height": 760}, "device_scale_factor": 2},
}

#: places on the screen a little outside the upper left part of the chosen tool's edge
BESIDE_THE_EDGE = """() => {
  const path = document.querySelector('.seen .chosen .core');
  const length = path.getTotalLength();
  const to = path.getScreenCTM();
  const ring = Array.from({length: 200}, (_, i) => path.getPointAtLength(length * i / 200));
  const x = Math.min(...ring.map((p) => p.x)), y = Math.min(...ring.map((p) => p.y));
  const start = ring.findIndex((p) => p.y === y);
  return [0, 4, 8, 12, 16].map((i) => {
    const p = ring[(start + i) % 200].matrixTransform(to);
    return [p.x - 4, p.y - 4]; });
}"""


def main(target: Path) -> None:
    """Trace, arrange, look."""
    from playwright.sync_api import sync_playwright

    target.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        home = SAMPLES / "drawer"
        folder = JobFolder(root / "workbench drawer.job")
        tools = parse_tool_list((home / "tools.csv").read_bytes(), "tools.csv")
        trace_job(folder, read_photos([home / "photo_1.jpg"]), tools=tools)
        arrange_job(folder)
        path = next(p for p in map(shutil.which, BROWSERS) if p)
        with serving(root, folder.name) as server, sync_playwright() as play:
            chromium = play.chromium.launch(executable_path=path, chromium_sandbox=False)
            for look, how in VIEWS.items():
                page = chromium.new_context(**how).new_page()
                page.goto(f"http://127.0.0.1:{server.keys.port}/?key={server.keys.new_key()}")
                page.wait_for_selector(".seen path", state="attached")
                page.wait_for_timeout(1500)
                tour(page, target, look)
            chromium.close()


def tour(page: Any, target: Path, look: str) -> None:
    """One picture per view."""
    page.locator("input[data-column=height_mm]").nth(2).focus()
    page.wait_for_timeout(600)
    loaded(page)
    keep(page, target / f"desk-outlines-{look}.jpg")
    page.get_by_role("button", name="Panel", exact=True).click()
    page.wait_for_selector(".one-pocket", state="attached")
    page.locator(".pockets button").nth(3).click()
    page.evaluate("() => window.scrollTo(0, 0)")
    page.wait_for_timeout(600)
    if look != "phone":
        keep(page, target / f"desk-panel-{look}.jpg")
    if look != "light":
        return
    page.get_by_role("button", name="Show layouts").click()
    page.locator(".layout-one").first.wait_for(timeout=120_000)
    page.wait_for_timeout(600)
    keep(page, target / "desk-layouts-light.jpg")
    page.get_by_role("button", name="Leave it as it is").click()
    page.get_by_role("button", name="Files", exact=True).click()
    page.locator(".file-group").first.wait_for(timeout=60_000)
    loaded(page)
    keep(page, target / "desk-files-light.jpg")
    page.get_by_role("button", name="Outlines", exact=True).click()
    page.wait_for_selector(".seen path", state="attached")
    page.locator("tr", has_text="").nth(4).locator(".number").click()
    page.get_by_role("button", name="Edge", exact=True).click()
    page.wait_for_timeout(1500)
    for x, y in page.evaluate(BESIDE_THE_EDGE):
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.up()
    keep(page, target / "desk-edge-light.jpg")
    page.keyboard.press("Escape")
    page.get_by_role("button", name="All jobs").click()
    page.locator(".jobs button").wait_for()
    loaded(page)
    keep(page, target / "desk-start-light.jpg")


def loaded(page: Any) -> None:
    """Wait for every picture in sight."""
    page.wait_for_function(
        """() => [...document.querySelectorAll('img')].every((i) => {
             const b = i.getBoundingClientRect();
             const hidden = !b.width || b.top > innerHeight || b.bottom < 0;
             return hidden || (i.complete && i.naturalWidth); })""",
        timeout=60_000,
    )


def keep(page: Any, path: Path) -> None:
    """A screenshot as a JPEG small enough for a repository."""
    picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    picture.save(path, quality=80, optimize=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
