"""Leads, tabs and corner loops: in the waste, off in the file, and no wall the worse for them.

What is off is read from the file by the DXF library, where the waste is by shapely.
"""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import ezdxf
import numpy as np
import pytest
from shapely.geometry import Polygon

from tests.export.readers import rings_by_gdal
from tracer.export.drawing.aids import begun_on_a_straight, with_aids
from tracer.export.dxf.read import read_dxf
from tracer.export.dxf.write import dxf_bytes
from tracer.export.examine.file import examine
from tracer.export.machine.profiles import read_machine
from tracer.export.verify import verify_dxf
from tracer.geometry.loops import polygon_of, signed_area
from tracer.model.drawing import CutPath, Drawing, Layer, Loop, Operation

THROUGH, INSERT = Layer(Operation.THROUGH), Layer(Operation.INSERT)


def begun(x: float, y: float, w: float, h: float) -> Loop:
    """A rectangle as drawings have it: begun in the middle of a side."""
    return begun_on_a_straight(Loop.rectangle(x, y, w, h))


HOLE = CutPath(begun(20, 20, 60, 40), THROUGH, "T01")
PIECE = CutPath(begun(120, 20, 50, 40), INSERT, "T02")
EDGE = CutPath(Loop.rectangle(0, 0, 200, 90), Layer(Operation.SHEET_EDGE))
SHEET = Drawing("aids", (200.0, 90.0), (HOLE, PIECE, EDGE))
MACHINE = replace(
    read_machine("router"), lead_mm=6.0, tabs=3, tab_width_mm=5.0, blade_offset_mm=0.5
)


def of(drawing: Drawing, operation: Operation, owner: str = "") -> list[Polygon]:
    return [
        polygon_of(p.loop)
        for p in drawing.paths
        if p.layer.operation is operation and owner in ("", p.subject_id)
    ]


def test_leads_lie_in_the_waste_and_touch_the_wall_where_it_begins() -> None:
    aided = with_aids(SHEET, MACHINE)
    (inside,) = of(aided, Operation.LEAD, "T01")
    (outside,) = of(aided, Operation.LEAD, "T02")
    hole, piece = polygon_of(HOLE.loop), polygon_of(PIECE.loop)
    assert hole.buffer(1e-6).contains(inside)
    assert outside.intersection(piece).area < 1e-6
    for lead, path in ((inside, HOLE), (outside, PIECE)):
        assert lead.exterior.distance(Polygon([path.loop.vertices[0, :2]] * 4).centroid) < 1e-6
    # no room: a lead as long as a third of what is asked, or none at all
    tight = CutPath(begun(20, 20, 60, 2.5), THROUGH, "T01")
    short = of(with_aids(replace(SHEET, paths=(tight, EDGE)), MACHINE), Operation.LEAD)
    assert len(short) == 1 and short[0].bounds[3] <= 22.5 + 1e-6
    slit = CutPath(begun(20, 20, 60, 0.5), THROUGH, "T01")
    assert not of(with_aids(replace(SHEET, paths=(slit, EDGE)), MACHINE), Operation.LEAD)


def test_tabs_bridge_the_cut_and_loops_stand_beyond_corners() -> None:
    aided = with_aids(SHEET, MACHINE)
    for path in (HOLE, PIECE):
        tabs = of(aided, Operation.TAB, path.subject_id)
        ring = polygon_of(path.loop).exterior
        assert len(tabs) == 3
        for tab in tabs:
            # as wide along the wall as asked, and past the bit's 6 mm on both sides
            assert tab.intersection(ring).length == pytest.approx(5.0, abs=0.05)
            assert tab.area == pytest.approx(5.0 * 7.0, rel=0.01)
    loops = of(aided, Operation.CORNER_LOOP)
    assert len(loops) == 4  # the four corners of the loose piece, none of the hole
    assert all(x.intersection(polygon_of(PIECE.loop)).area < 1e-6 for x in loops)


def test_their_layers_are_off_and_walls_are_untouched(tmp_path: Path) -> None:
    aided = with_aids(SHEET, MACHINE)
    data = dxf_bytes(aided)
    verify_dxf(data, aided)
    document = ezdxf.read(io.StringIO(data.decode("cp1252")))
    off = {layer.dxf.name for layer in document.layers if layer.is_off()}
    assert off == {"lead", "tab", "corner-loop"}
    walls = [r for r in rings_by_gdal(data, tmp_path) if r.layer in ("through", "insert")]
    plain = [
        r for r in rings_by_gdal(dxf_bytes(SHEET), tmp_path) if r.layer in ("through", "insert")
    ]
    assert all(np.array_equal(a.points, b.points) for a, b in zip(walls, plain, strict=True))
    assert [c.slug for c in examine(read_dxf(data)).checks if c.severity.value != "note"] == []


def test_a_profile_without_them_gets_none() -> None:
    assert with_aids(SHEET, read_machine("scalpel")) is SHEET


def test_a_wall_begins_on_its_longest_straight() -> None:
    # a stadium listed from its arc: the first straight of 40 mm comes first afterwards
    stadium = Loop(np.array([(50, 0, 1), (50, 20, 0), (10, 20, 1), (10, 0, 0)], float))
    begun = begun_on_a_straight(stadium)
    assert begun.vertices[0].tolist() == [30, 20, 0]
    assert signed_area(begun) == pytest.approx(signed_area(stadium))
    assert begun_on_a_straight(Loop.circle(0, 0, 5)).vertices[0, 0] == -5
