"""Which way round the curves of a file run, as GDAL reads them.

Outer walls run counter-clockwise and islands clockwise (the convention of OGC Simple Features,
06-103r4, 6.1.11.1, for exterior and interior rings): readers that offset by themselves go by it.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.export.drawings import cut_drawing
from tests.export.readers import rings_by_gdal
from tracer.export.drawing.cut_drawing import compensated
from tracer.export.dxf.write import DxfOptions, DxfVersion, dxf_bytes
from tracer.export.machine.profiles import machine_names, read_machine
from tracer.geometry.loops import signed_area
from tracer.model.drawing import Loop


@pytest.mark.parametrize("version", list(DxfVersion))
@pytest.mark.parametrize("machine", machine_names())
def test_walls_run_left_and_islands_right(
    machine: str, version: DxfVersion, tmp_path: Path
) -> None:
    drawing = cut_drawing(machine)
    rings = rings_by_gdal(dxf_bytes(drawing, DxfOptions(version=version)), tmp_path)
    assert len(rings) == len(drawing.paths)
    for path, ring in zip(drawing.paths, rings, strict=True):
        assert (ring.signed_area > 0) is not path.island, (machine, ring.layer)
    assert {p.island for p in drawing.paths} == {False, True}


@pytest.mark.parametrize("inward", [0.2, -0.2])
def test_moving_a_line_keeps_its_direction(inward: float) -> None:
    square = Loop.rectangle(0, 0, 50, 30)
    assert signed_area(compensated(square, inward)) > 0
    assert read_machine("co2-laser").kerf_mm > 0
