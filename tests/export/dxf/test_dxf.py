"""DXF files against the DXF reference and two independent readers (GDAL, a JavaScript parser)."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from pathlib import Path

import ezdxf
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.export.drawings import cut_drawing, outline, reference_drawing, regions
from tracer.errors import TracerError
from tracer.export.drawing.draw import draw_outlines
from tracer.export.dxf.write import DxfOptions, DxfVersion, dxf_bytes, dxf_layer_names
from tracer.geometry.loops import signed_area
from tracer.model.drawing import Drawing

VARIANTS = [
    DxfOptions(version=version, straight=straight)
    for version in DxfVersion
    for straight in (False, True)
]
NAMES = [f"{o.version}-{'straight' if o.straight else 'arcs'}" for o in VARIANTS]


def header(data: bytes, name: str) -> str | None:
    """Value of a header variable, read from the tags themselves."""
    lines = [line.strip() for line in data.decode("cp1252").splitlines()]
    return lines[lines.index(name) + 2] if name in lines else None


def test_header_values_follow_the_reference() -> None:
    # DXF reference, HEADER: AC1015 = R2000, AC1009 = R12; $INSUNITS 4 = mm; $MEASUREMENT 1 metric
    data = dxf_bytes(cut_drawing())
    assert header(data, "$ACADVER") == "AC1015"
    assert header(data, "$INSUNITS") == "4"
    assert header(data, "$MEASUREMENT") == "1"
    old = dxf_bytes(cut_drawing(), DxfOptions(version=DxfVersion.R12))
    assert header(old, "$ACADVER") == "AC1009"
    assert header(old, "$INSUNITS") is None


def test_the_head_says_who_compensates_the_kerf() -> None:
    assert dxf_bytes(cut_drawing("router")).startswith(b"999\n")
    assert b"Kerf not compensated" in dxf_bytes(cut_drawing("router"))[:600]
    head = dxf_bytes(cut_drawing("co2-laser"))[:600]
    assert b"Kerf compensated in this file: lines moved 0.20 mm" in head
    assert b"520.0 x 240.0 millimetres" in head


@pytest.mark.parametrize("options", VARIANTS, ids=NAMES)
def test_equal_drawings_give_equal_bytes(options: DxfOptions) -> None:
    drawing = cut_drawing()
    assert dxf_bytes(drawing, options) == dxf_bytes(drawing, options)
    # the switch that fixes dates is global in the library: it must be as it was
    assert ezdxf.options.write_fixed_meta_data_for_testing is False


def test_only_closed_polylines_are_written() -> None:
    for drawing in (cut_drawing(), reference_drawing()):
        for version, kind in ((DxfVersion.R2000, "LWPOLYLINE"), (DxfVersion.R12, "POLYLINE")):
            text = dxf_bytes(drawing, DxfOptions(version=version)).decode("cp1252")
            body = text[text.index("ENTITIES") :]
            kinds = re.findall(r"^  0\n(\w+)$", body[: body.index("ENDSEC")], re.MULTILINE)
            assert set(kinds) <= {kind, "VERTEX", "SEQEND"}
            assert kinds.count(kind) == len(drawing.paths)


def test_r12_layer_names_hold_only_what_r12_knows() -> None:
    names = dxf_layer_names(reference_drawing(), DxfOptions(version=DxfVersion.R12))
    names |= dxf_layer_names(cut_drawing(), DxfOptions(version=DxfVersion.R12))
    assert names["pocket-12.0"] == "POCKET-12_0"
    # DXF reference, R12: A-Z, 0-9, $, - and _, at most 31
    assert all(re.fullmatch(r"[A-Z0-9$_-]{1,31}", name) for name in names.values())
    assert len(set(names.values())) == len(names)


def test_a_shop_may_name_its_layers() -> None:
    options = DxfOptions(layer_names={"pocket": "Taschen/Nr", "through": "CUT"})
    names = dxf_layer_names(cut_drawing(), options)
    assert names["pocket-12.0"] == "Taschen_Nr-12.0"
    assert names["through"] == "CUT"


def gdal_layers(data: bytes, path: Path) -> list[tuple[str, float, tuple[float, ...]]]:
    """Layer, area and box of every entity as GDAL's DXF driver reads them."""
    raw = pytest.importorskip("pyogrio").raw
    path.write_bytes(data)
    # arcs opened every half degree: r (1 - cos(0.25 deg)) = 1e-5 r
    os.environ["OGR_ARC_STEPSIZE"] = "0.5"
    try:
        _, _, geometry, fields = raw.read(path)
    finally:
        del os.environ["OGR_ARC_STEPSIZE"]
    found = []
    for layer, wkb in zip(fields[0], geometry, strict=True):
        line = shapely.from_wkb(wkb)
        assert line.coords[0] == pytest.approx(line.coords[-1]), "GDAL sees an open line"
        found.append((layer, shapely.Polygon(line.coords).area, line.bounds))
    return found


