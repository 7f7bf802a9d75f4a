"""Plain pockets, keep-outs, letters, drawings and outlines put on a panel in a real browser."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.desk.bench import seed_job
from tests.desk.conftest import serving
from tests.desk.test_doubts import OVERFLOW
from tests.desk.test_layout_page import toml
from tests.desk.test_page import axe_faults, kept
from tests.desk.test_panel_page import shown
from tracer.desk.server import DeskServer
from tracer.project.edits_file import Change, Edit
from tracer.project.plan_file import plan_from_toml
from tracer.workflows.arranging.arrange import arrange_job
from tracer.workflows.editing.job_edits import make_edit

Open = Callable[..., Any]


@pytest.fixture
def furnished(tmp_path: Path) -> Iterator[DeskServer]:
    """A desk with a small panel that has a keep-out and letters."""
    folder = seed_job(tmp_path / "bench.job", most=2)
    arrange_job(folder)
    bay = {"kind": "drawer", "width_mm": 420, "height_mm": 300}
    rail = {"name": "rail", "x_mm": 300.0, "y_mm": 40.0, "width_mm": 40.0, "height_mm": 24.0}
    letters = {"name": "K7", "text": "K7", "height_mm": 20.0, "x_mm": 360.0, "y_mm": 150.0}
    asked = {"bay": bay, "keep_outs": [rail], "emblems": [letters]}
    changes = tuple(Change(("plan", key), None, value) for key, value in asked.items())
    make_edit(folder, Edit("plan", "", changes))
    arrange_job(folder)
    with serving(tmp_path, "bench") as server:
        yield server


#: a ring of 40 mm outside and 24 mm inside, in mm (SVG 1.1: width with a unit over the view box)
RING = (
    b'<svg xmlns="http://www.w3.org/2000/svg" width="40mm" height="40mm" viewBox="0 0 40 40">'
    b'<circle cx="20" cy="20" r="20"/><circle cx="20" cy="20" r="12"/></svg>'
)


def test_plain_pockets_keep_outs_and_letters_are_added_placed_and_taken_out(
    furnished: DeskServer, open_page: Open
) -> None:
    """What is asked is in the plan once the page says Kept; panels of it have their own tests."""
    page = shown(open_page(furnished))

    def plan() -> Any:
        kept(page)
        return plan_from_toml(toml(furnished), "panel.toml")

    def drag(what: str, dx: float, dy: float) -> float:
        area = page.locator(what).bounding_box()
        x, y = area["x"] + area["width"] * 0.2, area["y"] + area["height"] / 2
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x + dx, y + dy, steps=4)
        page.mouse.up()
        return float(page.evaluate("() => document.querySelector('.drawing').getScreenCTM().a"))

    first = plan()
    scale = drag(".keep-out", 30, 20)
    (rail,) = plan().keep_outs
    assert (rail.x_mm, rail.y_mm) == pytest.approx((300 + 30 / scale, 40 - 20 / scale), abs=0.1)
    scale = drag(".fitting.emblem", -40, 10)
    (letters,) = plan().emblems
    at = (360 - 40 / scale, 150 - 10 / scale)
    assert (letters.x_mm, letters.y_mm) == pytest.approx(at, abs=0.3)
    page.locator(".added-form summary").click()
    page.get_by_label("rail: y (mm)").fill("77,5")
    page.get_by_label("rail: y (mm)").press("Enter")
    assert plan().keep_outs[0].y_mm == 77.5

    form = page.locator(".added-form form")

    def add(kind: str, label: str, name: str, **sizes: str) -> None:
        form.get_by_label("Add", exact=True).select_option(kind)
        form.get_by_label(label, exact=True).fill(name)
        for key, size in sizes.items():
            form.get_by_label(f"{key.replace('_', ' ')} (mm)").fill(size)
        form.get_by_role("button", name="Add", exact=True).click()

    add("plain", "Name", "patch kit", Width="50", Height="30", Thing_is_high="12")
    add("plain", "Name", "valves", Width="20", Height="20", Thing_is_high="9")
    add("keep_outs", "Name", "pipe", Width="25", Height="")
    add("emblems", "Letters", "B", Height="1.5 cm")
    now = plan()
    assert [(p.name, p.width_mm, p.thing_mm) for p in now.plain] == [
        ("patch kit", 50, 12),
        ("valves", 20, 9),
    ]
    assert (now.keep_outs[1].width_mm, now.keep_outs[1].height_mm) == (25, None)
    assert (now.emblems[1].text, now.emblems[1].height_mm) == ("B", 15)
    form.get_by_label("Letters", exact=True).fill("")
    form.get_by_role("button", name="Add", exact=True).click()
    page.locator(".messages", has_text="Type a name").wait_for()
    form.get_by_label("Add", exact=True).select_option("drawing")
    form.get_by_role("button", name="Add", exact=True).click()
    page.locator(".messages", has_text="Choose the drawing first").wait_for()
    choose = form.locator("input[type=file]")
    choose.set_input_files({"name": "no.svg", "mimeType": "image/svg+xml", "buffer": b"<svg"})
    form.get_by_role("button", name="Add", exact=True).click()
    page.locator(".messages", has_text="no.svg:").wait_for()
    choose.set_input_files({"name": "wheel.svg", "mimeType": "image/svg+xml", "buffer": RING})
    form.get_by_label("Height (mm)").fill("12")
    form.get_by_role("button", name="Add", exact=True).click()
    page.get_by_label("wheel: turned (°)").fill("30")
    page.get_by_label("wheel: turned (°)").press("Enter")
    kept(page)
    wheel = plan().emblems[-1]
    assert (wheel.file, wheel.height_mm, wheel.turn_deg) == ("wheel.svg", 12, 30)
    assert (furnished.root / "bench.job/drawings/wheel.svg").read_bytes() == RING
    form.get_by_label("Add", exact=True).select_option("outline")
    form.get_by_label("Outline", exact=True).select_option("T02")
    form.get_by_label("Height (mm)").fill("")
    form.get_by_role("button", name="Add", exact=True).click()
    kept(page)
    assert (plan().emblems[-1].outline_id, plan().emblems[-1].height_mm) == ("T02", None)
    page.get_by_role("button", name="Take out patch kit").click()
    assert [p.name for p in plan().plain] == ["valves"]
    assert page.evaluate(OVERFLOW) <= 0
    assert axe_faults(page) == []
    for _ in range(11):
        page.get_by_role("button", name="Undo").click()
        kept(page)
    assert plan() == first
