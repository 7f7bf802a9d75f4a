"""panel.json and panel.toml: read back without loss, refused when damaged."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from tests.panel.bench import drawer, panel_of, plan, row_of_bars, wall
from tracer.errors import TracerError
from tracer.model.panel_plan import CopyPlan, MovePlan, PanelPlan, ToolPlan, WellPlan
from tracer.panel.checks.report import check_panel
from tracer.project.panel_file import PanelFile, dump_panel, load_panel
from tracer.project.plan_file import plan_from_toml, plan_toml

WELL = WellPlan("knob", 12.0, 60.0, 18.0, 8.0)
PLAN = plan(
    drawer(clear=80.0),
    tools=(ToolPlan("T01", depth_mm=12.0, wells=(WELL,), label='the "good" one, größer'),),
    moves=(MovePlan("T02", x_mm=200.0),),
    copies=(CopyPlan("T02", mirrored=True),),
    rules={"gap_mm": 22.0},
)


def file(wanted: PanelPlan = PLAN) -> PanelFile:
    tools = row_of_bars(3)
    panel = panel_of(tools, wanted)
    return PanelFile(wanted, replace(panel, checks=check_panel(panel, wanted, tools)))


@pytest.mark.parametrize("wanted", [PLAN, plan(wall(800, 400))])
def test_a_panel_survives_the_file(wanted: PanelPlan) -> None:
    data = dump_panel(file(wanted))
    again = load_panel(data, "panel.json")
    assert dump_panel(again) == data
    assert again.plan == wanted
    before = file(wanted).panel
    for a, b in zip(before.pockets, again.panel.pockets, strict=True):
        # coordinates are written to a micrometre
        assert a.region.hausdorff_distance(b.region) < 0.002
        assert (a.depth_mm, a.label, a.number) == (b.depth_mm, b.label, b.number)
    assert again.panel.checks == before.checks
    assert len(again.panel.fixings) == len(before.fixings)


def test_one_pocket_a_line() -> None:
    lines = dump_panel(file()).decode().splitlines()
    assert sum(line.startswith('  {"id": "T0') for line in lines) == 3


@pytest.mark.parametrize(
    ("damage", "slug"),
    [
        (lambda b: b[: len(b) // 2], "job-damaged"),
        (lambda b: b.replace(b'"version": 3', b'"version": 9'), "job-newer"),
        (lambda b: b.replace(b'"depth_mm"', b'"depth_cm"'), "job-damaged"),
        (lambda b: b.replace(b"tracer-panel", b"tracer-bread"), "job-damaged"),
    ],
)
def test_damaged_files_are_refused(damage: object, slug: str) -> None:
    with pytest.raises(TracerError) as caught:
        load_panel(damage(dump_panel(file())), "panel.json")  # type: ignore[operator]
    assert caught.value.slug == slug


@pytest.mark.parametrize("wanted", [PLAN, PanelPlan(), plan(wall())])
def test_a_plan_survives_toml(wanted: PanelPlan) -> None:
    assert plan_from_toml(plan_toml(wanted), "panel.toml") == wanted


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ('titel = "x"', "titel"),
        (
            "[bay]\nkind = 'shelf'\nwidth_mm = 3\nheight_mm = 4",
            "bay, kind: 'shelf' was read, it takes one of wall, drawer",
        ),
        (
            "[[tools]]\npocket_id = 'T01'\ndept_mm = 3",
            "tools 1: there is no key 'dept_mm'; did you mean depth_mm",
        ),
        ("[bay\n", "not TOML: line 1, column 5"),
    ],
)
def test_slips_in_a_plan_are_named_with_their_place(text: str, place: str) -> None:
    with pytest.raises(TracerError) as caught:
        plan_from_toml(text.encode(), "panel.toml")
    assert caught.value.slug == "panel-plan-unreadable"
    assert place in caught.value.sentence


def test_json_holds_no_coordinates_finer_than_a_micrometre() -> None:
    body = json.loads(dump_panel(file()))
    x, y = body["pockets"][0]["region"]["coordinates"][0][0]
    assert round(x, 3) == x and round(y, 3) == y


def test_a_panel_of_version_1_keeps_its_even_walls() -> None:
    # before version 2 a pocket told fit and margin, both added evenly, and no wall
    body = json.loads(dump_panel(file()))
    body["version"] = 1
    for p in body["pockets"]:
        for key in ("wall", "fit_probability", "widths_mm"):
            del p[key]
        p["fit_mm"], p["margin_mm"] = 0.5, 0.8
    old = load_panel(json.dumps(body).encode(), "panel.json").panel
    for p in old.pockets:
        assert p.widths_mm == pytest.approx((1.3, 1.3))
        assert p.wall.symmetric_difference(p.outline.buffer(1.3, quad_segs=32)).area < 0.5
