"""Cutting files of a panel: read by GDAL's DXF driver and a PDF reader, measured, compared."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdfium2
import pypdfium2.raw as pdfium
import pytest
import shapely
from shapely.geometry import Point, Polygon

from tests.panel.bench import (
    BASE,
    FACE,
    drawer,
    plan,
    row_of_bars,
    spanner,
    tool,
    wall,
)
from tracer.export.machine.profiles import dxf_options, read_machine
from tracer.geometry.loops import length, signed_area
from tracer.model.drawing import Operation
from tracer.model.machine import Kerf
from tracer.model.outline import EdgeModel
from tracer.model.panel_plan import KeepOutPlan, PanelPlan, PlyPlan, ToolPlan, WellPlan
from tracer.panel.layout.places import Tool
from tracer.workflows.arranging.arrange import arrange_tools
from tracer.workflows.cutting.cut_panel import PanelCut, PanelCutOptions, cut_panel, draw_panel

pyogrio = pytest.importorskip("pyogrio", reason="GDAL's DXF driver comes with pyogrio")

Layers = dict[str, list[Polygon]]


def cut(
    tools: list[Tool], wanted: PanelPlan, machine: str = "oscillating-knife", **more: object
) -> PanelCut:
    profile = read_machine(machine)
    panel, _ = arrange_tools(tools, wanted)
    options = PanelCutOptions(machine=profile, dxf=dxf_options(profile), **more)  # type: ignore[arg-type]
    return cut_panel(panel, wanted, tools, options, name="bench")


def read_by_gdal(data: bytes, folder: Path) -> Layers:
    """Layers and closed rings of a DXF file as GDAL sees them, arcs opened to half a degree."""
    path = folder / "read.dxf"
    path.write_bytes(data)
    os.environ["OGR_ARC_STEPSIZE"] = "0.5"
    meta, _, geometry, fields = pyogrio.raw.read(path)
    names = fields[list(meta["fields"]).index("Layer")]
    found: Layers = {}
    for name, wkb in zip(names, geometry, strict=True):
        shape = shapely.from_wkb(wkb)
        points = shapely.get_coordinates(shape)
        assert np.allclose(points[0], points[-1]), "an open curve"
        found.setdefault(str(name), []).append(Polygon(points))
    return found


def dxf_of(done: PanelCut, key: str) -> bytes:
    (name,) = [
        n
        for n in done.files
        if f"/bench-{key}" in n and n.endswith(".dxf") and "reference" not in n
    ]
    return done.files[name]


WELL = WellPlan("knob", 12.0, 80.0, 16.0, 7.0)
MIXED = [
    *row_of_bars(3, height_mm=24.0),
    tool(spanner(), 4, 260, 0, height_mm=50.0),
]
MIXED_PLAN = plan(
    drawer(480, 300),
    tools=(ToolPlan("T01", depth_mm=12.0, wells=(WELL,)),),
    keep_outs=(KeepOutPlan("pipe", 20, 20, 30, hole=True),),
)


@pytest.fixture(scope="module")
def mixed() -> PanelCut:
    return cut(MIXED, MIXED_PLAN)


def test_an_independent_reader_finds_every_layer(mixed: PanelCut, tmp_path: Path) -> None:
    layers = read_by_gdal(dxf_of(mixed, "1-face"), tmp_path)
    one, two, three, four = mixed.panel.pockets
    depths = {one.cut_depth_mm, two.cut_depth_mm, three.cut_depth_mm}
    for depth in depths:
        assert f"pocket-{depth:.1f}" in layers
    assert "well-21.5" in layers  # 12 + 7 + 2.5 more than the part
    assert four.through and len(layers["through"]) == 2  # the spanner, and the hole for the pipe
    assert layers["sheet-edge"][0].area == pytest.approx(480 * 300, abs=0.01)
    assert not {"outline", "label", "check-square"} & set(layers)
    for pocket in (one, two, three):
        hits = [
            ring
            for ring in layers[f"pocket-{pocket.cut_depth_mm:.1f}"]
            if ring.contains(pocket.outline.representative_point())
        ]
        # kept regions are those of an inside radius of 3 mm, as the knife's: equal to 0.3 %
        assert len(hits) == 1
        assert hits[0].area == pytest.approx(pocket.region.area, rel=0.01)
        promised = pocket.outline.buffer(pocket.fit_mm)
        assert promised.difference(hits[0].buffer(0.22)).is_empty  # the arcs' tolerance


def test_inserts_are_as_large_as_their_pockets_and_a_little_more(
    mixed: PanelCut, tmp_path: Path
) -> None:
    layers = read_by_gdal(dxf_of(mixed, "inserts"), tmp_path)
    areas = sorted(ring.area for ring in layers["insert"])
    wanted = sorted(p.floor_insert.region.area for p in mixed.panel.pockets if p.floor_insert)
    assert len(areas) == 3
    # fitted within 0.05 mm along some 350 mm
    assert areas == pytest.approx(wanted, abs=18)
    for p in mixed.panel.pockets:
        if p.floor_insert:
            assert p.floor_insert.region.contains(p.region)


def test_every_file_has_its_companions(mixed: PanelCut) -> None:
    names = set(mixed.files)
    for work, drawings, _ in mixed.sheets:
        w, h = (f"{v:.0f}" for v in drawings.cut.size_mm)
        thick = f"{work.thickness_mm:g}mm"
        stem = f"{work.stock.material}-{thick}/bench-{work.key}-front-{thick}-{w}x{h}"
        for end in (".dxf", ".svg", "-reference.dxf", "-picture.png", "-template-a4.pdf"):
            assert stem + end in names
    assert {"bench-job-sheet.pdf", "bench-picture.pdf"} <= names
    assert not [n for n in names if "FAILED" in n]


def test_a_through_only_machine_gets_layers_that_add_up(tmp_path: Path) -> None:
    wanted = replace(
        MIXED_PLAN,
        plies=(
            PlyPlan("face", FACE, thicknesses_mm=(5.0, 10.0, 15.0)),
            PlyPlan("base", BASE),
        ),
    )
    done = cut(MIXED, wanted, "co2-laser")
    faces = [(w, d) for w, d, _ in done.sheets if w.role == "face"]
    assert sum(w.thickness_mm for w, _ in faces) == pytest.approx(30)
    joint = 0.0
    for work, _ in faces:
        layers = read_by_gdal(dxf_of(done, work.key), tmp_path)
        assert set(layers) <= {"through", "sheet-edge", "lead", "tab"}
        # a tool's opening is in every layer in front of its floor, and in none behind
        for pocket in done.panel.pockets:
            beside = shapely.union_all([x.region for x in (*pocket.wells, *pocket.notches)])
            spot = pocket.outline.difference(beside).representative_point()
            inside = [r for r in layers["through"] if r.contains(spot)]
            assert bool(inside) is (pocket.cut_depth_mm > joint + 1e-6), pocket.pocket_id
        joint += work.thickness_mm
    assert not [c for c in done.checks if c.slug == "depth-not-possible"]


def test_a_laminate_is_one_sheet_and_needs_depth(tmp_path: Path) -> None:
    laminate = replace(
        MIXED_PLAN,
        plies=(PlyPlan("face", FACE, bonded=True), PlyPlan("base", BASE)),
        keep_outs=(),
    )
    done = cut(MIXED, laminate)
    (face,) = [w for w, _, _ in done.sheets if w.role == "face"]
    assert face.thickness_mm == 40
    layers = read_by_gdal(dxf_of(done, face.key), tmp_path)
    assert "pocket-30.0" in layers and "through" not in layers
    laser = cut(MIXED, laminate, "co2-laser")
    assert "depth-not-possible" in {c.slug for c in laser.checks}
    assert "bench-CHECKS-FAILED.txt" in laser.files


def test_failed_checks_mark_the_files_unless_accepted() -> None:
    near = row_of_bars(2, pitch=34.0)
    done = cut(near, plan(drawer()))
    assert b"CHECKS FAILED" in dxf_of(done, "1-face")
    assert "web-thin" in done.files["bench-CHECKS-FAILED.txt"].decode()
    accepted = cut(near, plan(drawer()), accepted=("web-thin",))
    assert "bench-CHECKS-FAILED.txt" not in accepted.files
    assert b"CHECKS FAILED" not in dxf_of(accepted, "1-face")


def test_stale_pockets_are_found_when_cutting() -> None:
    tools = row_of_bars(2)
    wanted = plan(drawer())
    panel, _ = arrange_tools(tools, wanted)
    newer = [
        replace(tools[0], outline=replace(tools[0].outline, revision=2)),
        tools[1],
    ]
    profile = read_machine("oscillating-knife")
    options = PanelCutOptions(machine=profile, dxf=dxf_options(profile))
    done = cut_panel(panel, wanted, newer, options, name="bench")
    assert "pocket-stale" in {c.slug for c in done.checks}


def test_tiles_and_sections_each_have_their_own_origin(tmp_path: Path) -> None:
    tools = [tool(spanner(), n + 1, 110 * n, 0) for n in range(6)]
    small = replace(FACE, size_mm=(300.0, 320.0))
    wanted = plan(drawer(710, 300), plies=(PlyPlan("face", small), PlyPlan("base", BASE)))
    done = cut(tools, wanted)
    faces = [w for w, _, _ in done.sheets if w.role == "face"]
    assert len(faces) == 3
    total = 0
    for work in faces:
        layers = read_by_gdal(dxf_of(done, work.key), tmp_path)
        edge = layers["sheet-edge"][0]
        assert edge.bounds[:2] == pytest.approx((0, 0), abs=1e-6)
        assert edge.bounds[2] <= 300 + 1e-6 and edge.bounds[3] <= 320
        for name, rings in layers.items():
            assert all(edge.buffer(0.01).contains(r) for r in rings), name
        total += sum(len(r) for n, r in layers.items() if n.startswith("pocket"))
    assert total == sum(not p.through for p in done.panel.pockets)


def test_kerf_moves_holes_inward_and_loose_pieces_outward() -> None:
    laser = replace(read_machine("co2-laser"), kerf=Kerf.FILE, kerf_mm=0.4)
    ring = [tool(spanner(200, 90), 1, 0, 0, height_mm=20.0)]
    # its hole is sure, as several photos show it: an island is left
    ring = [replace(t, outline=replace(t.outline, method=EdgeModel.VIEWS)) for t in ring]
    panel, _ = arrange_tools(ring, plan(drawer(300, 300)))
    router = replace(laser, cuts_depth=True, heat=False)
    options = PanelCutOptions(machine=router, dxf=dxf_options(router))
    done = cut_panel(panel, plan(drawer(300, 300)), ring, options, name="bench")
    checked = set()
    for _, drawings, _ in done.sheets:
        # the order of cutting goes by size and may differ: pair by layer, owner and kind
        walls = {(p.layer, p.subject_id, p.island): p for p in drawings.walls.paths}
        for path in drawings.cut.paths:
            operation = path.layer.operation
            wall = walls[(path.layer, path.subject_id, path.island)]
            change = abs(signed_area(path.loop)) - abs(signed_area(wall.loop))
            if operation is Operation.SHEET_EDGE:
                continue
            kept = operation is Operation.INSERT
            sign = 1 if kept != path.island else -1
            # half the kerf all along the line; the fitted parallel may lie 0.04 mm outside it
            wanted = sign * 0.2 * length(wall.loop)
            assert change == pytest.approx(wanted, abs=0.05 * length(wall.loop)), operation
            checked.add((operation, path.island))
    assert {(Operation.POCKET, False), (Operation.POCKET, True), (Operation.INSERT, False),
            (Operation.INSERT, True), (Operation.NOTCH, False)} <= checked  # fmt: skip


def test_a_pocket_may_go_on_into_the_base(tmp_path: Path) -> None:
    done = cut(row_of_bars(1), plan(drawer(), tools=(ToolPlan("T01", depth_mm=34.0),)))
    assert "through" in read_by_gdal(dxf_of(done, "1-face"), tmp_path)
    assert "pocket-4.0" in read_by_gdal(dxf_of(done, "2-base"), tmp_path)
    assert "floor-without-contrast" not in {c.slug for c in done.checks}


def test_a_tile_larger_than_the_bed_is_cut_in_parts(tmp_path: Path) -> None:
    tools = [tool(spanner(), n + 1, 110 * n, 0) for n in range(6)]
    whole = replace(FACE, size_mm=(1200.0, 350.0))
    wanted = plan(drawer(710, 300), plies=(PlyPlan("face", whole), PlyPlan("base", BASE)))
    profile = replace(read_machine("oscillating-knife"), bed_mm=(440.0, 400.0))
    panel, _ = arrange_tools(tools, wanted)
    options = PanelCutOptions(machine=profile, dxf=dxf_options(profile))
    done = cut_panel(panel, wanted, tools, options, name="bench")
    faces = [w for w, _, _ in done.sheets if w.role == "face"]
    assert [w.key for w in faces] == [f"1-face-dark-grey-part{n}" for n in (1, 2)]
    pins, pockets = [], 0
    for work in faces:
        layers = read_by_gdal(dxf_of(done, work.key), tmp_path)
        # the parts are not cut apart, and nothing lies off the bed
        assert "sheet-edge" not in layers
        reach = np.array([ring.bounds for rings in layers.values() for ring in rings])
        assert reach.min() >= 0 and reach[:, 2].max() <= 440 and reach[:, 3].max() <= 400
        x0, y0, _, _ = work.window_mm
        pins.append(sorted((r.centroid.x + x0, r.centroid.y + y0) for r in layers["fixing"]))
        pockets += sum(len(r) for n, r in layers.items() if n.startswith("pocket"))
    # the same two pin holes, in panel coordinates, in both positions
    assert np.allclose(pins[0], pins[1], atol=0.01) and len(pins[0]) == 2
    assert pockets == sum(not p.through for p in panel.pockets)
    assert "sheet-exceeds-bed" not in {c.slug for c in done.checks}


def test_same_panel_same_bytes() -> None:
    first, second = cut(MIXED[:2], plan(drawer())), cut(MIXED[:2], plan(drawer()))
    assert first.files == second.files


def test_draw_panel_gives_the_drawings_of_the_files(mixed: PanelCut) -> None:
    drawings = draw_panel(mixed.panel, read_machine("oscillating-knife"))
    assert [d.size_mm for d in drawings] == [d.cut.size_mm for _, d, _ in mixed.sheets]
    assert [len(d.paths) for d in drawings] == [len(d.cut.paths) for _, d, _ in mixed.sheets]


# -- the job sheet, by an independent PDF reader --------------------------------------------------


def pages(data: bytes) -> list[str]:
    document = pypdfium2.PdfDocument(data)
    return [page.get_textpage().get_text_range() for page in document]


def test_the_job_sheet_says_what_the_bench_needs(mixed: PanelCut) -> None:
    text = "\n".join(pages(mixed.files["bench-job-sheet.pdf"]))
    for pocket in mixed.panel.pockets:
        assert f"{pocket.name} ({pocket.pocket_id})" in text
    words = " ".join(text.split())
    assert "Keep every cut-out: it masks its opening while the back is glued." in words
    assert "480.0 x 300.0" in words
    assert "insert 1, yellow 3" in words
    assert "well knob 21.5" in words
    assert "Spray glue" in words and "glove" in words
    assert "Daily count: 4 places" in words
    assert "480.0" in words and "left edge to 1" in words


def test_a_wall_panel_gets_its_fixing_page_and_cautions() -> None:
    tools = row_of_bars(3, height_mm=24.0)
    done = cut(tools, plan(wall(700, 400, above=1000.0)))
    words = " ".join(" ".join(pages(done.files["bench-job-sheet.pdf"])).split())
    assert "Hollow plasterboard alone is not a support" in words
    assert "Check for cables and pipes before drilling" in words
    assert "tools 0.0 kg, not counting 3 tools without a mass" in words
    assert f"{done.panel.fixings[0].x_mm:.0f}" in words
    backing = next(w for w, _, _ in done.sheets if w.role == "backing")
    assert len(backing.features) == len(done.panel.fixings)


def test_the_figure_is_true_to_scale(mixed: PanelCut) -> None:
    """Largest filled path of the first page: the panel's rim, width over height as the panel's."""
    document = pypdfium2.PdfDocument(mixed.files["bench-job-sheet.pdf"])
    boxes = []
    for item in document[0].get_objects(max_depth=4):
        if item.type == pdfium.FPDF_PAGEOBJ_PATH:
            x0, y0, x1, y1 = item.get_bounds()
            boxes.append((x1 - x0, y1 - y0))
    w, h = max(boxes, key=lambda b: b[0] * b[1])
    # bounds include half the 0.4 pt line on each side
    assert (w - 0.4) / (h - 0.4) == pytest.approx(480 / 300, rel=2e-3)


def test_the_client_page_is_one_page(mixed: PanelCut) -> None:
    (text,) = pages(mixed.files["bench-picture.pdf"])
    assert "480 x 300 mm" in text and "tool 1" in text
    assert "CHECKS" not in text


@pytest.mark.parametrize("machine", ["drag-knife", "co2-laser", "router"])
def test_a_plywood_board_is_not_the_foam_machine_s_business(machine: str) -> None:
    tools = row_of_bars(3, height_mm=24.0)
    done = cut(tools, plan(wall(700, 400, above=1000.0)), machine)
    board = [n for n in done.files if "-backing-" in n]
    assert board and not [n for n in board if n.endswith(".svg")]
    (drawing,) = (n for n in board if n.endswith(".dxf"))
    assert drawing.endswith("-saw-and-drill.dxf")
    assert "sheet-exceeds-bed" not in {c.slug for c in done.checks}


def test_no_check_is_listed_twice_and_no_circle_lies_beside_the_panel(mixed: PanelCut) -> None:
    keys = [(c.slug, c.subject_id, c.sentence) for c in mixed.checks]
    assert len(keys) == len(set(keys))
    loose = [replace(t, outline=replace(t.outline, sigma_mm=3.0,
             sigma_ring_mm=np.full(len(t.outline.region.exterior.coords) - 1, 3.0)))
             for t in MIXED]  # fmt: skip
    done = cut(loose, MIXED_PLAN)
    limits = [c for c in done.checks if c.slug == "pocket-at-limit"]
    assert limits
    for check in limits:  # in the panel's frame, at the pocket that it speaks of
        pocket = next(p for p in done.panel.pockets if p.pocket_id == check.subject_id)
        assert pocket.region.distance(Point(check.where_mm)) < 6.0


def test_nothing_on_the_job_sheet_is_smaller_than_9_points(mixed: PanelCut) -> None:
    """By pdfium's own measure of each letter's font size."""
    document = pypdfium2.PdfDocument(mixed.files["bench-job-sheet.pdf"])
    smallest = 99.0
    for page in document:
        text = page.get_textpage()
        for k in range(text.count_chars()):
            if pdfium.FPDFText_GetUnicode(text.raw, k) > 32:
                smallest = min(smallest, pdfium.FPDFText_GetFontSize(text.raw, k))
    assert smallest >= 9.0 - 1e-3
