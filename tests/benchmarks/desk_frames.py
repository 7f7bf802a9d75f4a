"""How fluid the desk is while dragging: 60 tools over a photo of 48 megapixels.

    python -m tests.benchmarks.desk_frames [--markdown FILE]

Prints the distribution of the time between frames while the photo is dragged and zoomed, and while
a pocket is dragged over a panel of 60, and how long the job takes to open. Needs the extra
[browser] and Chromium. A headless browser draws without a graphics card, at device scale 1, so a
desk in front of a person is rather faster.
"""

from __future__ import annotations

import argparse
import io
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from shapely import affinity

from tests.desk.bench import seed_job
from tests.desk.conftest import BROWSERS, serving
from tracer.project.outlines_file import OutlinesFile, dump_outlines, load_outlines
from tracer.project.schema import dump_job, load_job
from tracer.project.silhouettes_file import dump_silhouettes, load_silhouettes
from tracer.project.store import JobFolder
from tracer.workflows.arranging.arrange import arrange_job

TOOLS, MEGAPIXELS = 60, 48
SIDE = 2  # the 12 megapixel sample, twice as large

WATCH = """() => { window.frames = []; let last = performance.now();
  const tick = (now) => { window.frames.push(now - last); last = now;
                          window.watching = requestAnimationFrame(tick); };
  window.watching = requestAnimationFrame(tick); }"""
END = "() => { cancelAnimationFrame(window.watching); return window.frames.slice(2); }"


def crowd(folder: JobFolder) -> None:
    """Make the job's photo 48 megapixels and its ten tools sixty."""
    record = load_job(folder.read("job.json"), "job.json")
    content = load_outlines(folder.read("outlines.json"), "outlines.json")
    photo = record.lays[0].photos[0]
    seen = load_silhouettes(folder.read("silhouettes.json"), "s")[photo.photo_id]
    image = Image.open(io.BytesIO(folder.read(photo.file)))
    large = image.resize((image.width * SIDE, image.height * SIDE))
    out = io.BytesIO()
    large.save(out, "JPEG", quality=90)
    first = content.calibration[0].photos[0]
    k = np.asarray(first.K)
    k[:2] *= SIDE
    first = replace(first, size_px=large.size, K=tuple(k.tolist()))
    lays = (replace(content.calibration[0], photos=(first,)),)
    outlines, edges = [], []
    for n in range(TOOLS):
        o, e = content.outlines[n % 10], seen[n % 10]
        dx, dy = 620.0 * ((n // 10) % 3), 520.0 * (n // 30)
        name = f"T{n + 1:02d}"
        outlines.append(replace(o, outline_id=name, region=affinity.translate(o.region, dx, -dy)))
        shift = np.array([dx, dy]) * 2.3 * SIDE - [1500, 500]
        edges.append(
            replace(
                e,
                silhouette_id=f"S{n + 1:02d}",
                outline_id=name,
                exterior_px=e.exterior_px * SIDE + shift,
            )
        )
    lay_of = {o.outline_id: 1 for o in outlines}
    with folder.locked():
        folder.commit(
            {
                "job.json": dump_job(record),
                photo.file: out.getvalue(),
                "outlines.json": dump_outlines(
                    OutlinesFile(tuple(outlines), lays, content.checks, lay_of)
                ),
                "silhouettes.json": dump_silhouettes({photo.photo_id: tuple(edges)}),
            }
        )


def show(what: str, frames: list[float]) -> str:
    """One line of the distribution, printed; as a line of the table for the docs."""
    f = np.asarray(frames)
    within = 100 * np.mean(f <= 50)
    print(
        f"{what:34s} {len(f):4d} frames, median {np.median(f):5.1f} ms,"
        f" p95 {np.percentile(f, 95):5.1f}, max {f.max():6.1f}, within 50 ms {within:5.1f} %"
    )
    rate = 1000 / np.median(f)
    return f"| {what} | {rate:.0f} a second | {np.percentile(f, 95):.0f} ms | {within:.0f} % |"


def table(lines: list[str], opened_s: list[float]) -> str:
    """Markdown for the docs."""
    head = ["| what is moved | frames, median | 95 % sooner than | within 50 ms |"]
    ready = f"| job opened | | {min(opened_s):.2f} to {max(opened_s):.2f} s | |"
    return "\n".join([*head, "|---|---|---|---|", *lines, ready]) + "\n"


def drag(page: Any, start: tuple[float, float], steps: int = 90) -> list[float]:
    """Drag in a circle while frames are watched."""
    x, y = start
    page.mouse.move(x, y)
    page.mouse.down()
    page.evaluate(WATCH)
    for i in range(steps):
        a = 2 * np.pi * i / steps
        page.mouse.move(x + 90 * np.sin(2 * a), y + 70 * (1 - np.cos(a)))
        page.wait_for_timeout(8)
    frames: list[float] = page.evaluate(END)
    page.mouse.up()
    return frames


def main(arguments: list[str]) -> None:
    """Measure and print."""
    import shutil

    from playwright.sync_api import sync_playwright

    parser = argparse.ArgumentParser(description="Frames per second of the desk.")
    parser.add_argument("--markdown", type=Path, help="keep the table for the docs")
    chosen = parser.parse_args(arguments)
    lines: list[str] = []
    opened_s: list[float] = []
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        folder = seed_job(root / "bench.job", shrink=1)
        crowd(folder)
        arrange_job(folder)
        path = next(p for p in map(shutil.which, BROWSERS) if p)
        with serving(root, "bench") as server, sync_playwright() as play:
            browser = play.chromium.launch(executable_path=path, chromium_sandbox=False)
            page = browser.new_page(viewport={"width": 1440, "height": 900})
            address = f"http://127.0.0.1:{server.keys.port}/"
            page.goto(f"{address}?key={server.keys.new_key()}")
            page.wait_for_selector(".seen path", state="attached")
            for again in range(3):
                start = time.monotonic()
                page.goto(f"{address}?{again}")
                page.wait_for_selector(".seen path", state="attached")
                opened_s.append(time.monotonic() - start)
                print(f"job of {TOOLS} tools opened in {opened_s[-1]:.2f} s")
            page.wait_for_timeout(4000)
            box = page.locator(".picture").bounding_box()
            middle = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
            lines.append(show("photo, all of it, dragged", drag(page, middle)))
            page.mouse.move(*middle)
            for _ in range(8):
                page.mouse.wheel(0, -300)
            page.wait_for_timeout(3000)
            lines.append(show("photo, close up, dragged", drag(page, middle)))
            page.evaluate(WATCH)
            for i in range(60):
                page.mouse.wheel(0, 60 if i % 20 < 10 else -60)
                page.wait_for_timeout(12)
            lines.append(show("photo, zoomed in and out", page.evaluate(END)))
            page.get_by_role("button", name="Panel", exact=True).click()
            page.wait_for_selector(".one-pocket", state="attached")
            page.wait_for_timeout(1500)
            where = page.evaluate(
                """() => { const b = document.querySelector('[data-pocket=T15] .pocket')
                             .getBoundingClientRect();
                           return [b.x + b.width / 2, b.y + b.height / 2]; }"""
            )
            lines.append(show("panel of 60, a pocket dragged", drag(page, tuple(where))))
            browser.close()
    if chosen.markdown is not None:
        chosen.markdown.write_text(table(lines, opened_s), "utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
