"""The benchmark of fits measures what it says: shapes whose fit is known beforehand."""

from __future__ import annotations

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from tests.benchmarks.fit_motion import SignedDistance, seat
from tests.benchmarks.fit_tables import bootstrap, goes_in, tables
from tests.benchmarks.fit_walls import cut_tools
from tests.geometry.shapes import hex_key, spanner
from tracer.export.machine.profiles import read_machine
from tracer.model.outline import EdgeModel, HeightSource, Outline
from tracer.workflows.cutting.cut import CutOptions


def displaced(region: Polygon) -> Polygon:
    return affinity.translate(affinity.rotate(region, 0.8, origin=(90, 0)), 1.4, -0.9)


@pytest.mark.parametrize("gap", [-0.4, 0.3, 1.2])
def test_an_even_gap_is_found_wherever_the_pocket_lies(gap: float) -> None:
    seated = seat(spanner(), displaced(spanner().buffer(gap, 64)))
    # sharp points of the spanner's edge and chords of both rings: 0.02 mm
    assert seated.interference_mm == pytest.approx(-gap, abs=0.02)
    assert seated.looseness_mm == pytest.approx(gap, abs=0.03)


def test_foam_that_stands_inside_the_tool_is_met() -> None:
    tool = box(0, 0, 120, 40)
    pocket = box(-1, -1, 121, 41)
    spike = Polygon([(59.8, -1), (60, 5), (60.2, -1)])
    seated = seat(tool, pocket.difference(spike))
    # the spike reaches 5 mm in; 3 mm up the tool meets 2 mm of it, and 2 mm of the far wall.
    # The tip lies between points 0.8 mm apart.
    assert seated.interference_mm == pytest.approx(2.0, abs=0.2)
    island = pocket.difference(Point(60, 20).buffer(7))
    assert seat(tool, island).interference_mm > 10


def test_a_swapped_axis_is_seen() -> None:
    key = hex_key()
    pocket = key.buffer(0.5)
    swapped = Polygon(np.asarray(pocket.exterior.coords)[:, ::-1])
    assert seat(key, pocket).interference_mm < -0.4
    assert seat(key, swapped).interference_mm > 1.0


def test_distances_carry_a_sign_and_point_outward() -> None:
    distance, slope = SignedDistance(box(0, 0, 10, 10))(np.array([[5.0, -2.0], [5.0, 1.0]]))
    assert distance == pytest.approx([2.0, -1.0], abs=1e-9)
    assert slope[0] == pytest.approx([0.0, -1.0], abs=1e-9)
    assert slope[1] == pytest.approx([0.0, -1.0], abs=1e-9)


def test_the_file_is_what_is_measured() -> None:
    region = affinity.rotate(spanner(), 20, origin=(0, 0))
    ring = np.full(len(region.exterior.coords) - 1, 0.2)
    outline = Outline(
        "T01", "spanner", region, 10, HeightSource.TYPED, EdgeModel.MID, 0.2, ring, 0.0, 1.0,
        ("p",), (0.0, 0.0),
    )  # fmt: skip
    options = CutOptions(machine=read_machine("router"), depth_mm=10.0)
    (cut,), _ = cut_tools([outline], options)
    assert cut.outline_id == "T01"
    assert cut.region.contains(region)
    assert 4 < cut.pieces < 60
    assert seat(region, cut.region).interference_mm < 0


def record(**changes: object) -> dict[str, object]:
    usual: dict[str, object] = {
        "scene": "a", "lay": "a.1", "kind": "one typed", "tool": "x", "fit": "easy",
        "probability": 0.9, "stated": 0.9, "limited": False, "flagged": False,
        "interference_mm": 0.1, "looseness_mm": 0.8, "sure_gap_mm": 0.5, "pieces": 20, "kinks": 2,
        "wall_error_mm": 0.0,
    }  # fmt: skip
    return {**usual, **changes}


def test_what_counts_as_going_in() -> None:
    assert goes_in(record())
    assert not goes_in(record(interference_mm=0.25))
    assert goes_in(record(interference_mm=0.25, fit="press"))
    assert not goes_in(record(interference_mm=0.7, fit="press"))
    assert not goes_in(record(limited=True))
    assert not goes_in(record(interference_mm=None))


def test_intervals_draw_whole_scenes() -> None:
    records = [record(scene=s, interference_mm=9.0 * (s == "b")) for s in "abcd" for _ in range(9)]
    middle, low, high = bootstrap(records, lambda rs: float(np.mean([goes_in(r) for r in rs])))
    assert middle == 0.75
    # four scenes: their share scatters by sqrt(0.75 x 0.25 / 4) = 22 points, tools alone by 7
    assert low <= 0.5
    assert high == 1.0
    assert "one typed  easy" in tables(records)