@pytest.mark.parametrize("options", VARIANTS, ids=NAMES)
@pytest.mark.parametrize("kind", ["cut", "reference"])
def test_gdal_agrees_on_layers_areas_and_sizes(
    options: DxfOptions, kind: str, tmp_path: Path
) -> None:
    drawing = cut_drawing() if kind == "cut" else reference_drawing()
    found = gdal_layers(dxf_bytes(drawing, options), tmp_path / "sheet.dxf")
    names = dxf_layer_names(drawing, options)
    assert [layer for layer, *_ in found] == [names[p.layer.name] for p in drawing.paths]
    # chords of GDAL's, and our own where straight segments were asked for (0.02 mm)
    chord = 0.03 if options.straight else 0.002
    for (_, area, _), path in zip(found, drawing.paths, strict=True):
        wanted = abs(signed_area(path.loop))
        assert area == pytest.approx(wanted, abs=0.01 + chord * np.sqrt(wanted) * 5)
    edge = next(box for layer, _, box in found if layer.lower() == "sheet-edge")
    assert edge == pytest.approx((0, 0, 520, 240), abs=1e-9)


SCRIPT = """
const P = require('dxf-parser'); const Parser = P.default || P;
const d = new Parser().parseSync(require('fs').readFileSync(process.argv[1], 'utf8'));
console.log(JSON.stringify({units: d.header['$INSUNITS'] ?? null, entities: d.entities.map(e => (
  {layer: e.layer, closed: !!e.shape, vertices: e.vertices.map(v => [v.x, v.y, v.bulge || 0])}))}));
"""


def javascript_reader(path: Path) -> dict[str, object]:
    """The file as the npm package dxf-parser reads it; skipped without node or the package."""
    node = shutil.which("node")
    if node is None:
        pytest.skip("node is not installed")
    modules = os.environ.get("TRACER_NODE_MODULES", "")
    done = subprocess.run(
        [node, "-e", SCRIPT, str(path)],
        capture_output=True,
        text=True,
        env={**os.environ, "NODE_PATH": modules},
        check=False,
    )
    if "Cannot find module" in done.stderr:
        pytest.skip("npm package dxf-parser not found; TRACER_NODE_MODULES names its folder")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.mark.parametrize("options", VARIANTS, ids=NAMES)
def test_a_javascript_reader_agrees(options: DxfOptions, tmp_path: Path) -> None:
    drawing = cut_drawing()
    path = tmp_path / "sheet.dxf"
    path.write_bytes(dxf_bytes(drawing, options))
    found = javascript_reader(path)
    assert found["units"] == (4 if options.version is DxfVersion.R2000 else None)
    names = dxf_layer_names(drawing, options)
    entities = found["entities"]
    assert [e["layer"] for e in entities] == [names[p.layer.name] for p in drawing.paths]
    assert all(e["closed"] for e in entities)
    if not options.straight:
        for entity, drawn in zip(entities, drawing.paths, strict=True):
            assert np.array(entity["vertices"]) == pytest.approx(drawn.loop.vertices, abs=1e-9)


def test_colours_differ_by_layer() -> None:
    drawing = cut_drawing()
    text = dxf_bytes(drawing).decode("cp1252")
    tables = text[text.index("TABLES") : text.index("ENTITIES")]
    rows = re.findall(r"AcDbLayerTableRecord\n  2\n(.+)\n 70\n *\d+\n 62\n *(\d+)\n", tables)
    colours = dict(rows)
    own = [colours[layer.name] for layer in drawing.layers]
    assert len(set(own)) == len(own) == 4


def test_outlines_are_drawn_around_with_check_shapes() -> None:
    drawing = draw_outlines([outline(r, i) for i, r in enumerate(regions().values(), 1)])
    by_layer: dict[str, list[float]] = {}
    for path in drawing.paths:
        by_layer.setdefault(path.layer.name, []).append(abs(signed_area(path.loop)))
    assert by_layer["check-square"] == [pytest.approx(10_000)]
    assert by_layer["check-circle"] == [pytest.approx(np.pi * 25**2)]
    assert len(by_layer["outline"]) == 5
    # nothing but the origin moved: back in the sheet frame the outline lies where it was
    first = next(p for p in drawing.paths if p.subject_id == "T01")
    moved = first.loop.vertices[:, :2] + drawing.origin_mm
    assert moved.min(axis=0) == pytest.approx(regions()["T01"].bounds[:2], abs=0.03)


def test_nothing_to_draw_is_said() -> None:
    with pytest.raises(TracerError) as caught:
        draw_outlines([])
    assert caught.value.slug == "nothing-to-draw"


@settings(max_examples=15, deadline=None)
@given(st.floats(-500, 500), st.floats(-500, 500))
def test_the_lower_left_of_the_drawing_is_the_origin(dx: float, dy: float) -> None:
    shape = shapely.affinity.translate(regions()["T04"], dx, dy)
    drawing: Drawing = draw_outlines([outline(shape)])
    edge = next(p for p in drawing.paths if p.layer.name == "sheet-edge")
    assert edge.loop.vertices[:, :2].min(axis=0).tolist() == [0, 0]
    assert min(p.loop.vertices[:, :2].min() for p in drawing.paths) >= 0
