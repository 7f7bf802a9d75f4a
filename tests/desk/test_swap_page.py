"""A tool replaced in a real browser: photo in, old and new over each other, moved, kept, undone."""

from __future__ import annotations

import io
import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import ezdxf
import pytest

from tests.desk.conftest import serving
from tests.desk.test_doubts import CUT_OFF, OVERFLOW
from tests.desk.test_page import axe_faults, kept
from tests.desk.test_swapping import arranged as arranged
from tests.desk.test_swapping import crowd as crowd
from tests.desk.test_whole_way import downloaded
from tests.workflows.swapping.test_swap import lines, old_tool, region
from tests.workflows.swapping.test_swap import photos as photos
from tracer.desk.server import DeskServer

Open = Callable[..., Any]


@pytest.fixture
def desk(arranged: Path, tmp_path: Path) -> Iterator[DeskServer]:
    shutil.copytree(arranged, tmp_path / "bench.job")
    with serving(tmp_path, "bench") as server:
        yield server


def laid_over(page: Any, photos: Path) -> None:
    page.locator(".zone input[type=file]").set_input_files(str(photos / "new.jpg"))
    page.locator(".swap-view input.short").first.fill("10")
    page.get_by_label("Printed card").fill("168 x 112")
    page.get_by_role("button", name="Lay it over the old one").click()
    page.locator(".swap-result h2").wait_for(timeout=90_000)


def laid_anew(page: Any, act: Callable[[], object]) -> str:
    """What the picture shows of the new tool once the desk has answered."""
    with page.expect_response(lambda r: r.url.endswith("/swap") and r.request.method == "GET"):
        act()
    page.wait_for_function("() => !document.querySelector('.swap-view form button.main').disabled")
    return str(page.locator(".swap-over .now").get_attribute("d"))


def test_a_tool_is_replaced_from_photo_to_patch_files(
    desk: DeskServer, open_page: Open, photos: Path
) -> None:
    job = desk.root / "bench.job"
    tool = old_tool(job)
    before = {n: (job / n).read_bytes() for n in ("outlines.json", "panel.json", "tools.csv")}
    page = open_page(desk)
    page.set_default_timeout(60_000)
    page.get_by_role("button", name="Panel", exact=True).click()
    page.locator(f".pockets button[data-pocket={tool}]").click()
    page.get_by_role("button", name="Replace this tool").click()
    assert page.get_by_label("Tool that goes").input_value() == tool
    laid_over(page, photos)
    assert axe_faults(page) == []
    assert page.locator(".swap-over .was").count() == 1
    assert page.locator(".swap-patch .recut").get_attribute("d")
    assert "knife" in page.locator(".swap-view .cautions").inner_text().lower()
    first = str(page.locator(".swap-over .now").get_attribute("d"))
    by_handle = laid_anew(page, lambda: page.get_by_label("Laid by").select_option("handle"))
    assert by_handle != first

    page.locator(".swap-picture").focus()
    laid_anew(page, lambda: page.keyboard.press("Shift+ArrowUp"))
    assert page.get_by_label("Up (mm)").input_value() == "10"
    area = page.locator(".swap-over .now").bounding_box()
    x, y = area["x"] + area["width"] / 2, area["y"] + area["height"] / 2

    def drag() -> None:
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x + 20, y, steps=4)
        page.mouse.up()

    laid_anew(page, drag)
    right = float(page.get_by_label("Right (mm)").input_value())
    assert right > 2
    assert {n: (job / n).read_bytes() for n in before} == before  # so far nothing is kept

    page.get_by_label("Reason").fill("worn out")
    page.get_by_role("button", name="Replace it and make the files").click()
    page.locator(".file-group", has_text="Patch for").first.wait_for()
    old, new = (region(text[tool]) for text in (_lines(before["outlines.json"]), lines(job)))
    assert new.area > old.area + 800
    assert new.centroid.y - old.centroid.y > 5
    files = downloaded(page)
    patch = [n for n in files if n.startswith("patch/") and n.endswith(".dxf")]
    assert patch and any(n.endswith("steps.pdf") for n in files)
    for name in patch:
        assert not ezdxf.read(io.StringIO(files[name].decode("cp1252"))).audit().errors
    page.get_by_role("button", name="Undo").click()
    kept(page)
    page.locator(".file-list .old", has_text="steps.pdf").wait_for()
    assert {n: (job / n).read_bytes() for n in before} == before


def files_of(page: Any) -> dict[str, bytes]:
    page.locator(".file-group", has_text="Patch for").first.wait_for()
    return {n: d for n, d in downloaded(page).items() if n.startswith("patch/")}


