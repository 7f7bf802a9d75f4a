"""Sheets behind the face, screws and seams, the bill."""

from __future__ import annotations

from dataclasses import replace

import pytest
import shapely

from tests.panel.bench import (
    BASE,
    BOARD,
    FACE,
    THIN,
    bar,
    drawer,
    panel_of,
    plan,
    row_of_bars,
    spanner,
    tool,
    wall,
)
from tracer.export.machine.profiles import read_machine
from tracer.model.panel import BayKind, Panel
from tracer.model.panel_plan import PlyPlan, ToolPlan
from tracer.panel.fittings.openings import openings_in
from tracer.panel.rules import rules_for
from tracer.panel.stock.bill import bill_of_sheets, cautions, consumables
from tracer.panel.stock.seams import seam_lines
from tracer.panel.stock.work_steps import work_steps

RULES = rules_for(BayKind.DRAWER)


def large() -> Panel:
    tools = [tool(spanner() if n % 2 else bar(), n + 1, 100.0 * n, 0) for n in range(12)]
    through = tuple(ToolPlan(f"T{n:02d}", through=n % 3 == 0) for n in range(1, 13))
    base = replace(BASE, size_mm=(420.0, 330.0))
    face = replace(FACE, size_mm=(700.0, 330.0))
    layers = (PlyPlan("face", face), PlyPlan("base", base), PlyPlan("backing", BOARD))
    return panel_of(tools, plan(wall(1300, 320), plies=layers, tools=through))


def test_seams_run_under_webs_and_apart_from_those_in_front() -> None:
    panel = large()
    marks = {}
    for slab in panel.slabs[:2]:
        tiles = [t for t in panel.tiles if t.slab == slab.index]
        lines = seam_lines(tiles, panel.shape)
        assert lines
        marks[slab.index] = [line.centroid.x for line in lines]
        for opened in openings_in(panel, slab):
            assert all(line.distance(opened) >= RULES.seam_clear_mm - 1e-6 for line in lines)
    # the base shows only through pockets that are cut through: fewer openings than the face
    assert 0 < len(openings_in(panel, panel.slabs[1])) < len(openings_in(panel, panel.slabs[0]))
    nearest = min(abs(a - b) for a in marks[0] for b in marks[1])
    assert nearest >= RULES.seam_stagger_mm


def test_no_screw_lies_under_a_seam() -> None:
    panel = large()
    lines = seam_lines(panel.tiles, panel.shape)
    points = shapely.points([(f.x_mm, f.y_mm) for f in panel.fixings])
    clear = rules_for(BayKind.WALL).fixing_clear_mm
    assert len(points) > 6
    assert min(float(shapely.distance(points, line).min()) for line in lines) >= clear - 1e-6


def test_the_bill_counts_sheets_weighs_and_adds_up() -> None:
    panel = panel_of(row_of_bars(3, height_mm=24.0), plan(drawer(420, 260)))
    lines = {
        (line.stock.colour, line.stock.thickness_mm): line for line in bill_of_sheets(panel, RULES)
    }
    face = lines[(FACE.colour, FACE.thickness_mm)]
    assert face.sheets == 1 and face.price == 20.0
    # weight is area x thickness x density: 0.42 x 0.26 m x 30 mm x 45 kg/m3
    assert face.mass_kg == pytest.approx(0.42 * 0.26 * 0.030 * 45)
    assert lines[(THIN.colour, THIN.thickness_mm)].purpose == "floor inserts"
    tiles = [line for line in bill_of_sheets(large(), RULES) if line.purpose == "face"]
    assert tiles[0].sheets == 2  # 1300 mm from sheets of 700


def test_small_tiles_and_inserts_share_a_sheet() -> None:
    wanted = plan(drawer(420, 260), insert=replace(BASE, thickness_mm=10.0))
    panel = panel_of(row_of_bars(3, height_mm=20.0), wanted)
    (line,) = [b for b in bill_of_sheets(panel, RULES) if b.stock.colour == BASE.colour]
    assert line.purpose == "base, floor inserts" and line.sheets == 1


def test_steps_and_cautions_fit_the_panel() -> None:
    machine = read_machine("oscillating-knife")
    on_wall = large()
    in_drawer = panel_of(row_of_bars(2), plan(drawer()))
    steps = work_steps(on_wall, machine)
    assert "Keep every cut-out: it masks its opening while the back is glued." in steps
    assert any("seams" in s for s in steps)
    assert not any("seams" in s for s in work_steps(in_drawer, machine))
    words = " ".join(cautions(on_wall, machine, ()))
    for needed in ("Spray glue", "Blades", "anchor", "cables and pipes", "over heads"):
        assert needed in words
    assert "anchor" not in " ".join(cautions(in_drawer, machine, ()))
    powered = replace(in_drawer, pockets=(replace(in_drawer.pockets[0], kind="powered"),))
    assert "never charge in a foam pocket" in " ".join(cautions(powered, machine, ()))
    assert any("screws" in c for c in consumables(on_wall))
