"""The signed distance of a file's walls, against squares and discs worked by hand."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import Point, box

from tracer.export.dxf.read import read_dxf
from tracer.export.dxf.write import dxf_bytes
from tracer.export.wall_error import kinks, wall_error
from tracer.model.drawing import CutPath, Drawing, KerfNote, Layer, Loop, Operation

POCKET = Layer(Operation.POCKET, 12.0)


@pytest.mark.parametrize(("radius", "kerf"), [(20.0, 0.0), (20.1, 0.0), (19.8, 0.0), (19.8, 0.2)])
def test_a_disc_is_off_by_the_difference_of_radii(radius: float, kerf: float) -> None:
    path = CutPath(Loop.circle(50, 40, radius), POCKET, "T01")
    drawing = Drawing("d", (100, 80), (path,), KerfNote(2 * kerf, kerf), origin_mm=(7.0, -3.0))
    curves = read_dxf(dxf_bytes(drawing)).curves
    wanted = {"T01": Point(57, 37).buffer(20, quad_segs=256)}
    found = wall_error(drawing, curves, wanted)
    assert found is not None and found.walls == 1
    assert found.mean_mm == pytest.approx(radius + kerf - 20, abs=0.003)
    assert found.high_mm - found.low_mm < 0.01


def test_a_wall_shifted_sideways_is_out_on_one_side_and_in_on_the_other() -> None:
    path = CutPath(Loop.rectangle(10, 10, 60, 30), POCKET, "T01")
    drawing = Drawing("d", (100, 80), (path,))
    curves = read_dxf(dxf_bytes(drawing)).curves
    found = wall_error(drawing, curves, {"T01": box(10.3, 10, 70.3, 40)})
    assert found is not None
    assert found.mean_mm == pytest.approx(0.0, abs=0.01)
    assert (found.low_mm, found.high_mm) == pytest.approx((-0.3, 0.3), abs=0.02)
    assert wall_error(drawing, curves, {}) is None


def test_kinks_are_joints_that_turn_a_little() -> None:
    # a hexagon turns by 60 degrees at each corner, a 24-gon by 15: it looks traced
    for sides, expected in ((6, 0), (24, 24), (360, 0)):
        angle = np.arange(sides) * 2 * np.pi / sides
        assert kinks(Loop.polygon(30 * np.column_stack([np.cos(angle), np.sin(angle)]))) == expected
