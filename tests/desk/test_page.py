"""The page in a real browser: seeing, typing, undoing, losing the line, small screens.

Accessibility is judged by axe (WCAG 2.0 to 2.2, levels A and AA), an engine that is not ours.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.desk.bench import seed_job
from tests.desk.conftest import serving
from tracer.desk.server import DeskServer
from tracer.project.tool_list import parse_tool_list

Open = Callable[..., Any]
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


def typed(server: DeskServer, column: str) -> dict[str | None, Any]:
    """A column of the tool list on the disk, by name."""
    path = server.root / "bench.job" / "tools.csv"
    return {
        r.name: getattr(r, column) for r in parse_tool_list(path.read_bytes(), "tools.csv").rows
    }


def shown(page: Any) -> Any:
    page.wait_for_selector(".seen path", state="attached")
    return page


def cell(page: Any, tool: str, column: str) -> Any:
    return page.locator(f"input[data-id={tool}][data-column={column}]")


def kept(page: Any) -> None:
    page.wait_for_function("() => document.querySelector('.kept').textContent === 'Kept'")


def axe_faults(page: Any) -> list[str]:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    found = axe.Axe().run(page, options={"runOnly": {"type": "tag", "values": RULES}})
    return [
        f"{v['id']}: {n['html'][:120]}" for v in found.response["violations"] for n in v["nodes"]
    ]


def test_shows_the_photo_its_outlines_and_the_list(desk: DeskServer, open_page: Open) -> None:
    page = shown(open_page(desk))
    assert "key=" not in page.url
    assert page.locator(".seen g").count() == 10
    assert page.locator(".tools tbody tr").count() == 10
    assert page.locator(".cards path").count() == 5
    assert cell(page, "T03", "name").input_value() == "cable cutters"
    page.wait_for_function(
        """() => { const c = document.querySelector('.picture canvas');
                   const d = c.getContext('2d').getImageData(c.width / 2, c.height / 2, 1, 1).data;
                   return d[3] === 255; }"""
    )


def test_rows_and_outlines_point_at_each_other(desk: DeskServer, open_page: Open) -> None:
    page = shown(open_page(desk))
    cell(page, "T09", "height_mm").focus()
    assert page.locator(".seen .chosen").get_attribute("data-outline") == "T09"
    where = page.evaluate(
        """() => { const p = document.querySelector('.seen [data-outline=T05] .core');
                   const b = p.getBoundingClientRect();
                   return [b.x + b.width / 2, b.y + b.height / 2]; }"""
    )
    page.mouse.click(*where)
    assert page.locator("tr.chosen").get_attribute("data-outline") == "T05"
    page.locator("tr[data-outline=T02]").hover()
    assert page.locator(".seen .hover").get_attribute("data-outline") == "T02"


def test_heights_are_typed_pasted_undone_also_after_a_restart(
    tmp_path: Path, open_page: Open
) -> None:
    seed_job(tmp_path / "bench.job")
    with serving(tmp_path, "bench") as server:
        page = shown(open_page(server))
        cell(page, "T03", "depth_mm").fill("12,5")  # a decimal comma is fine
        page.keyboard.press("Enter")
        assert cell(page, "T04", "depth_mm").evaluate("e => e === document.activeElement")
        page.keyboard.press("ArrowUp")
        kept(page)
        assert typed(server, "depth_mm")["cable cutters"] == 12.5
        page.evaluate(
            """() => { const data = new DataTransfer();
                       data.setData('text/plain', '7\\t0.2\\n8\\t0,3\\n9\\t\\n');
                       document.querySelector('input[data-id=T05][data-column=depth_mm]')
                         .dispatchEvent(new ClipboardEvent('paste',
                           {clipboardData: data, bubbles: true, cancelable: true})); }"""
        )
        kept(page)
        assert [cell(page, t, "depth_mm").input_value() for t in ("T05", "T06", "T07")] == [
            "7",
            "8",
            "9",
        ]
        assert cell(page, "T06", "mass_kg").input_value() == "0.3"
        page.get_by_role("button", name="Undo").click()
        page.wait_for_function(
            "() => document.querySelector('input[data-id=T05][data-column=depth_mm]').value === ''"
        )
        assert cell(page, "T03", "depth_mm").input_value() == "12.5"
    with serving(tmp_path, "bench") as server:
        page = shown(open_page(server))
        page.locator(".picture").focus()
        page.keyboard.press("Control+z")
        page.wait_for_function(
            "() => document.querySelector('input[data-id=T03][data-column=depth_mm]').value === ''"
        )
        assert typed(server, "depth_mm")["cable cutters"] is None
        page.keyboard.press("Control+y")
        page.keyboard.press("Control+Shift+z")
        page.wait_for_function(
            "() => document.querySelector('input[data-id=T07][data-column=depth_mm]').value === '9'"
        )
        assert typed(server, "depth_mm")["cable cutters"] == 12.5


def test_nonsense_is_refused_where_it_was_typed(desk: DeskServer, open_page: Open) -> None:
    page = shown(open_page(desk))
    cell(page, "T01", "height_mm").fill("tall")
    cell(page, "T02", "height_mm").focus()
    assert cell(page, "T01", "height_mm").get_attribute("aria-invalid") == "true"
    assert "not a number from 0 to 500" in page.locator(".messages").inner_text()
    assert typed(desk, "height_mm")["cone spanner 13-14"] == 2


def test_two_pages_never_lose_an_edit(desk: DeskServer, open_page: Open) -> None:
    one, two = shown(open_page(desk)), shown(open_page(desk))
    two.route("**/api/events", lambda route: route.abort())  # this page hears no news
    two.reload()
    shown(two)
    cell(one, "T01", "mass_kg").fill("0.11")
    cell(one, "T02", "mass_kg").fill("0.12")
    cell(one, "T01", "name").focus()
    kept(one)
    cell(two, "T03", "mass_kg").fill("0.33")  # another cell: goes along without a question
    cell(two, "T01", "name").focus()
    kept(two)
    mass = typed(desk, "mass_kg")
    assert (mass["cone spanner 13-14"], mass["cone spanner 15-16"]) == (0.11, 0.12)
    assert mass["cable cutters"] == 0.33

    cell(one, "T04", "mass_kg").fill("0.4")
    cell(one, "T01", "name").focus()
    kept(one)
    cell(two, "T04", "mass_kg").fill("0.5")  # the same cell: the person decides
    two.keyboard.press("Enter")
    dialog = two.get_by_role("dialog")
    assert "0.4" in dialog.inner_text() and "0.5" in dialog.inner_text()
    dialog.get_by_role("button", name="Use mine").click()
    kept(two)
    assert typed(desk, "mass_kg")["three-arm hex key"] == 0.5


def test_a_lost_line_is_told_and_nothing_is_lost(tmp_path: Path, open_page: Open) -> None:
    seed_job(tmp_path / "bench.job")
    with serving(tmp_path, "bench") as server:
        page = shown(open_page(server))
        port, keys = server.keys.port, server.keys
    page.locator(".lost").wait_for(state="visible")
    cell(page, "T03", "depth_mm").fill("15")
    page.keyboard.press("Enter")
    assert page.locator(".kept").inner_text() == "Not kept yet"
    again = DeskServer(tmp_path, server.job, port, keys=keys)
    import threading

    again.open()
    thread = threading.Thread(target=again.run)
    thread.start()
    try:
        kept(page)
        page.locator(".lost").wait_for(state="hidden")
        assert typed(again, "depth_mm")["cable cutters"] == 15
    finally:
        again.stop()
        thread.join(timeout=30)


def test_a_correction_by_keyboard_alone(desk: DeskServer, open_page: Open) -> None:
    page = shown(open_page(desk))
    page.get_by_role("button", name="Take away").focus()
    page.keyboard.press("Enter")
    page.locator(".picture").focus()
    for key in ("Space", "ArrowRight", "Shift+ArrowRight", "Space", "ArrowDown", "Space", "Enter"):
        page.keyboard.press(key)
    kept(page)
    text = (desk.root / "bench.job" / "job.json").read_text()
    assert '"strokes"' in text and '"add": false' in text
    page.keyboard.press("Escape")
    assert page.get_by_role("button", name="Look").get_attribute("aria-pressed") == "true"


def test_zoom_holds_the_place_under_the_cursor(desk: DeskServer, open_page: Open) -> None:
    page = shown(open_page(desk))
    box = page.locator(".picture").bounding_box()
    x, y = box["x"] + box["width"] * 0.3, box["y"] + box["height"] * 0.4
    place = """([x, y]) => { const m = document.querySelector('.drawing').getScreenCTM().inverse();
                              const p = new DOMPoint(x, y).matrixTransform(m);
                              return [p.x, p.y, m.a]; }"""
    before = page.evaluate(place, [x, y])
    page.mouse.move(x, y)
    page.mouse.wheel(0, -600)
    page.wait_for_function(f"() => ({place})([{x}, {y}])[2] < {before[2]} * 0.7")
    after = page.evaluate(place, [x, y])
    # the transform is written with full precision; half a photo pixel would be seen by nobody
    assert abs(after[0] - before[0]) < 0.5 and abs(after[1] - before[1]) < 0.5
    page.mouse.down()
    page.mouse.move(x + 60, y + 25, steps=4)
    page.mouse.up()
    page.wait_for_timeout(60)
    moved = page.evaluate(place, [x + 60, y + 25])
    assert abs(moved[0] - before[0]) < 0.5 and abs(moved[1] - before[1]) < 0.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_no_barrier(desk: DeskServer, open_page: Open, scheme: str) -> None:
    page = shown(open_page(desk, color_scheme=scheme))
    page.locator("summary").first.click()
    page.get_by_role("button", name="Edge", exact=True).click()
    assert axe_faults(page) == []
    page.get_by_role("button", name="Files", exact=True).click()
    page.locator(".file-list li").first.wait_for()
    assert axe_faults(page) == []
    page.get_by_role("button", name="All jobs").click()
    page.locator(".jobs button").wait_for()
    assert axe_faults(page) == []


def test_axe_does_see_barriers(desk: DeskServer, open_page: Open) -> None:
    page = shown(open_page(desk))
    page.evaluate(
        """for (const input of document.querySelectorAll('.tools input'))
             for (const n of ['aria-label', 'title', 'placeholder']) input.removeAttribute(n)"""
    )
    assert axe_faults(page) != []


@pytest.mark.parametrize("width", [380, 768, 3840])
def test_fits_from_phone_to_large_screens(desk: DeskServer, open_page: Open, width: int) -> None:
    page = shown(
        open_page(desk, viewport={"width": width, "height": 800 if width < 2000 else 2160})
    )
    overflow = "document.scrollingElement.scrollWidth - document.scrollingElement.clientWidth"
    assert page.evaluate(overflow) <= 0
    small = page.evaluate(
        """() => [...document.querySelectorAll('button, a.button')].filter((e) => {
             const b = e.getBoundingClientRect();
             return b.width && (b.width < 24 || b.height < 24); }).map((e) => e.textContent)"""
    )
    assert small == []  # WCAG 2.2, 2.5.8: targets of at least 24 px
    page.get_by_role("button", name="All jobs").click()
    assert page.evaluate(overflow) <= 0
