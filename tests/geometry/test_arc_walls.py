"""Walls of lines and arcs: what is given when arcs along a narrow neck cross each other."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import Polygon, box

from tracer.geometry import arc_walls
from tracer.geometry.arc_walls import FLAT_MM, centred_arcs
from tracer.geometry.loops import polygon_of
from tracer.model.drawing import Loop

BOW_TIE = Loop.polygon(np.array([[0.0, 0.0], [40.0, 20.0], [40.0, 0.0], [0.0, 20.0]]))
HONEST = arc_walls.arcs_along


def crossing_above(tolerance_mm: float, monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Fits with a wider tolerance cross themselves; the tolerances asked for."""
    asked: list[float] = []

    def fitted(region: Polygon, tolerance: float) -> Loop:
        asked.append(tolerance)
        return BOW_TIE if tolerance > tolerance_mm else HONEST(region, tolerance)

    monkeypatch.setattr(arc_walls, "arcs_along", fitted)
    return asked


def test_a_fit_that_crosses_itself_gives_way_to_a_closer_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked = crossing_above(0.04, monkeypatch)
    wall = polygon_of(centred_arcs(box(0, 0, 41, 20).buffer(3), 0.1), FLAT_MM)
    assert wall.is_valid
    assert wall.hausdorff_distance(box(0, 0, 41, 20).buffer(3)) < 0.05
    assert min(asked) == pytest.approx(0.1 / 3)


def test_where_all_fits_cross_themselves_the_wall_itself_is_given(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    crossing_above(0.0, monkeypatch)
    wall = polygon_of(centred_arcs(box(0, 0, 42, 20), 0.1), FLAT_MM)
    assert wall.is_valid
    assert wall.symmetric_difference(box(0, 0, 42, 20)).area < 1e-9
