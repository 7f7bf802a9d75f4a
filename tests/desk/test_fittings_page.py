"""Ledges, mounts, rooms for cables, the rail, wells, steps and poses typed in a real browser."""

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
from tests.desk.test_panel_page import panel_of, settled, shown
from tracer.desk.server import DeskServer
from tracer.model.fitting_plans import HolePlan, Islands, Row, Side
from tracer.project.edits_file import Change, Edit
from tracer.project.plan_file import plan_from_toml
from tracer.workflows.arranging.arrange import arrange_job
from tracer.workflows.editing.job_edits import make_edit

Open = Callable[..., Any]

#: a bay as a photo of it gives one: out of square, with what no field of the page holds
BAY = {
    "kind": "wall",
    "width_mm": 700.0,
    "height_mm": 500.0,
    "top_mm": 702.0,
    "right_mm": 501.0,
    "rising_mm": 861.6,
    "falling_mm": 860.8,
    "grip": True,
}


@pytest.fixture
def wall(tmp_path: Path) -> Iterator[DeskServer]:
    """A desk with a small wall panel that has letters."""
    folder = seed_job(tmp_path / "bench.job", most=2)
    arrange_job(folder)
    letters = {"name": "K7", "text": "K7", "height_mm": 30.0, "x_mm": 600.0, "y_mm": 420.0}
    asked = {"bay": BAY, "emblems": [letters]}
    changes = tuple(Change(("plan", key), None, value) for key, value in asked.items())
    make_edit(folder, Edit("plan", "", changes))
    arrange_job(folder)
    with serving(tmp_path, "bench") as server:
        yield server


def plan_of(server: DeskServer, page: Any) -> Any:
    kept(page)
    return plan_from_toml(toml(server), "panel.toml")


def typed(room: Any, label: str, value: str) -> None:
    field = room.get_by_label(label, exact=True)
    field.fill(value)
    field.press("Enter")


def test_ledges_mounts_cables_and_the_rail(wall: DeskServer, open_page: Open) -> None:
    """What is typed is in the plan; after the run it is on the panel."""
    page = shown(open_page(wall))
    first = plan_of(wall, page)
    form = page.locator(".fittings-form")
    form.locator(":scope > summary").click()

    form.get_by_role("button", name="Add a ledge").click()
    ledge = form.locator("details.part", has_text="Ledge:")
    typed(ledge, "Name", "truing stand")
    typed(ledge, "Middle x (mm)", "540")
    typed(ledge, "Middle y (mm)", "140")
    typed(ledge, "Width (mm)", "18 cm")
    typed(ledge, "Mass (kg)", "2,5")
    typed(ledge, "Lifted to take off (mm)", "40")
    typed(ledge, "Width (mm)", "")  # may not be emptied
    page.locator(".messages", has_text="cannot be empty").wait_for()
    typed(ledge, "Mass (kg)", "heavy")
    page.locator(".messages", has_text="heavy").wait_for()
    (one,) = plan_of(wall, page).ledges
    assert (one.name, one.x_mm, one.y_mm, one.width_mm) == ("truing stand", 540, 140, 180)
    assert (one.mass_kg, one.lift_mm, one.swing_mm) == (2.5, 40, 0)

    form.get_by_role("button", name="Add a mount").click()
    mount = form.locator("details.part", has_text="Mount:")
    typed(mount, "Name", "charger")
    typed(mount, "Middle x (mm)", "600")
    typed(mount, "Middle y (mm)", "300")
    typed(mount, "Holes", "0 30 4,5; 0 -30 4.5; 10 0 4")
    mount.get_by_label("Powered").check()
    typed(mount, "How many", "2")
    typed(mount, "From one to the next (mm)", "90")
    mount.get_by_label("Row", exact=True).select_option("upright")
    mount.get_by_label("Lead runs to", exact=True).select_option("right")
    typed(mount, "Holes", "0 30")
    page.locator(".messages", has_text="are no holes").wait_for()
    (one,) = plan_of(wall, page).mounts
    assert one.holes == (HolePlan(0, 30, 4.5), HolePlan(0, -30, 4.5), HolePlan(10, 0, 4))
    assert (one.count, one.pitch_mm, one.row, one.powered) == (2, 90, Row.UPRIGHT, True)
    assert one.cable_to is Side.RIGHT
    mount.get_by_label("Lead runs to", exact=True).select_option("")  # as usual again

    form.get_by_role("button", name="Add room for a cable").click()
    cable = form.locator("details.part", has_text="Cable:")
    typed(cable, "Cable is thick (mm)", "6")
    typed(cable, "Middle x (mm)", "330")
    typed(cable, "Middle y (mm)", "400")
    cable.get_by_label("Leads into the pocket").select_option("T01")
    (one,) = plan_of(wall, page).cavities
    assert (one.cable_mm, one.radius_mm, one.x_mm, one.pocket_id) == (6, 60, 330, "T01")

    letters = form.locator("details.part", has_text="Emblem:")
    letters.locator("summary").click()
    typed(letters, "Depth (mm)", "6")
    letters.get_by_label("Foam inside").select_option("bridged")
    (one,) = plan_of(wall, page).emblems
    assert (one.text, one.depth_mm, one.islands) == ("K7", 6, Islands.BRIDGED)

    form.get_by_role("button", name="Add a rest rail").click()
    rail = form.locator("details.part", has_text="Rest rail")
    typed(rail, "Out from the wall (mm)", "25")
    typed(rail, "Finish", "wrapped in felt")
    rail.get_by_label("Strip over the screw heads").check()
    now = plan_of(wall, page)
    assert now.rail.thickness_mm == 25 and now.rail.finish == "wrapped in felt"
    assert now.rail.cover_strip and now.rail.height_mm == 40  # as usual
    assert page.evaluate(OVERFLOW) <= 0
    assert axe_faults(page) == []

    form.get_by_role("button", name="Take out cable").click()
    settled(page)
    panel = panel_of(wall)
    assert len(panel.mounts) == 2 and panel.rail is not None and len(panel.ledges) == 1
    x0, y0, x1, y1 = panel.ledges[0].region.bounds
    assert ((x0 + x1) / 2, (y0 + y1) / 2) == pytest.approx((540, 140), abs=0.1)
    form.get_by_role("button", name="Take out Rest rail").click()
    assert plan_of(wall, page).rail is None
    for _ in range(40):
        if page.get_by_role("button", name="Undo").is_disabled():
            break
        page.get_by_role("button", name="Undo").click()
        kept(page)
        if plan_of(wall, page) == first:
            break
    assert plan_of(wall, page) == first


