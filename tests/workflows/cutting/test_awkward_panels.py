"""Awkward lays and plans: a sentence or a panel with findings, never a traceback."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.panel.bench import (
    FACE,
    PLIES,
    bar,
    drawer,
    plan,
    row_of_bars,
    spanner,
    tool,
    wall,
)
from tracer.errors import TracerError
from tracer.export.machine.profiles import dxf_options, read_machine
from tracer.model.panel_plan import (
    Arrangement,
    CopyPlan,
    FitClass,
    PanelPlan,
    PlacementPlan,
    PlyPlan,
    ToolPlan,
)
from tracer.panel.layout.places import Tool
from tracer.pictures.panel import panel_png
from tracer.workflows.arranging.arrange import arrange_tools
from tracer.workflows.cutting.cut_panel import PanelCutOptions, cut_panel

TIDY = PlacementPlan(Arrangement.TIDIED)
ODD_NAME = '<5 & "größer" Ключ 扳手'


def renamed(name: str) -> list[Tool]:
    (one,) = row_of_bars(1)
    return [replace(one, outline=replace(one.outline, name=name))]


CASES: dict[str, tuple[list[Tool], PanelPlan]] = {
    "one tool": (row_of_bars(1), plan(drawer(), placement=TIDY)),
    "no bay": (row_of_bars(2), plan(None, placement=TIDY)),
    "tool larger than the bay": ([tool(spanner(400, 80), 1, 0, 0)], plan(drawer(200, 150))),
    "tools on top of each other": (row_of_bars(3, pitch=5.0), plan(drawer(), placement=TIDY)),
    "height nought": ([tool(bar(), 1, 0, 0, height_mm=0.0)], plan(wall())),
    "a very tall tool": ([tool(bar(), 1, 0, 0, height_mm=300.0)], plan(drawer(clear=60.0))),
    "a needle": ([tool(bar(3.2, 90), 1, 0, 0)], plan(drawer(), fit=FitClass.PRESS)),
    "a crumb": ([tool(bar(6, 8), 1, 0, 0)], plan(wall())),
    "face alone": (row_of_bars(2), plan(drawer(), plies=PLIES[:1], insert=None)),
    "only through, one thickness": (row_of_bars(2), plan(drawer(), through_only=True)),
    "only through, odd thicknesses": (
        row_of_bars(2),
        plan(
            drawer(),
            through_only=True,
            plies=(PlyPlan("face", FACE, thicknesses_mm=(7.0, 11.0)), PLIES[1]),
        ),
    ),
    "sheets far too small": (
        row_of_bars(2),
        plan(drawer(), plies=(PlyPlan("face", replace(FACE, size_mm=(60.0, 40.0))), PLIES[1])),
    ),
    "odd letters": (renamed(ODD_NAME), plan(drawer())),
    "long name": (renamed("a name that goes on and on " * 8), plan(drawer())),
    "a depth beyond the panel": (
        row_of_bars(1),
        plan(drawer(), tools=(ToolPlan("T01", depth_mm=55.0),)),
    ),
}


EXPECTED = {
    "tool larger than the bay": "panel-edge-thin",
    "tools on top of each other": "web-thin",
    "a very tall tool": "does-not-close",
    "sheets far too small": "seam-in-pocket",
    "a depth beyond the panel": "floor-thin",
    "only through, one thickness": "depth-by-layer",
}


@pytest.mark.parametrize("name", CASES)
def test_a_panel_comes_out_with_its_findings(name: str) -> None:
    tools, wanted = CASES[name]
    panel, _ = arrange_tools(tools, wanted)
    assert panel_png(panel, panel.checks, longest_px=200).startswith(b"\x89PNG")
    if name in EXPECTED:
        assert EXPECTED[name] in {c.slug for c in panel.checks}


@pytest.mark.parametrize("name", ["tool larger than the bay", "odd letters", "face alone"])
def test_files_come_out(name: str) -> None:
    tools, wanted = CASES[name]
    panel, _ = arrange_tools(tools, wanted)
    profile = read_machine("oscillating-knife")
    options = PanelCutOptions(machine=profile, dxf=dxf_options(profile))
    done = cut_panel(panel, wanted, tools, options, name="odd")
    assert done.files["odd-job-sheet.pdf"].startswith(b"%PDF")
    assert ("letter-missing" in {c.slug for c in done.checks}) is (name == "odd letters")


def test_no_room_is_said_in_a_sentence() -> None:
    wanted = plan(drawer(38, 38), copies=(CopyPlan("T01"),))
    one = row_of_bars(1)[0]
    copy = replace(one, pocket_id="T01-2", lay=0)
    with pytest.raises(TracerError) as caught:
        arrange_tools([one, copy], wanted)
    assert caught.value.slug == "panel-no-room"