def test_one_of_several_new_tools_is_pointed_at_and_added(
    desk: DeskServer, open_page: Open, crowd: Path
) -> None:
    job = desk.root / "bench.job"
    before = {n: (job / n).read_bytes() for n in ("outlines.json", "panel.json", "tools.csv")}
    page = open_page(desk)
    page.set_default_timeout(60_000)
    page.get_by_role("button", name="Panel", exact=True).click()
    page.get_by_role("button", name="Add a tool").click()
    page.locator(".zone input[type=file]").set_input_files(str(crowd))
    page.locator(".swap-view input.short").first.fill("10")
    page.get_by_label("Printed card").fill("168 x 112")
    page.get_by_role("button", name="Lay it into the panel").click()
    page.get_by_text("Give the new tool a name").wait_for()
    page.get_by_label("Name of the new one").fill("long bar")
    page.get_by_role("button", name="Lay it into the panel").click()
    page.get_by_text("The photo shows 2 tools").wait_for(timeout=90_000)
    assert axe_faults(page) == []
    assert page.get_by_role("button", name="Add it and make the files").is_hidden()
    # by keyboard alone: the one that is longer
    lengths = [
        max(g.bounding_box()["width"], g.bounding_box()["height"])
        for g in page.locator(".seen-tool").all()
    ]
    page.locator(".seen-tool").nth(lengths.index(max(lengths))).focus()
    page.keyboard.press("Enter")
    page.locator(".swap-result h2").wait_for()
    assert axe_faults(page) == []
    left = page.get_by_label("From the left (mm)")
    x = float(left.input_value())
    page.locator(".swap-picture").focus()
    laid_anew(page, lambda: page.keyboard.press("Shift+ArrowRight"))
    assert float(left.input_value()) == pytest.approx(x + 10, abs=0.02)
    assert {n: (job / n).read_bytes() for n in before} == before
    page.get_by_role("button", name="Add it and make the files").click()
    files = files_of(page)
    assert any(n.endswith("steps.pdf") for n in files) and any(".dxf" in n for n in files)
    (new,) = set(lines(job)) - set(_lines(before["outlines.json"]))
    assert region(lines(job)[new]).area == pytest.approx(120 * 30, rel=0.04)
    page.locator(".edit-keys summary").click()
    page.get_by_text("long bar added").wait_for()
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Undo").click()
    kept(page)
    assert {n: (job / n).read_bytes() for n in before} == before


def test_a_tool_is_taken_out_of_the_finished_panel(desk: DeskServer, open_page: Open) -> None:
    job = desk.root / "bench.job"
    tool = old_tool(job)
    page = open_page(desk)
    page.set_default_timeout(60_000)
    page.get_by_role("button", name="Panel", exact=True).click()
    page.locator(f".pockets button[data-pocket={tool}]").click()
    page.get_by_role("button", name="Take out of the finished panel").click()
    page.locator(".swap-result h2").wait_for()
    assert page.locator(".swap-patch .piece").get_attribute("d")
    assert page.locator(".swap-over .now").get_attribute("d") == ""
    assert axe_faults(page) == []
    assert tool in lines(job)
    page.get_by_role("button", name="Take it out and make the files").click()
    assert any(n.endswith("2-piece.dxf") for n in files_of(page))
    assert tool not in lines(job)
    page.get_by_role("button", name="Panel", exact=True).click()
    page.locator(".pockets button").first.wait_for()
    assert page.locator(f".pockets button[data-pocket={tool}]").count() == 0


def _lines(data: bytes) -> dict[str, str]:
    rows = [r.rstrip(",") for r in data.decode().splitlines() if r.startswith('  {"id": ')]
    return {json.loads(r)["id"]: r for r in rows}


@pytest.mark.parametrize(("width", "size"), [(380, "usual"), (1024, "large")])
def test_longer_words_break_nothing_of_it(
    desk: DeskServer, open_page: Open, photos: Path, width: int, size: str
) -> None:
    page = open_page(desk, viewport={"width": width, "height": 800})
    page.set_default_timeout(60_000)
    page.evaluate(
        f"() => {{ localStorage.setItem('tracer-language', 'long');"
        f" localStorage.setItem('tracer-size', '{size}'); }}"
    )
    page.reload()
    page.locator("nav button").nth(3).click()
    page.locator(".swap-view select option").first.wait_for(state="attached")
    page.locator(".zone input[type=file]").set_input_files(str(photos / "new.jpg"))
    page.locator(".swap-view form").first.locator("button.main").click()
    page.locator(".swap-result h2").wait_for(timeout=90_000)
    assert page.evaluate(OVERFLOW) <= 0
    assert page.evaluate(CUT_OFF) == []
    assert axe_faults(page) == []