def test_wells_steps_and_the_stored_pose_of_a_tool(wall: DeskServer, open_page: Open) -> None:
    page = shown(open_page(wall))
    page.locator(".pockets button[data-pocket=T01]").click()
    parts = page.locator(".pocket-parts")
    parts.locator(":scope > summary").click()
    typed(parts, "Stored", "closed")
    parts.get_by_role("button", name="Add a well").click()
    well = parts.locator("fieldset", has_text="Well:")
    typed(well, "Name", "trigger")
    typed(well, "Width (mm)", "14")
    typed(well, "Reaches down (mm)", "4")
    typed(well, "Reaches down (mm)", "")
    page.locator(".messages", has_text="cannot be empty").wait_for()
    parts.get_by_role("button", name="Add a step").click()
    step = parts.locator("fieldset", has_text="Step:")
    typed(step, "Underside higher by (mm)", "3")
    (tool,) = [t for t in plan_of(wall, page).tools if t.pocket_id == "T01"]
    assert tool.pose == "closed"
    assert [(w.name, w.width_mm, w.reach_mm, w.height_mm) for w in tool.wells] == [
        ("trigger", 14, 4, None)
    ]
    assert [s.under_mm for s in tool.steps] == [3]
    step.get_by_role("button").click()
    settled(page)
    (tool,) = [t for t in plan_of(wall, page).tools if t.pocket_id == "T01"]
    assert tool.steps == ()
    # a new part stands in the middle of its tool, however that lies on the panel
    (pocket,) = [p for p in panel_of(wall).pockets if p.pocket_id == "T01"]
    (cut,) = pocket.wells
    x0, y0, x1, y1 = pocket.region.bounds
    middle = cut.region.centroid
    assert (middle.x, middle.y) == pytest.approx(((x0 + x1) / 2, (y0 + y1) / 2), abs=1.0)
    assert axe_faults(page) == []


def test_a_bay_out_of_square_survives_its_form(wall: DeskServer, open_page: Open) -> None:
    """A bay measured from a photo: a clear depth typed for it changes nothing else."""
    page = shown(open_page(wall))
    box = page.locator("details", has=page.get_by_label("Clear depth (mm)"))
    box.locator("summary").click()
    assert box.get_by_label("Lower left to upper right (mm)").input_value() == "861.6"
    box.get_by_label("Clear depth (mm)").fill("85")
    box.get_by_label("Above the floor (mm)").fill("900")
    box.get_by_role("button", name="Use this bay").click()
    bay = plan_of(wall, page).bay
    assert (bay.clear_depth_mm, bay.above_floor_mm, bay.grip) == (85, 900, True)
    assert (bay.top_mm, bay.right_mm, bay.rising_mm, bay.falling_mm) == (702, 501, 861.6, 860.8)
    # another width is another bay: sides that came with the old one go
    box.get_by_label("Width (mm)", exact=True).fill("650")
    for label in ("Lower left to upper right (mm)", "Upper left to lower right (mm)"):
        box.get_by_label(label).fill("")
    box.get_by_role("button", name="Use this bay").click()
    bay = plan_of(wall, page).bay
    assert (bay.width_mm, bay.top_mm, bay.rising_mm, bay.above_floor_mm) == (650, None, None, 900)
