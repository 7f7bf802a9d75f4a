"""Stepped floors: a thick handle and a thin blade rest on a floor each."""

from __future__ import annotations

from pathlib import Path

import pytest
import shapely
from shapely.geometry import Polygon, box

from tests.export.readers import rings_by_gdal
from tests.panel.bench import drawer, panel_of, plan, tool
from tracer.errors import TracerError
from tracer.export.machine.profiles import dxf_options, read_machine
from tracer.model.panel import Panel
from tracer.model.panel_plan import PanelPlan, StepPlan, ToolPlan
from tracer.panel.checks.steps import check_steps
from tracer.project.plan_file import plan_from_toml, plan_toml
from tracer.workflows.arranging.arrange import arrange_tools
from tracer.workflows.cutting.cut_panel import PanelCutOptions, cut_panel

#: a chisel: handle 30 x 100, 28 high; blade 12 x 120, its underside 9 above the handle's
CHISEL = shapely.union_all([box(-15, -110, 15, -10), box(-6, -11, 6, 110)])
HANDLE, BLADE = box(-15, -110, 15, -10), box(-6, -8, 6, 110)
STEP = StepPlan("blade", x_mm=15.0, y_mm=162.0, width_mm=40.0, height_mm=120.0, under_mm=9.0)


def wanted(*steps: StepPlan, **more: object) -> PanelPlan:
    typed = ToolPlan("T01", depth_mm=20.0, steps=steps, **more)  # type: ignore[arg-type]
    return plan(drawer(300, 320), tools=(typed,))


def chisel(*steps: StepPlan) -> Panel:
    return panel_of([tool(CHISEL, 1, 0, 0, height_mm=28.0)], wanted(*steps))


def moved(shape: Polygon, panel: Panel) -> Polygon:
    dx = panel.pockets[0].outline.centroid.x - CHISEL.centroid.x
    dy = panel.pockets[0].outline.centroid.y - CHISEL.centroid.y
    return shapely.affinity.translate(shape, dx, dy)


def test_the_thin_part_rests_higher_by_what_it_lies_above_the_thick_one() -> None:
    panel = chisel(STEP)
    (pocket,) = panel.pockets
    (deep,) = [w for w in pocket.wells if w.name == "deep floor"]
    assert pocket.depth_mm == pytest.approx(11.0) and deep.depth_mm == pytest.approx(20.0)
    assert deep.region.contains(moved(HANDLE, panel).buffer(-0.5))
    blade = moved(BLADE, panel)
    assert deep.region.intersection(blade).area < 0.02 * blade.area
    # it stands out of the face as without a step
    assert pocket.proud_mm == pytest.approx(chisel().pockets[0].proud_mm)
    assert not [c for c in check_steps(panel)]


def test_an_independent_reader_finds_both_floors(tmp_path: Path) -> None:
    """GDAL: the whole opening 11 mm deep, the handle's part of it 20 mm deep."""
    tools = [tool(CHISEL, 1, 0, 0, height_mm=28.0)]
    plan_ = wanted(STEP, notch=False)
    panel, _ = arrange_tools(tools, plan_)
    profile = read_machine("router")
    options = PanelCutOptions(machine=profile, dxf=dxf_options(profile))
    done = cut_panel(panel, plan_, tools, options, name="chisel")
    (name,) = [n for n in done.files if "1-face" in n and n.endswith("mm-300x320.dxf")]
    areas = {r.layer: Polygon(r.points) for r in rings_by_gdal(done.files[name], tmp_path)}
    whole, deep = areas["pocket-11.0"], areas["well-20.0"]
    assert whole.buffer(0.3).contains(deep)
    assert deep.contains(moved(HANDLE, panel).buffer(-1.0))
    assert whole.contains(moved(CHISEL, panel).buffer(-0.5))
    assert deep.area < 0.75 * whole.area
    # the page for a hand draws the section of it
    assert any("template" in n for n in done.files)


def test_two_steps_have_floors_of_their_own() -> None:
    tip = StepPlan("tip", x_mm=15.0, y_mm=200.0, width_mm=40.0, height_mm=40.0, under_mm=12.0)
    shank = StepPlan("shank", x_mm=15.0, y_mm=140.0, width_mm=40.0, height_mm=80.0, under_mm=6.0)
    (pocket,) = chisel(tip, shank).pockets
    depths = sorted({round(w.depth_mm, 3) for w in pocket.wells})
    assert pocket.depth_mm == pytest.approx(8.0) and depths == [14.0, 20.0]
    middle = [w for w in pocket.wells if w.depth_mm == pytest.approx(14.0)]
    deep = [w for w in pocket.wells if w.depth_mm == pytest.approx(20.0)]
    assert (
        shapely.union_all([w.region for w in middle])
        .intersection(shapely.union_all([w.region for w in deep]))
        .area
        < 200
    )  # the strip that keeps thick parts off the step


def test_a_tool_that_rests_on_one_place_is_said() -> None:
    # 6 mm of blade, of which 2 mm at either end are kept off: no rest
    end = StepPlan("end", x_mm=15.0, y_mm=217.0, width_mm=40.0, height_mm=6.0, under_mm=9.0)
    assert {c.slug for c in check_steps(chisel(end))} == {"step-rests-once"}


@pytest.mark.parametrize(
    ("step", "slug"),
    [
        (StepPlan("off", 200.0, 10.0, 5.0, 5.0, 2.0), "step-outside"),
        (StepPlan("all", 15.0, 110.0, 80.0, 300.0, 9.0), "step-outside"),
        (StepPlan("high", 15.0, 162.0, 40.0, 120.0, 19.5), "step-too-high"),
    ],
)
def test_bad_steps_are_refused_in_a_sentence(step: StepPlan, slug: str) -> None:
    with pytest.raises(TracerError) as caught:
        chisel(step)
    assert caught.value.slug == slug


def test_steps_are_kept_in_the_plan() -> None:
    assert plan_from_toml(plan_toml(wanted(STEP)), "panel.toml") == wanted(STEP)
