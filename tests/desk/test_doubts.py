"""The doubtful first: what is asked of a person, in which order, and what the answers do."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from tests.desk.bench import seed_job
from tests.desk.conftest import serving
from tests.desk.test_page import axe_faults, cell, kept, shown, typed
from tests.desk.test_whole_way import scene
from tests.workflows.arranging.test_arrange import OUTLINES
from tracer.desk.advice import advice_on, next_side
from tracer.desk.doubts import MISSING_MM, doubts_record
from tracer.desk.server import DeskServer
from tracer.model.report import Check, Severity
from tracer.project.edits_file import load_edits
from tracer.project.outlines_file import dump_outlines, load_outlines
from tracer.project.schema import JobRecord

Open = Callable[..., Any]


def check(slug: str, subject: str | None, **more: Any) -> Check:
    severity = more.pop("severity", Severity.WARN)
    return Check(slug, severity, f"{slug} of {subject}.", subject_id=subject, **more)


CHECKS = (
    check("edge-faint", "T01"),
    check("height-unknown", "T02", value=2.6, unit="mm per 10 mm"),
    check("cut-by-frame", "T03", severity=Severity.FAIL),
    check("photo-soft", None),
    check("edge-faint", "T02"),
    check("something-left-out", None, where_mm=(10.0, 20.0)),
    check("few-cards", "T04", severity=Severity.NOTE),
)


def test_the_costliest_comes_first_and_each_says_what_helps() -> None:
    found = doubts_record(OUTLINES, CHECKS, JobRecord(lays=()))
    assert [d["key"] for d in found] == ["T03", "something-left-out 10 20", "T02", "T01"]
    # 2.6 mm for every 10 mm of height, for a tool of 20 mm
    assert [d["cost_mm"] for d in found] == [MISSING_MM, MISSING_MM, 5.2, 3.0]
    assert [d["fixes"] for d in found] == [
        ["retake", "accept", "drop"],
        ["keep", "accept"],
        ["height", "edge", "accept", "drop"],
        ["edge", "accept", "drop"],
    ]


def test_what_was_accepted_stays_away_until_the_outline_changes() -> None:
    record = JobRecord(lays=(), accepted={"T01": ("edge-faint@1",)})
    assert "T01" not in [d["key"] for d in doubts_record(OUTLINES, CHECKS, record)]
    changed = (replace(OUTLINES[0], revision=2), *OUTLINES[1:])
    assert "T01" in [d["key"] for d in doubts_record(changed, CHECKS, record)]


def test_an_outline_that_is_very_uncertain_is_looked_at_though_nothing_was_remarked() -> None:
    vague = (replace(OUTLINES[3], sigma_mm=1.4), *OUTLINES[:3])
    (found,) = doubts_record(vague, (), JobRecord(lays=()))
    assert found["key"] == OUTLINES[3].outline_id and found["cost_mm"] == 2.8


def test_a_press_shows_the_place_and_the_answer_is_kept(desk: DeskServer, open_page: Open) -> None:
    page = shown(open_page(desk))
    count = page.locator(".doubt-count")
    assert count.inner_text() == "Needs a look: 1 of 10"
    page.locator("[data-doubt=T03]").click()
    inside = page.evaluate(
        """() => { const b = document.querySelector('.seen .chosen .core').getBoundingClientRect();
             const v = document.querySelector('.picture').getBoundingClientRect();
             return [b.left >= v.left && b.right <= v.right
                     && b.top >= v.top
                     && b.bottom <= v.bottom,
                     Math.max(b.width / v.width, b.height / v.height)]; }"""
    )
    assert inside[0] and inside[1] > 0.4  # in sight, and large enough to judge
    page.keyboard.type("1 in")
    page.keyboard.press("Enter")
    kept(page)
    assert typed(desk, "height_mm")["cable cutters"] == 25.4
    page.get_by_role("button", name="It is right").click()
    page.wait_for_function(
        "() => document.querySelector('.doubt-count').textContent.startsWith('All 10')"
    )
    page.get_by_role("button", name="Undo").click()
    page.wait_for_function(
        "() => document.querySelector('.doubt-count').textContent.startsWith('Needs a look: 1')"
    )


def test_each_doubt_shows_its_place_and_those_that_are_right_take_one_press(
    vague: DeskServer, open_page: Open
) -> None:
    page = shown(open_page(vague))
    page.wait_for_function(
        """() => { const found = [...document.querySelectorAll('.doubts img')];
             return found.length === 4 && found.every((i) => i.complete && i.naturalWidth); }"""
    )
    # the edge drawn over the picture is where it is in the photo: its middle lies on the tool
    open_one = page.locator("[data-doubt=T05]")
    path = page.locator("[data-doubt=T05] svg path").first
    box, room = path.bounding_box(), open_one.locator("svg").bounding_box()
    assert box["width"] > 0.4 * room["width"] or box["height"] > 0.4 * room["height"], box
    assert axe_faults(page) == []
    page.locator("[data-doubt=T03]").click()
    page.keyboard.type("25")
    page.keyboard.press("Enter")
    # answered: the next one is asked about at once, and the answer is one change
    assert page.locator("[aria-expanded=true]").get_attribute("data-doubt") == "T05"
    kept(page)
    edits = load_edits((vague.root / "bench.job/history/edits.json").read_bytes())
    assert len(edits.edits) == 1
    page.get_by_role("button", name="Undo").click()
    kept(page)
    page.get_by_role("button", name="The 3 that need no height are right").click()
    kept(page)
    assert page.locator(".doubt-count").inner_text() == "Needs a look: 1 of 10"
    assert page.locator("[data-doubt=T03]").count() == 1  # its height is still asked for
    assert page.get_by_role("button", name="that need no height").is_hidden()
    page.get_by_role("button", name="Undo").click()
    page.wait_for_function(
        "() => document.querySelector('.doubt-count').textContent.startsWith('Needs a look: 4')"
    )


@pytest.fixture
def vague(tmp_path: Path) -> Iterator[DeskServer]:
    """A desk with a job of which three outlines are very uncertain, and a height unknown."""
    folder = seed_job(tmp_path / "bench.job")
    content = load_outlines(folder.read("outlines.json"), "outlines.json")
    changed = [
        replace(o, sigma_mm=1.4) if o.outline_id in ("T05", "T06", "T08") else o
        for o in content.outlines
    ]
    with folder.locked():
        folder.commit({"outlines.json": dump_outlines(replace(content, outlines=tuple(changed)))})
    with serving(tmp_path, "bench") as server:
        yield server


LABELS_ON_TOOLS = """() => {
  const tools = [...document.querySelectorAll('.seen .core')];
  const bad = [];
  for (const label of document.querySelectorAll('.label.tool')) {
    const box = label.querySelector('text').getBoundingClientRect();
    for (const fx of [0.02, 0.25, 0.5, 0.75, 0.98]) for (const fy of [0.2, 0.5, 0.8]) {
      const at = new DOMPoint(box.x + fx * box.width, box.y + fy * box.height);
      for (const tool of tools) {
        if (tool.isPointInFill(at.matrixTransform(tool.getScreenCTM().inverse())))
          bad.push(label.textContent);
      }
    }
  }
  return [...new Set(bad)];
}"""


def test_labels_cover_no_tool_and_no_other_label(desk: DeskServer, open_page: Open) -> None:
    page = shown(open_page(desk))
    for press in (None, "+", "+", "-", "-", "-"):
        if press:
            page.locator(".picture").press(press)
            page.wait_for_timeout(250)
        assert page.evaluate(LABELS_ON_TOOLS) == []
    overlaps = page.evaluate(
        """() => { const b = [...document.querySelectorAll('.label.tool text')]
                 .map((t) => t.getBoundingClientRect());
             let n = 0;
             b.forEach((p, i) => b.forEach((q, j) => { if (i < j && p.left < q.right
               && q.left < p.right && p.top < q.bottom && q.top < p.bottom) n += 1; }));
             return n; }"""
    )
    assert overlaps == 0


OVERFLOW = "document.scrollingElement.scrollWidth - document.scrollingElement.clientWidth"
CUT_OFF = """() => [...document.querySelectorAll('button, label, h1, h2, h3, summary, .button')]
  .filter((e) => { const b = e.getBoundingClientRect();
     return b.width && e.scrollWidth > e.clientWidth + 2
       && getComputedStyle(e).overflow !== 'visible'; }).map((e) => e.textContent)"""


@pytest.mark.parametrize(("width", "size"), [(380, "usual"), (1024, "large")])
def test_words_that_are_40_percent_longer_break_no_screen(
    desk: DeskServer, open_page: Open, width: int, size: str
) -> None:
    page = open_page(desk, viewport={"width": width, "height": 800})
    page.evaluate(
        f"() => {{ localStorage.setItem('tracer-language', 'long');"
        f" localStorage.setItem('tracer-size', '{size}'); }}"
    )
    page.reload()
    shown(page)
    assert page.locator(".doubt-count").inner_text().startswith("[")
    for view in range(4):
        if view < 3:
            page.locator("nav button").nth(view).click()
        else:
            page.locator(".home").click()
        page.wait_for_timeout(300)
        assert page.evaluate(OVERFLOW) <= 0, view
        assert page.evaluate(CUT_OFF) == [], view


def test_lengths_are_shown_and_typed_in_inches(desk: DeskServer, open_page: Open) -> None:
    page = shown(open_page(desk, locale="de-DE"))
    assert page.locator(".doubt-count").inner_text() == "Anzusehen: 1 von 10"
    page.evaluate("() => { localStorage.setItem('tracer-unit', 'in'); }")
    page.reload()
    shown(page)
    assert cell(page, "T03", "height_mm").input_value() == "0,827"  # 21 mm
    cell(page, "T03", "depth_mm").fill("1 1/2")
    page.keyboard.press("Enter")
    kept_in(page, "Gespeichert")
    assert typed(desk, "depth_mm")["cable cutters"] == 38.1
    cell(page, "T04", "depth_mm").fill("12 mm")
    page.keyboard.press("Enter")
    kept_in(page, "Gespeichert")
    assert typed(desk, "depth_mm")["three-arm hex key"] == 12


def kept_in(page: Any, word: str) -> None:
    page.wait_for_function(f"() => document.querySelector('.kept').textContent === '{word}'")


def test_a_photo_is_judged_while_the_tools_still_lie_there() -> None:
    """Against a rendered lay: its cards, its camera and its sharpness are known."""
    photo = scene().photo
    good = advice_on(photo)
    assert good["todo"] == [] and good["cards"] == len(scene().cards)
    assert good["tilt_deg"] == pytest.approx(scene().view.tilt_deg, abs=0.3)
    assert good["height_mm"] == pytest.approx(scene().view.height_mm, rel=0.01)
    width = photo.pixels.shape[1]
    half = photo.pixels.copy()
    half[:, width // 2 :] = 128  # somebody's coat lies over the right half
    assert "cards" in advice_on(replace(photo, pixels=half))["todo"]
    soft = gaussian_filter(photo.pixels.astype(float), (4, 4, 0)).astype(np.uint8)
    assert advice_on(replace(photo, pixels=soft))["todo"]
    dark = replace(photo, pixels=np.full_like(photo.pixels, 90))
    assert advice_on(dark)["todo"] == ["cards"]


def test_the_next_photo_comes_from_the_other_side() -> None:
    assert next_side([]) is None
    assert next_side([10.0]) == "left"
    assert next_side([180.0, 0.0]) in {"far", "near"}
    assert next_side([0.0, 90.0, 180.0, 270.0]) is None
