"""Machines that only cut through: depths from layers, or a refusal that says what to type.

What a layer's file holds is read by GDAL, not by us.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
import shapely
from shapely import affinity
from shapely.geometry import Polygon

from tests.export.drawings import outline, regions
from tests.export.readers import rings_by_gdal
from tests.panel.bench import FACE, drawer, plan, row_of_bars
from tracer.cli.option_words import with_options
from tracer.errors import UsageError
from tracer.export.machine.profiles import dxf_options, machine_names, read_machine
from tracer.model.outline import Outline
from tracer.model.panel_plan import PlyPlan
from tracer.workflows.arranging.arrange import arrange_tools
from tracer.workflows.cutting.cut import CutOptions
from tracer.workflows.cutting.cut_layers import cut_any_lay
from tracer.workflows.cutting.cut_panel import PanelCutOptions, cut_panel

LASER = CutOptions(machine=read_machine("co2-laser"), material="pe", thickness_mm=30.0)


def lay() -> list[Outline]:
    return [outline(region, i) for i, region in enumerate(regions().values(), 1)]


@pytest.mark.parametrize("machine", ["co2-laser", "drag-knife"])
def test_without_a_depth_it_is_refused_with_what_to_type(machine: str) -> None:
    options = replace(LASER, machine=read_machine(machine))
    with pytest.raises(UsageError) as caught:
        cut_any_lay(lay(), options, name="b")
    assert caught.value.slug == "depth-not-said"
    for word in ("a depth for all", "arrange a panel", "cut right through"):
        assert word in caught.value.remedy
    told = with_options(caught.value.slug, caught.value.remedy)
    for word in ("--depth", "tracer arrange", "--through"):
        assert word in told


def test_a_person_may_ask_for_right_through() -> None:
    (done,) = cut_any_lay(lay(), replace(LASER, through=True, depth_mm=9.0), name="b")
    assert {p.rule.depth_mm for p in done.pockets} == {None}


def test_layers_add_up_and_each_holds_the_pockets_that_reach_it(tmp_path: Path) -> None:
    depths = {"T01": 10.0, "T02": 17.0, "T03": 10.0, "T04": 20.0}
    done = cut_any_lay(lay(), replace(LASER, depths_mm=depths), name="b")
    # 10 and 20 are joints of usual sheets; 17 becomes 18 or 20
    names = [n for r in done for n in r.files if n.endswith(".dxf") and "reference" not in n]
    thickness = [float(n.partition("/")[0].removesuffix("mm").rpartition("-")[2]) for n in names]
    assert sum(thickness) == pytest.approx(30)
    back = 0.0
    found = []
    for result, name, layer in zip(done, names, thickness, strict=True):
        back += layer
        rings = [r for r in rings_by_gdal(result.files[name], tmp_path) if r.layer == "through"]
        found.append(len({p for p in rings}))
        reaching = [i for i, d in depths.items() if d > back - layer + 1e-6]
        for number, (owner, shape) in enumerate(regions().items(), 1):
            spot = affinity.translate(shape, *(-v for v in result.cut.origin_mm))
            inside = any(Polygon(r.points).contains(spot.representative_point()) for r in rings)
            assert inside is (owner in reaching), (name, owner, number)
    assert found[-1] == 0  # a floor is left
    assert "face-in-layers" in {c.slug for c in done[0].checks}


def test_layers_that_cannot_be_are_refused() -> None:
    for options in (
        replace(LASER, depth_mm=30.0),
        replace(LASER, depth_mm=10.0, thickness_mm=31.5),
        replace(LASER, depth_mm=10.0, layers_mm=(30.0,)),
    ):
        with pytest.raises(UsageError) as caught:
            cut_any_lay(lay(), options, name="b")
        assert caught.value.slug == "layers-impossible"


def test_own_thicknesses_are_used() -> None:
    done = cut_any_lay(lay(), replace(LASER, depth_mm=12.0, layers_mm=(6.0, 12.0)), name="b")
    assert [r.cut.title.rpartition(", ")[2] for r in done] == ["12 mm", "12 mm", "6 mm"]


@pytest.mark.parametrize("machine", machine_names())
def test_no_panel_loses_its_floors_without_a_word(machine: str, tmp_path: Path) -> None:
    tools = row_of_bars(3, height_mm=24.0)
    wanted = plan(drawer())  # names no thicknesses
    panel, _ = arrange_tools(tools, wanted)
    assert not any(p.through for p in panel.pockets)
    profile = read_machine(machine)
    options = PanelCutOptions(machine=profile, dxf=dxf_options(profile))
    done = cut_panel(panel, wanted, tools, options, name="b")
    faces = [(w, f) for w, _, f in done.sheets if w.role == "face"]
    back = faces[-1]
    (name,) = (n for n in back[1].files if n.endswith(".dxf") and "reference" not in n)
    rings = rings_by_gdal(back[1].files[name], tmp_path)
    # whatever is hindmost of the face, nothing goes right through it
    assert "through" not in {r.layer for r in rings}
    assert sum(w.thickness_mm for w, _ in faces) == pytest.approx(30)
    # one sheet's price, whatever it is built from
    prices = [w.stock.price or 0.0 for w, _ in faces]
    assert sum(prices) == pytest.approx(FACE.price)
    asked = cut_panel(panel, wanted, tools, replace(options, through=True), name="b")
    if not profile.cuts_depth:
        assert [w.thickness_mm for w, _, _ in asked.sheets if w.role == "face"] == [30.0]


def test_a_face_that_no_layers_make_fails_with_what_to_type() -> None:
    tools = row_of_bars(2, height_mm=24.0)
    odd = replace(FACE, thickness_mm=31.5)
    base = plan().plies[1]
    wanted = plan(drawer(), plies=(PlyPlan("face", odd), base))
    panel, _ = arrange_tools(tools, wanted)
    profile = read_machine("co2-laser")
    options = PanelCutOptions(machine=profile, dxf=dxf_options(profile))
    done = cut_panel(panel, wanted, tools, options, name="b")
    (check,) = (c for c in done.checks if c.slug == "face-not-in-layers")
    assert "thicknesses_mm" in check.remedy and "cut right through" in check.remedy
    assert shapely.is_valid(panel.shape)
