"""What a person must do on the page to bring a lay to within 2 mm: presses, letters, seconds.

    python -m tests.benchmarks.desk_presses sample_images
    python -m tests.benchmarks.desk_presses scenes/d01 scenes/d03 --markdown FILE

A scripted browser goes through what is in doubt, the costliest first, as a maker with a ruler at
hand would: it types the true height where one is asked for, says what is not a tool, and lets
stand what is right, all that is left with one press once nothing else is to be done. With
``--markdown`` the table for the docs is kept; lines of lays that were measured before stay in it.
The photo is traced beforehand, without a tool list. Seconds are those of the
page and the desk; a person's thinking is not among them. A tool counts when 95 % of its edge lies
within 2 mm of the truth, and all of it within 4 mm.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from shapely.geometry import Polygon

from tests.benchmarks.scoring import LayScore, Result, score_lay
from tests.benchmarks.truth import Scene, find_scenes
from tests.desk.conftest import BROWSERS, serving
from tracer.calibration import CardSizes
from tracer.errors import TracerError
from tracer.model.lay_settings import LaySettings
from tracer.project.outlines_file import load_outlines
from tracer.project.store import JobFolder
from tracer.workflows.job.trace_job import read_photos, trace_job

MOST_ROUNDS = 120


@dataclass
class Effort:
    """What was done."""

    presses: int = 0
    letters: int = 0


def results(folder: JobFolder) -> list[Result]:
    """The job's outlines as the scorer takes them."""
    content = load_outlines(folder.read("outlines.json"), "outlines.json")
    return [
        Result(o.outline_id, o.name, Polygon(o.region.exterior, o.region.interiors), o.height_mm)
        for o in content.outlines
    ]


def score(scene: Scene, folder: JobFolder) -> LayScore:
    """How far the job is from the truth."""
    starts = [scene.to_first_card(number) for number in scene.card_sizes_mm]
    return score_lay(results(folder), scene.tools, range(len(scene.photos)), starts)


def told(score: LayScore) -> str:
    """Tools within 2 mm, of all that count."""
    return f"{sum(t.usable for t in score.tools)} of {score.counted}"


def table(rows: Mapping[str, Sequence[str]]) -> str:
    """Markdown of the lays, by name."""
    head = ["| lay | within 2 mm before | after | presses | letters | seconds |"]
    lines = [f"| {name} | {' | '.join(rows[name])} |" for name in sorted(rows)]
    return "\n".join([*head, "|---|---|---|---|---|---|", *lines]) + "\n"


def rows_of(text: str) -> dict[str, list[str]]:
    """The lays of a table.

    Examples
    --------
    >>> rows_of(table({"drawer": ["3 of 4", "4 of 4", "5", "8", "12"]}))
    {'drawer': ['3 of 4', '4 of 4', '5', '8', '12']}
    """
    cells = [[c.strip() for c in line.strip("| ").split("|")] for line in text.splitlines()[2:]]
    return {name: rest for name, *rest in cells}


def settle(page: Any) -> None:
    """Wait until everything is kept and no run is on."""
    page.wait_for_function(
        """() => document.querySelector('.kept')?.textContent === 'Kept'
                 && document.querySelector('.run').hidden""",
        timeout=180_000,
    )


def go_through(page: Any, scene: Scene, folder: JobFolder) -> Effort:
    """Answer what is asked until nothing is in doubt."""
    effort = Effort()
    for _ in range(MOST_ROUNDS):
        entry = page.locator(".doubts > li > button").first
        if not page.locator(".doubts > li > button").count():
            break
        if entry.get_attribute("aria-expanded") != "true":  # the next one opens by itself
            entry.click()
            effort.presses += 1
        key = entry.get_attribute("data-doubt")
        before = score(scene, folder)
        rest = page.locator(".doubt-rest")
        if all_right(page, before) and rest.is_visible():
            rest.click()
            effort.presses += 1
            settle(page)
            continue
        tool = next((t for t in before.tools if t.outline_id == key), None)
        asked = page.locator(".doubts .open input")
        if tool is not None and asked.count():
            text = f"{tool.true_height_mm:g}"
            asked.fill(text)
            asked.press("Enter")
            effort.presses += 1
            effort.letters += len(text)
        else:
            wrong = key in before.invented
            page.locator(f".doubts .open [data-fix={'drop' if wrong else 'accept'}]").click()
            effort.presses += 1
        settle(page)
    return effort


def all_right(page: Any, now: LayScore) -> bool:
    """Whether nothing that is in doubt needs a height or is no tool."""
    if page.locator(".doubts .open input").count():
        return False
    keys = page.eval_on_selector_all("[data-doubt]", "all => all.map((e) => e.dataset.doubt)")
    return not set(keys) & set(now.invented)


def main(arguments: list[str]) -> int:
    """Measure the scenes and print a line for each."""
    from playwright.sync_api import sync_playwright

    parser = argparse.ArgumentParser(description="Presses to bring a lay to within 2 mm.")
    parser.add_argument("scenes", nargs="+", type=Path)
    parser.add_argument("--markdown", type=Path, help="keep the table for the docs")
    chosen = parser.parse_args(arguments)
    scenes = [s for s in find_scenes(chosen.scenes) if s.expected == "ok"]
    known = chosen.markdown
    rows = rows_of(known.read_text("utf-8")) if known is not None and known.exists() else {}
    for scene in scenes:
        with tempfile.TemporaryDirectory() as name:
            folder = JobFolder(Path(name) / "lay.job")
            settings = LaySettings(card_sizes=CardSizes(None, scene.card_sizes_mm))
            try:
                trace_job(folder, read_photos(scene.photos), settings=settings)
            except TracerError as error:
                print(f"{scene.name:26s} refused: {error.slug}")
                continue
            before = told(score(scene, folder))
            path = next(p for p in map(shutil.which, BROWSERS) if p)
            with serving(Path(name), "lay") as server, sync_playwright() as play:
                browser = play.chromium.launch(executable_path=path, chromium_sandbox=False)
                page = browser.new_context(locale="en-US").new_page()
                page.goto(f"http://127.0.0.1:{server.keys.port}/?key={server.keys.new_key()}")
                page.wait_for_selector(".seen path", state="attached")
                start = time.monotonic()
                effort = go_through(page, scene, folder)
                seconds = time.monotonic() - start
                browser.close()
            after = told(score(scene, folder))
            print(
                f"{scene.name:26s} {before} -> {after}: {effort.presses} presses,"
                f" {effort.letters} letters, {seconds:.0f} s",
                flush=True,
            )
            done = (before, after, effort.presses, effort.letters, round(seconds))
            rows[scene.name] = [str(value) for value in done]
            if known is not None:
                known.write_text(table(rows), "utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
